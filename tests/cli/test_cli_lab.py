"""Checks of `finishlab lab`: the notebooks a study folder gets, mistakes, and the page that opens in a real browser."""

from __future__ import annotations

import ast
import json
import os
import re
import signal
import subprocess
import sys
import time
import urllib.parse
import urllib.request
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any

import pytest
from lab_page import TOKEN, browser, free_port, needs, own_settings, until_it_answers
from skips import ANYWHERE
from terminal import ctrl_c_is_heard, seen_to_its_end
from test_cli import STUDY, contents, run

from finishlab.cli import study_folder
from finishlab.cli.study_folder import StudyFolder

ROOT = Path(__file__).parent.parent.parent
SHIPPED = {p.name for p in (ROOT / "notebooks").glob("*.ipynb")}
WELCOME = ROOT / "notebooks" / "welcome.md"


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    place = tmp_path / "my doors"
    place.mkdir()
    (place / "study.toml").write_text(STUDY, encoding="utf-8")
    return place


@pytest.fixture
def started(monkeypatch: pytest.MonkeyPatch) -> list[list[str]]:
    """What would have been started, and nothing is: these tests look at what comes before."""
    commands: list[list[str]] = []

    def served(command: list[str]) -> int:
        commands.append(command)
        return 0

    monkeypatch.setattr("finishlab.cli.lab_command._served", served)
    return commands


def cells(notebook: Path, kind: str = "code") -> list[str]:
    content = json.loads(notebook.read_text(encoding="utf-8"))
    return ["".join(c["source"]) for c in content["cells"] if c["cell_type"] == kind]


def constants(cell: str) -> dict[str, Any]:
    """The plain values that a cell gives names to."""
    found: dict[str, Any] = {}
    for node in ast.parse(cell).body:
        if isinstance(node, ast.Assign) and isinstance(node.value, ast.Constant):
            found |= {t.id: node.value.value for t in node.targets if isinstance(t, ast.Name)}
    return found


# --- the copies ----------------------------------------------------------------------------------


def test_the_first_time_every_notebook_is_copied_and_named(folder: Path, started):
    result = run("lab", folder)
    assert result.exit_code == 0, result.output
    copied = result.stdout.split("Cautions")[0]
    assert "Copied into" in copied
    assert "Kept" not in copied
    names = set(contents(folder / "notebooks"))
    assert {n for n in names if n.endswith(".ipynb")} == SHIPPED
    assert "welcome.md" in names
    for name in names:
        assert f"  - {Path(name).as_posix()}\n" in copied
    assert len(started) == 1


def test_the_second_time_what_was_changed_is_kept_and_what_is_gone_comes_back(folder: Path, started):
    run("lab", folder)
    place = folder / "notebooks"
    (place / "00_whole_study.ipynb").write_text("mine", encoding="utf-8")
    (place / "04_what_matters.ipynb").unlink()
    before = contents(place)
    result = run("lab", folder)
    assert result.exit_code == 0, result.output
    after = contents(place)
    assert set(after) - set(before) == {"04_what_matters.ipynb"}
    assert {name: after[name] for name in before} == before
    copied, kept = result.stdout.split("Kept as they are")
    assert copied.count("  - ") == 1
    assert "  - 04_what_matters.ipynb\n" in copied
    assert "  - 00_whole_study.ipynb\n" in kept
    assert "04_what_matters" not in kept


def test_start_gives_a_new_study_the_same_notebooks(folder: Path, tmp_path: Path, started):
    run("lab", folder)
    made = study_folder.start_study(tmp_path / "new", STUDY)
    assert contents(made.path / "notebooks") == contents(folder / "notebooks")


def test_every_copy_is_about_the_folder_it_lies_in(folder: Path, started):
    run("lab", folder)
    about = {}
    for name in SHIPPED:
        copy = folder / "notebooks" / name
        given = constants(cells(copy)[0])
        for key in ("STUDY_FOLDER", "READINGS", "TILES"):
            if key in given:
                about[name, key] = (copy.parent / given[key]).resolve()
        # What the demo showed is not what this study shows.
        content = json.loads(copy.read_text(encoding="utf-8"))
        assert not [c for c in content["cells"] if c.get("outputs") or c.get("execution_count")]
        assert "../datasets" not in copy.read_text(encoding="utf-8")
    assert {name for name, _ in about} == SHIPPED
    for (_, key), path in about.items():
        assert path.is_file() if key != "STUDY_FOLDER" else path == folder.resolve()


