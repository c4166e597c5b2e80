"""What is written for people: docstrings of public names, README, DEVELOPERS, links between them."""

from __future__ import annotations

import inspect
import itertools
import re
import subprocess
from pathlib import Path

import pytest

import finishlab

ROOT = Path(__file__).parent.parent
PUBLIC = {name: getattr(finishlab, name) for name in finishlab.__all__}
FUNCTIONS = {name: value for name, value in PUBLIC.items() if inspect.isfunction(value)}
CLASSES = {name: value for name, value in PUBLIC.items() if inspect.isclass(value)}


def sections(doc: str) -> list[str]:
    """Headings of a numpy-style docstring: words with a line of dashes of their length below."""
    lines = inspect.cleandoc(doc).splitlines()
    return [a for a, b in itertools.pairwise(lines) if a and b == "-" * len(a)]


def part(doc: str, heading: str) -> str:
    """Text of one section of a docstring."""
    text = inspect.cleandoc(doc)
    after = text.split(f"{heading}\n{'-' * len(heading)}\n", 1)[1]
    return re.split(r"\n\n[A-Z][A-Za-z ]+\n---", after)[0]


@pytest.mark.parametrize("name", FUNCTIONS)
def test_a_public_function_says_what_goes_in_what_comes_out_what_is_refused_and_shows_it(name):
    function = FUNCTIONS[name]
    doc = function.__doc__ or ""
    assert {"Parameters", "Returns", "Raises", "Examples"} <= set(sections(doc))
    assert doc.count(">>>") >= 2, "one ordinary example and one at the edge"
    named = part(doc, "Parameters")
    for parameter in inspect.signature(function).parameters:
        assert re.search(rf"^(\w+, )*{parameter}\b", named, re.MULTILINE), f"{parameter} is not described"
    for error in re.findall(r"^\w+$", part(doc, "Raises"), re.MULTILINE):
        assert hasattr(finishlab, error), f"{error} is not one of ours"


@pytest.mark.parametrize("name", FUNCTIONS)
def test_a_public_function_takes_all_but_its_first_arguments_by_name(name):
    parameters = list(inspect.signature(FUNCTIONS[name]).parameters.values())
    positional = [p for p in parameters if p.kind is not inspect.Parameter.KEYWORD_ONLY]
    # At the bench three things are always told: the model, what was worked, what it reads now.
    assert len(positional) <= (3 if name == "next_passes" else 2)
    for p in parameters:
        assert p.annotation is not inspect.Parameter.empty


@pytest.mark.parametrize("name", CLASSES)
def test_a_public_class_says_what_it_is_and_its_methods_what_they_do(name):
    cls = CLASSES[name]
    assert cls.__doc__
    if issubclass(cls, Exception):
        return
    assert {"Attributes", "Parameters"} & set(sections(cls.__doc__)) or "attributes" in cls.__doc__
    for method, value in vars(cls).items():
        if not method.startswith("_") and callable(getattr(value, "__func__", value)):
            assert inspect.getdoc(value), f"{name}.{method} has no docstring"


@pytest.mark.parametrize("name", ["Frontier", "FinishModel", "Recipe"])
def test_a_result_has_the_five_handles(name):
    for handle in ("text", "table", "to_dict", "plot", "_repr_html_"):
        assert callable(getattr(CLASSES[name], handle))


def test_every_error_of_ours_is_one_family_and_public():
    from finishlab import errors

    defined = {n for n, v in vars(errors).items() if inspect.isclass(v) and v.__module__ == errors.__name__}
    assert defined == {n for n, v in CLASSES.items() if issubclass(v, finishlab.FinishlabError)}


# --- README and DEVELOPERS -----------------------------------------------------------------------


def readme() -> str:
    return (ROOT / "README.md").read_text(encoding="utf-8")


def blocks(language: str) -> list[str]:
    return re.findall(rf"^```{language}\n(.*?)\n```$", readme(), re.MULTILINE | re.DOTALL)


def test_the_first_two_commands_of_the_readme_are_one_line_each_and_set_everything_up():
    fences = re.findall(r"^```(\w*)$", readme(), re.MULTILINE)
    assert [f for f in fences if f][:2] == ["sh", "sh"]
    main_job, tests = blocks("sh")[:2]
    for command in (main_job, tests):
        assert "\n" not in command
        assert command.startswith("python3 -m venv .venv && .venv/bin/pip install ")
        # Words that the shell itself refuses would otherwise be found by a reader.
        assert subprocess.run(["bash", "-n", "-c", command], check=False).returncode == 0
    assert main_job.endswith(".venv/bin/finishlab start demo && .venv/bin/finishlab shortest demo")
    assert '".[test]"' in tests
    assert ".venv/bin/pytest" in tests


def test_windows_has_the_same_two_commands():
    main_job, tests = blocks("powershell")[:2]
    for command in (main_job, tests):
        assert "&&" not in command  # the PowerShell that comes with Windows does not know it
        assert command.startswith("py -m venv .venv; .venv\\Scripts\\pip install ")
    assert main_job.endswith(".venv\\Scripts\\finishlab start demo; .venv\\Scripts\\finishlab shortest demo")
    assert tests.endswith(".venv\\Scripts\\pytest -q")


def test_the_commands_of_the_readme_are_commands():
    from finishlab.cli import app

    known = {c.name or c.callback.__name__ for c in app.registered_commands}
    named = set(re.findall(r"finishlab (\w+) \w", " ".join(blocks("sh"))))
    assert {"start", "shortest"} <= named <= known


def test_continuous_checks_run_the_readmes_own_test_command():
    script = (ROOT / ".ci" / "run").read_text(encoding="utf-8")
    awk = re.search(r"tests=\$\((awk .*)\)\n", script)
    assert awk
    found = subprocess.run(["bash", "-c", awk[1]], cwd=ROOT, capture_output=True, text=True, check=True)
    assert found.stdout.strip() == blocks("sh")[1]
    assert 'bash -euo pipefail -c "$tests"' in script


@pytest.mark.parametrize("page", ["README.md", "DEVELOPERS.md"])
def test_files_that_a_page_points_to_are_there(page):
    text = (ROOT / page).read_text(encoding="utf-8")
    linked = [t for t in re.findall(r"\]\(([^)#]+)\)", text) if "://" not in t]
    named = re.findall(r"`((?:tests|finishlab|notebooks|datasets|\.ci)/[\w./]+)`", text)
    missing = [t for t in [*linked, *named] if not (ROOT / t).exists() and "_shipped" not in t]
    assert not missing


def test_developers_names_every_package_that_is_needed_to_run():
    import tomllib

    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    text = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    table = text.split("| package | for | cap |", 1)[1].split("\n\n", 1)[0]
    rows = {name.strip(): line for line in table.splitlines()[2:] for name in line.split("|")[1].split(",")}
    needed = {re.match(r"[\w-]+", d)[0]: d for d in project["dependencies"]}  # type: ignore[index]
    assert set(rows) == set(needed)
    for name, asked in needed.items():
        if capped := re.search(r"<([\d.]+)", asked):
            assert f"`<{capped[1]}`" in rows[name], f"the cap of {name} has no reason"
    for asked in project["optional-dependencies"]["test"]:
        assert re.match(r"[\w-]+", asked)[0] in text  # type: ignore[index]
