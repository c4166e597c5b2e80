"""The package as a whole: its public names, the direction of its imports, and what the wheel holds."""

from __future__ import annotations

import ast
import json
import os
import re
import subprocess
import sys
import tomllib
import zipfile
from importlib import metadata
from pathlib import Path

import pytest
from skips import ANYWHERE

import finishlab

ROOT = Path(__file__).parent.parent
PACKAGE = ROOT / "finishlab"
MODULES = sorted(p for p in PACKAGE.rglob("*.py") if "_shipped" not in p.parts)

# --- public names --------------------------------------------------------------------------


@pytest.mark.parametrize("name", finishlab.__all__)
def test_every_public_name_is_there(name):
    value = getattr(finishlab, name)
    assert value.__name__ == name
    assert value.__module__.startswith(f"finishlab.{finishlab._PLACES[name]}")


def test_public_names_are_listed_once():
    assert sorted(finishlab.__all__) == sorted(finishlab._PLACES)
    assert set(finishlab.__all__) <= set(dir(finishlab))


def test_type_checkers_see_the_same_public_names_from_the_same_places():
    tree = ast.parse((PACKAGE / "__init__.py").read_text(encoding="utf-8"))
    seen = {
        alias.name: str(node.module).removeprefix("finishlab.")
        for node in ast.walk(tree)
        if isinstance(node, ast.ImportFrom) and str(node.module).startswith("finishlab.")
        for alias in node.names
    }
    assert seen == finishlab._PLACES


def test_an_unknown_public_name_is_answered_with_those_there_are():
    with pytest.raises(AttributeError, match=r"has no name 'shortes'. Public names: .*shortest"):
        finishlab.shortes  # noqa: B018


def test_a_name_loads_its_own_part_and_no_more():
    script = "import sys, finishlab; finishlab.Study; print(sorted(m for m in sys.modules if m.startswith('finishlab')))"
    out = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=True).stdout
    assert "finishlab.study" in out
    assert "finishlab.model" not in out
    assert "finishlab.records" not in out


# --- the direction of imports --------------------------------------------------------------


def rooms() -> list[list[str]]:
    """The rooms of DEVELOPERS.md, top to bottom: file names without .py, folders with their slash."""
    text = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    table = text.split("| room | what it is for |", 1)[1].split("\n\n", 1)[0]
    first = [line.split("|")[1] for line in table.splitlines() if line.startswith("| `")]
    return [[name.removesuffix(".py") for name in re.findall(r"`([^`]+)`", cell)] for cell in first]


ROOM = {name: number for number, names in enumerate(rooms()) for name in names}


def room_of(module: str) -> int:
    """Number of the room that `finishlab.records.sheets.sheet`, say, is in."""
    part = module.split(".")[1]
    return ROOM[part] if part in ROOM else ROOM[f"{part}/"]


def dotted(path: Path) -> str:
    return ".".join(path.relative_to(ROOT).with_suffix("").parts).removesuffix(".__init__")


def imports(path: Path) -> set[str]:
    """Every module of the package that a file names in an import, wherever in the file."""
    found: set[str] = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            found |= {a.name for a in node.names}
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path.name}: imports are written out in full"
            if node.module == "finishlab":
                places = finishlab._PLACES
                found |= {f"finishlab.{places.get(a.name, a.name)}" for a in node.names}
            else:
                found.add(str(node.module))
    return {name for name in found if name.startswith("finishlab.")}


def test_every_module_has_one_room():
    parts = {dotted(p).split(".")[1] for p in MODULES if p != PACKAGE / "__init__.py"}
    folders = {p.name for p in PACKAGE.iterdir() if (p / "__init__.py").exists()}
    listed = [name for names in rooms() for name in names]
    assert len(listed) == len(set(listed))
    assert set(listed) == {f"{part}/" if part in folders else part for part in parts}


@pytest.mark.parametrize("path", [p for p in MODULES if p != PACKAGE / "__init__.py"], ids=dotted)
def test_a_module_imports_only_from_its_room_and_those_above(path):
    own = room_of(dotted(path))
    below = {name for name in imports(path) if room_of(name) > own}
    assert not below, f"{dotted(path)} imports from below: {', '.join(sorted(below))}"


