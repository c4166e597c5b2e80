"""What is written for people: docstrings of public names, README, DEVELOPERS, links between them."""

from __future__ import annotations

import ast
import dataclasses
import doctest
import inspect
import itertools
import re
import subprocess
from collections.abc import Callable
from pathlib import Path

import pytest

import finishlab

ROOT = Path(__file__).parent.parent
PUBLIC = {name: getattr(finishlab, name) for name in finishlab.__all__}
FUNCTIONS = {name: value for name, value in PUBLIC.items() if inspect.isfunction(value)}
CLASSES = {name: value for name, value in PUBLIC.items() if inspect.isclass(value)}
#: Results that a function hands over; its examples show them.
RESULTS = {
    n: v for n, v in CLASSES.items() if "Examples" not in (v.__doc__ or "") and not issubclass(v, Exception)
}
#: Rooms of DEVELOPERS.md whose functions name no published source: they compute nothing.
NOTHING_PUBLISHED = {
    "records": "reads, checks and writes files and the record book",
    "procedure": "writes and reads pages of what was computed before",
    "bench": "shows what others compute, takes in what is typed, and writes sheets to fill in",
    "classroom.slides": "shows what others compute",
    "classroom.newcomer_sheet": "writes a sheet to fill in",
}
#: A number says in which unit it is, or that it is a share of something.
UNIT = re.compile(
    r"\b(GU|HU|µm|ml|m²|m/s²|(?i:minutes|hours|days|seconds|passes|share|probability|chance|0 to 1|degrees of freedom|units?))\b"
)
#: What no function takes: no such response, never read, no share, no such factor, never studied.
WRONG: dict[str, tuple[object, ...]] = {
    "goal": ({"colour": {"at_least": 1}}, {"gloss_85": {"at_least": 50}}),
    "assurance": (2.0,),
    "response": ("colour",),
    "at": ({"colour": 1}, {"cut_pad": "red"}),
}
SOURCE = re.compile(r"\((1[89]|20)\d\d\)|\b(ISO|ASTM|NIST)\b")


def sections(doc: str) -> list[str]:
    """Headings of a numpy-style docstring: words with a line of dashes of their length below."""
    lines = inspect.cleandoc(doc).splitlines()
    return [a for a, b in itertools.pairwise(lines) if a and b == "-" * len(a)]


def part(doc: str, heading: str) -> str:
    """Text of one section of a docstring."""
    text = inspect.cleandoc(doc)
    after = text.split(f"{heading}\n{'-' * len(heading)}\n", 1)[1]
    return re.split(r"\n\n[A-Z][A-Za-z ]+\n---", after)[0]


def entries(doc: str, heading: str) -> dict[str, tuple[str, str]]:
    """Each name of a section with its type and its description; a type alone stands under itself."""
    if heading not in sections(doc):
        return {}
    found = {}
    for entry in re.split(r"\n(?=\S)", part(doc, heading).strip()):
        head, _, description = entry.partition("\n")
        names, _, kind = head.rpartition(" : ")
        for name in (names or kind).split(", "):
            found[name] = (kind, " ".join(description.split()))
    return found


def lacking(entry: tuple[str, str]) -> str:
    """What the description of one value lacks: the shape of a table or collection, or the unit of a number."""
    kind, words = entry
    if "DataFrame" in kind:
        like = [FUNCTIONS[n].__doc__ or "" for n in re.findall(r"`(\w+)`", words) if n in FUNCTIONS]
        if not re.search(r"\b[Oo]ne row (a|an|each)\b", words) and not any("One row a" in d for d in like):
            return "what one row is"
    if re.search(r"\b(sequence|tuple|list|dict|mapping|array)\b(?! of)", kind):
        return "what it holds"
    if re.search(r"\b(float|Interval|Components)\b", kind) and not UNIT.search(words):
        return "its unit"
    if re.search(r"\bint\b", kind) and not words:
        return "what is counted"
    return ""


def raised(function: Callable[..., object]) -> set[str]:
    """Errors of ours that a function raises, itself or by what it calls in its own module."""
    source = inspect.getsourcefile(inspect.unwrap(function)) or ""
    tree = ast.parse(Path(source).read_text(encoding="utf-8"))
    defined = {n.name: n for n in tree.body if isinstance(n, ast.FunctionDef)}
    seen, todo, found = set(), [function.__name__], set()
    while todo:
        seen.add(name := todo.pop())
        used = {n.id for n in ast.walk(defined[name]) if isinstance(n, ast.Name)}
        todo += [n for n in used if n in defined and n not in seen]
        thrown = [n.exc for n in ast.walk(defined[name]) if isinstance(n, ast.Raise)]
        called = {e.func.id for e in thrown if isinstance(e, ast.Call) and isinstance(e.func, ast.Name)}
        found |= {n for n in called if n in CLASSES and issubclass(CLASSES[n], finishlab.FinishlabError)}
    return found