def ran(notebook: Path, first: int) -> str:
    """Run the first code cells of a notebook where it lies; return all that they printed and showed."""
    import nbformat
    from nbclient import NotebookClient

    content = nbformat.read(notebook, as_version=4)
    code = [c for c in content.cells if c.cell_type == "code"]
    content.cells = code[:first]
    NotebookClient(content, timeout=120, resources={"metadata": {"path": str(notebook.parent)}}).execute()
    return json.dumps([c.outputs for c in content.cells])


def test_a_copy_plans_the_study_of_its_folder_and_not_the_demo(folder: Path, started):
    run("lab", folder)
    said = ran(folder / "notebooks" / "01_plan_trials.ipynb", first=3)
    theirs = {f.factor for f in StudyFolder.at(folder).study().factors}
    demo = {f.factor for f in StudyFolder.at(ROOT / "datasets" / "van_panels").study().factors}
    assert all(name in said for name in theirs)
    assert not [name for name in demo - theirs if name in said]


def test_the_copy_about_meters_stands_on_readings_of_its_own(folder: Path, started):
    run("lab", folder)
    assert "image/png" in ran(folder / "notebooks" / "03_check_the_meter.ipynb", first=3)


def test_the_notebook_of_the_bench_makes_no_book_beside_a_sheet(folder: Path, started):
    """Two places for trials would leave the study with none that counts."""
    from nbclient.exceptions import CellExecutionError

    run("lab", folder)
    (folder / "trials.csv").write_text("trial\n", encoding="utf-8")
    before = contents(folder)
    with pytest.raises(CellExecutionError, match=r"are kept in trials\.csv, not in a record book"):
        ran(folder / "notebooks" / "02_log_trials.ipynb", first=2)
    assert contents(folder) == before


# --- the page ------------------------------------------------------------------------------------


def test_the_page_names_every_notebook_and_its_links_are_there():
    text = WELCOME.read_text(encoding="utf-8")
    table = text.split("| notebook |")[1].split("\n\n")[0]
    assert set(re.findall(r"\]\((\w+\.ipynb)\)", table)) == SHIPPED
    assert set(re.findall(r"\]\(([^)]+)\)", text)) == SHIPPED
    for who in ("technician", "owner", "instructor"):
        assert f"({who})" in text


def test_the_page_gives_no_shop_of_a_class_away():
    """It lies open to every student: a seed is a shop, and a shop's best process is the truth."""
    text = WELCOME.read_text(encoding="utf-8")
    assert not re.search(r"seed|best\(|PracticeBench|kind=", text)


def test_no_copy_in_a_study_of_ones_own_speaks_of_the_demo(folder: Path, started):
    """Neither its words nor a limit, a date or a reason that nobody of this shop gave."""
    run("lab", folder)
    traces = r"\bdemo\b|some forty|as shipped|come[s]? with finishlab|van.panels|six test panels|set_by = \"|owner, \d|20[23]\d-\d\d-\d\d\"\), "
    for name in sorted(SHIPPED | {"welcome.md"}):
        text = (folder / "notebooks" / name).read_text(encoding="utf-8")
        if name == "02_log_trials.ipynb":
            text = text.replace('start_demo(Path(tempfile.mkdtemp(), \\"demo\\"))', "")  # for practice alone
        assert not re.search(traces, text, re.IGNORECASE), name
    for name, keys in (
        ("03_check_the_meter.ipynb", {"LIMIT": None}),
        ("08_teach_step_counts.ipynb", {"TITLE": None}),
    ):
        source = cells(folder / "notebooks" / name)[0]
        assert all(
            re.search(rf"^{key}(, \w+)* = {value}", source, re.MULTILINE) for key, value in keys.items()
        )
    assert "CHANGES = []" in cells(folder / "notebooks" / "07_watch_the_process.ipynb")[0]


