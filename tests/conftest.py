"""What holds for the whole run of the tests."""

import os

# The matrices are small: threads of the linear algebra would wait for each other longer than
# they work. It must be said before numpy is loaded; the notebooks' kernels take it over too.
for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(_name, "1")

import pytest  # noqa: E402

# --- one practice bench, its trials and its model, fitted once for all tests that only look at it ---


@pytest.fixture(scope="session")
def bench():
    """An invented shop with a known truth: kind 1, roughness that decays with the passes."""
    from finishlab import PracticeBench

    return PracticeBench(kind=1, seed=3)


@pytest.fixture(scope="session")
def trials(bench):
    """24 trials of that shop on 4 panels, read after each step."""
    from finishlab import plan_trials

    return bench.work(plan_trials(bench.study, trials=24, panels=4, seed=7), seed=1)


@pytest.fixture(scope="session")
def model(bench, trials):
    """What is fitted to them, seed 1."""
    from finishlab import fit

    return fit(bench.study, trials)