def refusals(doc: str) -> set[str]:
    """Errors that the examples of a docstring end in."""
    return set(re.findall(r"^finishlab\.errors\.(\w+):", inspect.cleandoc(doc), re.MULTILINE))


@pytest.mark.parametrize("name", FUNCTIONS)
def test_a_public_function_says_what_goes_in_what_comes_out_what_is_refused_and_shows_it(name):
    function = FUNCTIONS[name]
    doc = function.__doc__ or ""
    assert {"Parameters", "Returns", "Raises", "Examples"} <= set(sections(doc))
    assert doc.count(">>>") >= 2, "one ordinary example and one at the edge"
    assert "+SKIP" not in doc, "an example is run"
    named = entries(doc, "Parameters")
    for parameter, told in inspect.signature(function).parameters.items():
        assert parameter in named, f"{parameter} is not described"
        kind = named[parameter][0]
        for word in re.findall(
            r"\b(int|float|bool|DataFrame|Mapping|Sequence|Study|FinishModel|Recipe)\b", told.annotation
        ):
            assert re.search(word, kind, re.IGNORECASE), (
                f"{parameter} is {told.annotation}, and said to be {kind!r}"
            )


@pytest.mark.parametrize("name", FUNCTIONS)
def test_a_public_function_names_every_error_that_it_raises_and_when(name):
    doc = FUNCTIONS[name].__doc__ or ""
    named = entries(doc, "Raises")
    for error, (_, when) in named.items():
        assert issubclass(CLASSES.get(error, object), finishlab.FinishlabError), f"{error} is not one of ours"
        assert when, f"{error}: when?"
    assert raised(FUNCTIONS[name]) | refusals(doc) <= set(named)


@pytest.mark.parametrize(
    ("name", "parameter", "value"),
    [
        (n, p, v)
        for n, f in FUNCTIONS.items()
        for p in inspect.signature(f).parameters
        for v in WRONG.get(p, ())
    ],
)
def test_what_a_public_function_refuses_it_refuses_by_an_error_that_it_names(
    name, parameter, value, bench, trials, model
):
    worked = {"sand_grit": "P1500", "cut_pad": "wool", "cut_product": "compound A", "cut_passes": 4}
    known = {"model": model, "study": bench.study, "trials": trials, "factor": "cut_passes", "by": "cut_pad"}
    known |= {"response": "gloss_20", "worked": worked, "readings": {"gloss_20": 50.0}}
    needed = [p.name for p in inspect.signature(FUNCTIONS[name]).parameters.values() if p.default is p.empty]
    with pytest.raises(finishlab.FinishlabError) as refused:
        FUNCTIONS[name](**{p: known[p] for p in needed} | {parameter: value})
    assert refused.type.__name__ in entries(FUNCTIONS[name].__doc__ or "", "Raises")


@pytest.mark.parametrize("name", [n for n in PUBLIC if not issubclass(CLASSES.get(n, object), Exception)])
def test_shapes_and_units_of_what_a_public_name_takes_and_gives_are_said(name):
    doc = PUBLIC[name].__doc__ or ""
    values = {n: e for h in ("Parameters", "Attributes", "Returns") for n, e in entries(doc, h).items()}
    assert {n: said for n, e in values.items() if (said := lacking(e))} == {}


def test_the_look_at_shapes_and_units_sees_what_is_left_out():
    assert lacking(("float", "Of all readings.")) == "its unit"
    assert lacking(("float", "Of all readings, GU.")) == ""
    assert lacking(("DataFrame", "The readings.")) == "what one row is"
    assert lacking(("DataFrame", "As `read_trials` gives.")) == ""
    assert lacking(("dict", "Of each limit.")) == "what it holds"
    assert lacking(("int", "")) == "what is counted"


@pytest.mark.parametrize("name", FUNCTIONS)
def test_what_a_public_function_returns_is_described_there_or_has_attributes_of_its_own(name):
    for kind, (_, words) in entries(FUNCTIONS[name].__doc__ or "", "Returns").items():
        assert words or kind in CLASSES


@pytest.mark.parametrize(
    "name", [n for n in FUNCTIONS if not finishlab._PLACES[n].startswith(tuple(NOTHING_PUBLISHED))]
)
def test_a_public_function_that_computes_names_the_published_source(name):
    doc = FUNCTIONS[name].__doc__ or ""
    assert "References" in sections(doc)
    assert SOURCE.search(part(doc, "References")), "an author with a year, or a standard"


@pytest.mark.parametrize("name", RESULTS)
def test_a_result_names_all_that_it_holds_and_the_functions_that_make_it_and_show_it(name):
    fields = {f.name for f in dataclasses.fields(CLASSES[name]) if not f.name.startswith("_")}
    assert fields <= set(entries(CLASSES[name].__doc__ or "", "Attributes"))
    makers = [n for n, f in FUNCTIONS.items() if inspect.signature(f).return_annotation == name]
    assert makers
    for maker in makers:
        assert f"`{maker}`" in (CLASSES[name].__doc__ or ""), f"say that {maker} makes it"