def test_the_look_at_imports_sees_those_inside_functions(tmp_path):
    script = tmp_path / "script.py"
    script.write_text(
        "def f():\n    from finishlab.cli import main\n    from finishlab import shortest\n    from finishlab.figures import answer_figures\n"
    )
    assert imports(script) == {"finishlab.cli", "finishlab.solve", "finishlab.figures"}
    assert room_of("finishlab.cli") > room_of("finishlab.solve.recipe") > room_of("finishlab.study")


# --- what the package needs ------------------------------------------------------------------

PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
#: Declared, and imported nowhere: why all the same.
NOT_IMPORTED = {"jupyterlab": "the notebooks are worked in it; it is started as a program of its own"}
#: Imported, and declared through another package, which needs it itself.
BROUGHT_BY = {
    "ipython": "ipywidgets",
    "traitlets": "ipywidgets",
    "markupsafe": "jinja2",
    "distributed": "dask",
}


def named(requirement: str) -> str:
    """Name of the package in a requirement: `dask` of ``dask[distributed]>=2025.1``."""
    return re.split(r"[^A-Za-z0-9._-]", requirement, maxsplit=1)[0].lower()


def cells(path: Path) -> str:
    """The code of a notebook, without what only a notebook understands."""
    book = json.loads(path.read_text(encoding="utf-8"))
    lines = "\n".join("".join(c["source"]) for c in book["cells"] if c["cell_type"] == "code").splitlines()
    return "\n".join(line for line in lines if not line.lstrip().startswith(("%", "!")))


def packages(code: str) -> set[str]:
    """Every package from a registry that some code imports, wherever in it, by the name it is installed under."""
    modules: set[str] = set()
    for node in ast.walk(ast.parse(code)):
        if isinstance(node, ast.Import):
            modules |= {a.name.split(".")[0] for a in node.names}
        elif isinstance(node, ast.ImportFrom) and node.level == 0:
            modules.add(str(node.module).split(".")[0])
    ours = sys.stdlib_module_names | {"finishlab"}
    return {INSTALLED.get(m, [m])[0].lower() for m in modules - ours}


INSTALLED = metadata.packages_distributions()


def test_what_is_declared_is_imported_by_the_package_or_a_notebook():
    used = set().union(*(packages(p.read_text(encoding="utf-8")) for p in MODULES))
    used |= set().union(*(packages(cells(p)) for p in (ROOT / "notebooks").glob("*.ipynb")))
    declared = {named(r) for r in PROJECT["dependencies"]}
    assert declared - used == set(NOT_IMPORTED)


def test_what_the_package_imports_is_declared():
    extras = PROJECT["optional-dependencies"]
    declared = {named(r) for r in PROJECT["dependencies"]}
    declared |= {named(r) for name, some in extras.items() if name != "test" for r in some}
    for path in MODULES:
        needs = {BROUGHT_BY.get(p, p) for p in packages(path.read_text(encoding="utf-8"))}
        assert needs <= declared, (
            f"{dotted(path)}: {', '.join(sorted(needs - declared))} is not in pyproject.toml"
        )
    for package, by in BROUGHT_BY.items():
        assert package in {named(r) for r in metadata.requires(by) or ()}, f"{by} does not bring {package}"


def test_the_look_at_packages_sees_those_inside_functions_and_by_their_registry_name():
    code = "import json\ndef f():\n    from sklearn.svm import SVC\n    import finishlab.cli, statsmodels.api as sm\n"
    assert packages(code) == {"scikit-learn", "statsmodels"}


# --- modules -----------------------------------------------------------------------------------


@pytest.mark.parametrize("path", MODULES, ids=dotted)
def test_a_module_says_what_it_is_for_and_stays_small(path):
    text = path.read_text(encoding="utf-8")
    tree = ast.parse(text)
    assert ast.get_docstring(tree), f"{path.name} has no docstring"
    # The house's own measure: what does not fit in the head is parted. Docstrings with their
    # examples are what a reader wants more of, so they are not counted.
    documented = ast.Module | ast.ClassDef | ast.FunctionDef
    docstrings = sum(
        node.body[0].end_lineno - node.body[0].lineno + 1  # type: ignore[operator]
        for node in ast.walk(tree)
        if isinstance(node, documented) and ast.get_docstring(node)
    )
    assert len(text.splitlines()) - docstrings < 450
    for node in ast.walk(tree):
        if isinstance(node, ast.FunctionDef):
            lines = node.end_lineno - node.lineno  # type: ignore[operator]
            if ast.get_docstring(node):
                lines -= node.body[0].end_lineno - node.body[0].lineno + 1  # type: ignore[operator]
            assert lines < 90, f"{path.name}: {node.name} has {lines} lines"


