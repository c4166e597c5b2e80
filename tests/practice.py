"""The practice bench that tests and docstring examples share, and one process of it to hold the rest at."""

import re

import pytest

BASE = {
    "sand_grit": "P1500",
    "cut_pad": "wool",
    "cut_product": "compound A",
    "cut_passes": 6,
    "polish_passes": 4,
}

# --- made once for all tests and examples that only look at it ---


@pytest.fixture(scope="session")
def bench():
    """An invented shop with a known truth: kind 1, roughness that decays with the passes."""
    from finishlab import PracticeBench

    return PracticeBench(kind=1, seed=3)


@pytest.fixture(scope="session")
def sheet(bench):
    """A plan of 24 trials for that shop, on 4 panels."""
    from finishlab import plan_trials

    return plan_trials(bench.study, trials=24, panels=4, seed=7)


@pytest.fixture(scope="session")
def trials(bench, sheet):
    """That plan worked, read after each step."""
    return bench.work(sheet, seed=1)


@pytest.fixture(scope="session")
def model(bench, trials):
    """What is fitted to them, seed 1."""
    from finishlab import fit

    return fit(bench.study, trials)


@pytest.fixture(scope="session")
def recipe(model):
    """The shortest process by that model, for the study's own goal."""
    from finishlab import shortest

    return shortest(model)


@pytest.fixture(autouse=True)
def names_of_examples(request):
    """
    Give an example of a docstring what it takes up without making it, as `help(finishlab)` says.

    Only what is named is made, and a name of the example's own module stays what it is there.
    """
    example = getattr(request.node, "dtest", None)
    if example is None:
        return
    source = "".join(e.source for e in example.examples)
    for name in ("bench", "sheet", "trials", "model", "recipe"):
        if name not in example.globs and re.search(rf"\b{name}\b", source):
            example.globs[name] = request.getfixturevalue(name)