@pytest.mark.parametrize("name", PUBLIC)
def test_a_public_name_is_met_in_the_readme_or_a_notebook(name):
    notebooks = " ".join(p.read_text(encoding="utf-8") for p in (ROOT / "notebooks").glob("*.ipynb"))
    assert re.search(rf"\b{name}\b", readme() + notebooks)


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
    assert {"Attributes", "Parameters"} & set(sections(cls.__doc__))
    for method, value in vars(cls).items():
        if not method.startswith("_") and callable(getattr(value, "__func__", value)):
            assert inspect.getdoc(value), f"{name}.{method} has no docstring"


@pytest.mark.parametrize("name", ["Frontier", "FinishModel", "Recipe"])
def test_a_result_has_the_five_handles(name):
    for handle in ("text", "table", "to_dict", "plot", "_repr_html_"):
        assert callable(getattr(CLASSES[name], handle))


def test_every_error_of_ours_is_one_family_and_public_and_shown_where_it_is_raised():
    from finishlab import errors

    defined = {n for n, v in vars(errors).items() if inspect.isclass(v) and v.__module__ == errors.__name__}
    assert defined == {n for n, v in CLASSES.items() if issubclass(v, finishlab.FinishlabError)}
    shown = {error for value in PUBLIC.values() for error in refusals(value.__doc__ or "")}
    assert shown == defined - {"FinishlabError"}


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
    assert tests.endswith(".venv\\Scripts\\pytest -q -n auto --dist loadfile")


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


def test_readme_says_how_many_published_figures_are_from_memory():
    import pandas as pd

    printed = remembered = 0
    for path in sorted((ROOT / "tests" / "reference").glob("*.csv")):
        table = pd.read_csv(path, comment="#", dtype=str)
        if "published" not in table:
            continue
        known = [table[c] for c in ("how", "source") if c in table]
        told = pd.Series("", index=table.index)
        for words in known:
            told += words.fillna("")
        printed += int(table["published"].notna().sum())
        remembered += int((table["published"].notna() & told.str.contains("memory")).sum())
    text = " ".join((ROOT / "README.md").read_text(encoding="utf-8").split())
    assert f"Of its {printed} published figures {remembered} were written down from memory" in text


def test_readme_has_one_whole_table_of_checks():
    text = (ROOT / "README.md").read_text(encoding="utf-8")
    head = "| what | against | agreement | the figures |"
    assert text.count(head) == 1
    table = text.split(head, 1)[1].split("\n\n", 1)[0].splitlines()[1:]
    assert all(row.startswith("|") and row.count("|") == 5 for row in table), "a row is broken"
    others = text.replace(head + "\n" + "\n".join(table), "")
    assert "every tabled digit" not in others, "rows stand outside the table"
    # The proving ground is our own check and stands apart from those against the outside.
    assert not any("practice bench" in row for row in table)


def test_readme_counts_the_kinds_of_invented_shops_rightly():
    from finishlab.proving.bench_path import SCENARIOS

    kinds = {kind for scenario in SCENARIOS.values() for kind in scenario.kinds}
    assert (len(kinds), len(SCENARIOS)) == (14, 15)
    text = " ".join((ROOT / "README.md").read_text(encoding="utf-8").split())
    assert "There are fourteen kinds" in text
    assert "a fifteenth line of the table" in text


def test_developers_names_every_package_that_is_needed_to_run():
    import tomllib

    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    text = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    table = text.split("| package | for | MB | what we would write without it | cap |", 1)[1].split(
        "\n\n", 1
    )[0]
    rows = {name.strip(): line for line in table.splitlines()[2:] for name in line.split("|")[1].split(",")}
    needed = {re.match(r"[\w-]+", d)[0]: d for d in project["dependencies"]}  # type: ignore[index]
    assert set(rows) == set(needed)
    for name, asked in needed.items():
        if capped := re.search(r"<([\d.]+)", asked):
            assert f"`<{capped[1]}`" in rows[name], f"the cap of {name} has no reason"
    for asked in project["optional-dependencies"]["test"]:
        assert re.match(r"[\w-]+", asked)[0] in text  # type: ignore[index]


def test_examples_go_on_with_what_the_docstring_of_the_package_makes(bench, sheet, trials, recipe):
    made = {}
    for example in doctest.DocTestParser().get_examples(finishlab.__doc__):
        exec(example.source, made)
    assert (made["bench"].kind, made["bench"].seed) == (bench.kind, bench.seed)
    assert made["sheet"].equals(sheet)
    assert made["trials"].equals(trials)
    assert made["recipe"].settings == recipe.settings
    assert made["recipe"].assurance == recipe.assurance