def test_modules_that_a_docstring_names_are_there():
    """A module that moved or went is named nowhere by what it was called."""
    known = {p.name for place in (PACKAGE, ROOT / "tests", ROOT / "datasets") for p in place.rglob("*.py")}
    pages = [*MODULES, ROOT / "DEVELOPERS.md", ROOT / "README.md"]
    named = {
        f"{page.relative_to(ROOT).as_posix()}: {name}"
        for page in pages
        for name in re.findall(r"`(?:[\w/]*/)?(\w+\.py)`", page.read_text(encoding="utf-8"))
        if name not in known
    }
    assert not named


def test_a_modules_name_occurs_once():
    names = [p.stem for p in MODULES if p.stem not in ("__init__", "__main__")]
    assert sorted({n for n in names if names.count(n) > 1}) == []


# --- what is handed over -------------------------------------------------------------------------


def test_the_top_level_holds_the_agreed_names_and_no_more():
    tracked = subprocess.run(
        ["git", "ls-files", "--cached"], cwd=ROOT, capture_output=True, text=True, check=False
    )
    if tracked.returncode:
        pytest.skip(ANYWHERE["clone"])
    top = {line.split("/")[0] for line in tracked.stdout.splitlines()}
    agreed = {"README.md", "DEVELOPERS.md", "pyproject.toml", "finishlab", "notebooks", "datasets", "tests"}
    assert {name for name in top if not name.startswith(".")} == agreed


@pytest.fixture(scope="module")
def wheel(tmp_path_factory: pytest.TempPathFactory) -> zipfile.ZipFile:
    place = tmp_path_factory.mktemp("wheel")
    built = subprocess.run(
        [sys.executable, "-m", "build", "--wheel", "--no-isolation", "--outdir", str(place), str(ROOT)],
        capture_output=True,
        text=True,
        check=False,
    )
    assert built.returncode == 0, built.stdout + built.stderr
    (path,) = place.glob("*.whl")
    return zipfile.ZipFile(path)


def test_the_wheel_carries_notebooks_datasets_and_all_that_pages_need(wheel):
    names = set(wheel.namelist())
    package = {
        p.relative_to(ROOT).as_posix()
        for p in PACKAGE.rglob("*")
        if p.suffix in (".py", ".j2", ".toml", ".json")
    }
    assert package <= names
    for kind in ("notebooks", "datasets"):
        files = [p.relative_to(ROOT) for p in (ROOT / kind).rglob("*") if p.is_file()]
        files = [p for p in files if not any(part.startswith(".") for part in p.parts)]
        assert files, f"{kind}/ is empty"
        assert {f"finishlab/_shipped/{p.as_posix()}" for p in files} <= names
    assert not [n for n in names if n.startswith(("tests/", "notebooks/", "datasets/"))]


def test_the_wheel_starts_the_demo_without_a_clone(wheel, tmp_path):
    wheel.extractall(tmp_path / "site")
    # -P keeps the working folder off the path, so that only the unpacked wheel can be found first.
    result = subprocess.run(
        [sys.executable, "-P", "-m", "finishlab", "start", "demo"],
        cwd=tmp_path,
        env={**os.environ, "PYTHONPATH": str(tmp_path / "site")},
        capture_output=True,
        text=True,
        check=False,
    )
    assert result.returncode == 0, result.stderr
    shipped = tmp_path / "site" / "finishlab" / "_shipped" / "datasets" / "van_panels"
    left = {"trials.csv", "make.py"}  # its trials stand in the record book
    assert {p.name for p in (tmp_path / "demo").iterdir()} == {p.name for p in shipped.iterdir()} - left | {
        "trials.sqlite"
    }