# --- mistakes ------------------------------------------------------------------------------------


def test_a_folder_left_out_is_the_one_you_are_in(folder: Path, started, monkeypatch):
    monkeypatch.chdir(folder)
    assert run("lab", "--no-browser").exit_code == 0
    assert {n for n in contents(folder / "notebooks") if n.endswith(".ipynb")} == SHIPPED
    (command,) = started
    assert f"--ServerApp.root_dir={folder.resolve()}" in command
    assert "--no-browser" in command


@pytest.mark.parametrize(
    ("words", "said"),
    [
        ((), "holds no study.toml. Name a study's folder (finishlab lab FOLDER), or make one first: finishlab start"),
        (("empty",), "empty holds no study.toml, so it is no study folder."),
        (("nowhere",), "there is no folder nowhere."),
        (("empty/page.txt",), "is a file. Give the study's folder"),
    ],
)  # fmt: skip
def test_what_is_no_study_folder_is_answered_in_words(words, said, tmp_path, started, monkeypatch):
    monkeypatch.chdir(tmp_path)
    (tmp_path / "empty").mkdir()
    (tmp_path / "empty" / "page.txt").write_text("", encoding="utf-8")
    result = run("lab", *words)
    assert result.exit_code == 2
    assert said in result.stderr
    assert "finishlab start" in result.stderr or "is a file" in result.stderr
    assert not started
    assert set(contents(tmp_path)) == {str(Path("empty", "page.txt"))}


def test_without_jupyterlab_nothing_is_copied_and_it_is_said_how_to_get_it(
    folder: Path, started, monkeypatch
):
    monkeypatch.setattr("finishlab.cli.lab_command.importlib.util.find_spec", lambda name: None)
    result = run("lab", folder)
    assert result.exit_code == 2
    assert "Install it with: pip install jupyterlab" in result.stderr
    assert not started
    assert not (folder / "notebooks").exists()


def test_a_file_in_the_way_is_answered_in_words(folder: Path, started):
    (folder / "notebooks").write_text("", encoding="utf-8")
    result = run("lab", folder)
    assert result.exit_code == 2
    assert "notebooks cannot be made" in result.stderr
    assert "in the way" in result.stderr
    assert not started


# --- a real JupyterLab ---------------------------------------------------------------------------


in_a_terminal = pytest.mark.skipif(sys.platform == "win32", reason=ANYWHERE["terminal"])


def prepared(settings: Path, port: int, **changed: Any) -> dict[str, str]:
    """Return an environment with settings of nobody's own, in which any user may start JupyterLab on a port."""
    env = own_settings(settings)
    server = {"ip": "127.0.0.1", "port": port, "port_retries": 0, "allow_root": True, **changed}
    lab = {"check_for_updates_class": "jupyterlab.NeverCheckForUpdate", "extension_manager": "readonly"}
    config = {"ServerApp": server, "IdentityProvider": {"token": TOKEN}, "LabApp": lab}
    place = Path(env["JUPYTER_CONFIG_DIR"])
    place.mkdir()
    (place / "jupyter_config.json").write_text(json.dumps(config), encoding="utf-8")
    return env


def typed(folder: Path) -> list[str]:
    return [sys.executable, "-m", "finishlab", "lab", str(folder), "--no-browser"]


@contextmanager
def laboratory(folder: Path, settings: Path) -> Iterator[tuple[subprocess.Popen[bytes], str]]:
    """Type the command at a terminal, as a person does; yields it and the address of its JupyterLab."""
    import pty

    port, log = free_port(), settings / "server.log"
    near, far = pty.openpty()
    with open(log, "wb") as said, ctrl_c_is_heard():
        command = subprocess.Popen(
            typed(folder), env=prepared(settings, port), stdout=said, stderr=said, stdin=far, start_new_session=True
        )  # fmt: skip
    try:
        with seen_to_its_end(command):
            yield command, until_it_answers(command, port, log)
            if command.poll() is None:
                os.killpg(command.pid, signal.SIGINT)
                command.wait(timeout=40)
    finally:
        os.close(near)
        os.close(far)


@in_a_terminal
def test_the_welcome_page_opens_rendered_and_leads_to_the_notebooks(folder: Path, tmp_path: Path):
    needs("playwright", "jupyterlab")
    settings = tmp_path / "lab"
    settings.mkdir()
    with laboratory(folder, settings) as (_, address), browser() as chromium:
        page = chromium.new_context(viewport={"width": 1280, "height": 800}).new_page()
        # The address that the server opens, which is where `/` leads to.
        page.goto(f"{address}/?token={TOKEN}")
        seen = page.locator(".jp-MarkdownViewer .jp-RenderedMarkdown")
        seen.locator("h1", has_text="Where to start").wait_for(timeout=60_000)
        assert urllib.parse.urlparse(page.url).path == "/lab/tree/notebooks/welcome.md"
        assert seen.locator("table tbody tr").count() == len(SHIPPED)
        assert not page.locator(".jp-FileEditor").count()
        assert "**" not in seen.inner_text()
        # No line of the table is cut off at the side.
        assert seen.evaluate("e => e.scrollWidth <= e.clientWidth")
        if kept := os.environ.get("FINISHLAB_SCREENSHOTS"):
            page.screenshot(path=Path(kept, "welcome.png"))
        seen.locator("table a", has_text="01 Plan trials").click()
        page.locator(".jp-NotebookPanel .jp-Notebook").get_by_text('STUDY_FOLDER = ".."').wait_for()
        page.locator("#jp-main-statusbar").get_by_text("| Idle").wait_for()


def processes() -> dict[int, int]:
    """Every process that runs, with its parent; one that has ended and was not asked about runs no more."""
    parents = {}
    for place in Path("/proc").glob("[0-9]*"):
        with suppress(OSError):  # it has ended meanwhile
            state, parent = (place / "stat").read_text(encoding="utf-8").rpartition(")")[2].split()[:2]
            if state != "Z":
                parents[int(place.name)] = int(parent)
    return parents


def below(first: int) -> set[int]:
    """A process, all that it started, and all that those started."""
    found, parents = {first}, processes()
    while more := {p for p, parent in parents.items() if parent in found} - found:
        found |= more
    return found


@pytest.mark.skipif(not Path("/proc/self/stat").exists(), reason=ANYWHERE["processes"])
@pytest.mark.parametrize("to", ["terminal", "command alone", "stop"])
def test_ctrl_c_leaves_no_process_behind(to: str, folder: Path, tmp_path: Path):
    settings = tmp_path / "lab"
    settings.mkdir()
    with laboratory(folder, settings) as (command, address):
        asked = urllib.request.Request(
            f"{address}/api/kernels", data=b"{}", headers={"Authorization": f"token {TOKEN}"}
        )
        urllib.request.urlopen(asked, timeout=30).close()
        running = below(command.pid)
        assert len(running) >= 3, "the command, JupyterLab and a notebook's kernel"
        if to == "terminal":
            os.killpg(command.pid, signal.SIGINT)  # what a terminal sends to all that run in it
        else:
            os.kill(command.pid, signal.SIGINT if to == "command alone" else signal.SIGTERM)
        assert command.wait(timeout=40) == 0
    # A kernel that was still starting sees within some seconds that nobody is there any more.
    for _ in range(100):
        if not running & set(processes()):
            break
        time.sleep(0.1)
    assert not running & set(processes())
    # A notebook that was still starting may say where; the command itself ends without a word of Python.
    assert b"cli/lab_command.py" not in (settings / "server.log").read_bytes()


def test_a_jupyterlab_that_does_not_start_is_answered_with_code_2(folder: Path, tmp_path: Path):
    settings = tmp_path / "lab"
    settings.mkdir()
    env = prepared(settings, free_port(), certfile=str(tmp_path / "nowhere.pem"))
    result = subprocess.run(typed(folder), env=env, capture_output=True, text=True, timeout=60, check=False)
    assert result.returncode == 2
    said = result.stderr.splitlines()
    assert any("nowhere.pem" in line for line in said[:-1])
    assert said[-1].startswith("JupyterLab ended by itself (code")
