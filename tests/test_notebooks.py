"""Every notebook, top to bottom, on studies that are not the demo; and what one says of a wrong entry.

That they run on the demo, and that what must not change there does not, is nbval's (`pyproject.toml`).
Here the code cells are run one after another in this process, by IPython as a kernel would, which
saves the start of twenty kernels.
"""

from __future__ import annotations

import json
import re
import shlex
import shutil
import warnings
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

import finishlab as fl
from finishlab.cli.study_folder import StudyFolder, start_demo, start_study

NOTEBOOKS = Path(__file__).parent.parent / "notebooks"
SHIPPED = sorted(p.name for p in NOTEBOOKS.glob("*.ipynb"))
#: The owner's cell is changed for a test as an owner would: fewer invented shops are quicker.
INLINE = "module://matplotlib_inline.backend_inline"
QUICK = {"SHOPS = 20": "SHOPS = 5"}

STUDIES = {
    "two steps, no haze": """
title = "Test panels (invented)"
pass_means = "one direction"
[[step]]
name = "cut"
pad = ["wool", "foam"]
passes = { lowest = 1, highest = 5 }
[[step]]
name = "polish"
passes = { lowest = 1, highest = 4 }
[goal]
gloss_20 = { at_least = 80 }
assurance = 0.8
[panel]
patches = 6
""",
    "five steps, refined twice": """
title = "Doors (invented)"
pass_means = "one direction"
[[step]]
name = "sand"
grit = ["P1500", "P2000"]
passes = 3
[[step]]
name = "refine"
grit = "P3000"
passes = { lowest = 0, highest = 2 }
[[step]]
name = "refine_2"
grit = "P5000"
passes = { lowest = 0, highest = 2 }
[[step]]
name = "cut"
passes = { lowest = 1, highest = 4 }
[[step]]
name = "polish"
passes = { lowest = 1, highest = 3 }
[goal]
gloss_20 = { at_least = 82 }
assurance = 0.8
[today]
sand_grit = "P1500"
refine_passes = 2
refine_2_passes = 2
cut_passes = 4
polish_passes = 3
[reading]
after = ["cut"]
""",
    "a band of gloss": """
title = "Lids to a band of gloss (invented)"
pass_means = "one direction"
[[step]]
name = "scuff"
grit = ["P1500", "P2000", "P3000"]
passes = { lowest = 1, highest = 3 }
[[step]]
name = "polish"
passes = { lowest = 0, highest = 6 }
[goal]
gloss_20 = { within = [55, 80] }
assurance = 0.8
[limit]
removed_um = { at_most = 9, set_by = "the test", assurance = 0.9 }
[job]
sections = 2
""",
}


FIRST = "two steps, no haze"


def worked(study: fl.Study, seed: int = 3) -> pd.DataFrame:
    """Return trials of an invented shop: each pass takes off a share of ln roughness, minutes and film add up."""
    rng = np.random.default_rng(seed)
    table = fl.plan_trials(study, trials=16, panels=4, seed=seed)
    panel = table["panel"].astype(int).to_numpy() - 1
    z = 0.1 * rng.standard_normal(4)[panel] + 0.06 * rng.standard_normal(len(table))
    minutes, removed = np.full(len(table), 1.0), np.full(len(table), 1.0)
    for step in study.steps:
        varied = f"{step.name}_passes" in table
        passes = table[f"{step.name}_passes"].to_numpy(float) if varied else 3.0
        z = z - 0.2 * passes
        minutes, removed = minutes + 0.9 * passes, removed + 0.4 * passes
        if step.name in study.reading.after[:-1]:
            table[f"{step.name}_gloss_20"] = gloss(z, rng)
    table["trial"] = np.arange(1, len(table) + 1)
    table["gloss_20"], table["removed_um"] = gloss(z, rng), removed + 0.3 * rng.random(len(table))
    table["minutes"] = minutes * (1 + 0.03 * rng.standard_normal(len(table)))
    return table.drop(columns="why", errors="ignore")


def gloss(z, rng):
    return np.round(np.clip(88 * np.exp(-np.exp(2 * z)) + 0.4 * rng.standard_normal(len(z)), 0.5, 92), 2)


# --- a notebook, run -------------------------------------------------------------------------------


@dataclass
class Ran:
    """What running a notebook left: what each cell showed, its warnings, and the error that ended it."""

    shown: list[list[str]] = field(default_factory=list)
    answer: str = ""
    figures: int = 0
    warned: list[str] = field(default_factory=list)
    error: str = ""
    names: dict[str, object] = field(default_factory=dict)


@contextmanager
def kernel():
    """An IPython like a kernel's: figures are drawn at the end of each cell, as PNG."""
    import matplotlib.pyplot as plt
    from IPython.core.interactiveshell import InteractiveShell
    from IPython.core.pylabtools import select_figure_formats
    from matplotlib_inline.backend_inline import configure_inline_support

    before, drawing = plt.get_backend(), plt.isinteractive()
    InteractiveShell.clear_instance()
    shell = InteractiveShell.instance(colors="nocolor")
    plt.switch_backend(INLINE)
    configure_inline_support(shell, INLINE)
    select_figure_formats(shell, {"png"})
    plt.ion()
    try:
        yield shell
    finally:
        plt.switch_backend(before)
        plt.interactive(drawing)
        InteractiveShell.clear_instance()


def code(notebook: Path) -> list[dict]:
    cells = json.loads(notebook.read_text(encoding="utf-8"))["cells"]
    return [{**c, "source": "".join(c["source"])} for c in cells if c["cell_type"] == "code"]


def run(notebook: Path, changed: dict[str, str], monkeypatch) -> Ran:
    """Run the code cells from where the notebook lies, to the first error."""
    from IPython.utils.capture import capture_output

    monkeypatch.chdir(notebook.parent)
    ran = Ran()
    with kernel() as shell, warnings.catch_warnings(record=True) as caught:
        # What a kernel would print; what libraries say to their own developers it keeps silent about.
        warnings.resetwarnings()
        for silent in (DeprecationWarning, PendingDeprecationWarning, ImportWarning, ResourceWarning):
            warnings.simplefilter("ignore", silent)
        for cell in code(notebook):
            source = cell["source"]
            for old, new in changed.items():
                source = source.replace(old, new)
            with capture_output() as captured:
                result = shell.run_cell(source)
            shown = [o.data for o in captured.outputs]
            if result.result is not None:
                shown.append(shell.display_formatter.format(result.result)[0])
            said = [data.get("text/markdown") or data.get("text/plain", "") for data in shown]
            ran.shown.append([*said, captured.stdout])
            ran.figures += sum("image/png" in data for data in shown)
            ran.warned += [captured.stderr] if captured.stderr else []
            if "answer" in cell["metadata"].get("tags", ()):
                ran.answer = said[-1]
            if not result.success:
                ran.error = captured.stdout
                break
        ran.names = dict(shell.user_ns)
    ran.warned += [str(w.message) for w in caught]
    return ran


def started(words: str, beside: Path) -> StudyFolder:
    """Make a study's own folder as `finishlab start` does, with its trials in the record book."""
    place = start_study(beside / "study", words)
    study, sheet = place.study(), beside / "worked.csv"
    fl.write_trials(worked(study), sheet)
    with place.book() as book:
        book.import_sheet(study, sheet, technician="T1")
    return place


#: The meter's notebook stands on readings of its own, the same in every folder: once is enough.
ONCE = ("03",)
CASES = [(study, name) for study in STUDIES for name in SHIPPED if study == FIRST or name[:2] not in ONCE]


@pytest.fixture(scope="module")
def folder(request, tmp_path_factory) -> StudyFolder:
    return started(STUDIES[request.param], tmp_path_factory.mktemp("shop"))


@pytest.fixture(scope="module")
def first(tmp_path_factory) -> StudyFolder:
    return started(STUDIES[FIRST], tmp_path_factory.mktemp("shop"))


#: Notebooks that draw at least so many figures on any study.
FIGURES = {"00": 4, "01": 3, "03": 6, "04": 10, "05": 2, "06": 1, "07": 3, "08": 6}


@pytest.mark.parametrize(("folder", "name"), CASES, indirect=["folder"])
def test_it_runs_on_any_study_and_answers(folder: StudyFolder, name: str, monkeypatch):
    ran = run(folder.path / "notebooks" / name, QUICK, monkeypatch)
    assert ran.error == ""
    assert ran.warned == []
    assert "Traceback" not in "".join(text for shown in ran.shown for text in shown)
    assert ran.figures >= FIGURES.get(name[:2], 0)
    assert ran.answer.startswith("**The answer.** ")
    # The sentence is this study's: what was found is found again without the notebook.
    if name[:2] in ("00", "05", "06"):
        study = folder.study()
        alone = fl.shortest(fl.fit(study, folder.trials(study)))
        assert ran.names["recipe"].text() == alone.text()
        assert name[:2] == "06" or ran.answer == f"**The answer.** {alone.text()}"


def test_a_new_study_is_planned_and_its_form_opens_before_there_are_trials(tmp_path, monkeypatch):
    place = start_study(tmp_path / "new", STUDIES["a band of gloss"]).path / "notebooks"
    form = run(place / "02_log_trials.ipynb", {}, monkeypatch)
    assert (form.error, form.warned) == ("", [])
    assert form.answer == "**The answer.** In the book: no trial is planned yet. Nothing is left to work."
    asked = run(place / "05_shortest_process.ipynb", {}, monkeypatch)
    assert re.fullmatch(r"the record book of \.\. has no trials yet\. Plan them .*\n", asked.error)


def test_the_form_opens_on_the_demo_and_the_planned_round_is_next(tmp_path, monkeypatch):
    place = start_demo(tmp_path / "demo")
    place.add_notebooks()
    ran = run(place.path / "notebooks" / "02_log_trials.ipynb", {}, monkeypatch)
    assert (ran.error, ran.warned) == ("", [])
    assert any("run the cell to use it" in text for shown in ran.shown for text in shown)
    said = r"\*\*The answer\.\*\* In the book: 40 done, 8 planned, 1 spoiled\. Next is trial 42 on panel 7, patch \d\."
    assert re.fullmatch(said, ran.answer)


def test_no_book_is_made_by_looking_at_the_form(tmp_path, monkeypatch):
    place = start_study(tmp_path / "new", STUDIES[FIRST])
    (place.path / "trials.sqlite").unlink()
    ran = run(place.path / "notebooks" / "02_log_trials.ipynb", {}, monkeypatch)
    assert "there is no record book in" in ran.error
    assert not (place.path / "trials.sqlite").exists()


def test_a_plan_is_looked_at_and_its_command_puts_the_same_plan_into_the_book(tmp_path, monkeypatch):
    from typer.testing import CliRunner

    from finishlab.cli import app

    place = start_study(tmp_path / "own doors", STUDIES[FIRST])
    study, notebook = place.study(), place.path / "notebooks" / "01_plan_trials.ipynb"
    few = {**QUICK, "TRIALS, PANELS = 28, 4": "TRIALS, PANELS = 12, 2"}
    ran = run(notebook, few, monkeypatch)
    assert ran.error == ""
    assert place.trials_so_far(study) is None
    assert not (place.path / "run_sheets").exists()
    (line,) = [
        found[1] for shown in ran.shown for text in shown if (found := re.search(r"```\n(.+)\n```", text))
    ]
    program, *words = shlex.split(line)
    assert program == "finishlab"
    result = CliRunner().invoke(app, words)
    assert result.exit_code == 0, result.output
    planned, looked_at = place.trials(study), ran.names["sheet"]
    names = [*study.basis.names, "panel", "patch"]
    pd.testing.assert_frame_equal(
        planned[names].astype(str), looked_at[names].astype(str), check_index_type=False
    )
    assert (place.path / "run_sheets" / "round_1.html").exists()
    # A second look says that it is planned, and gives no line that would plan it twice.
    again = place.how_to_plan(study, trials=12, panels=2, seed=7)
    assert "has 12 trials already, planned or worked" in again
    assert "```" not in again


def test_what_is_invented_says_so_in_the_answer_and_no_limit_is_set_for_a_shop(first, monkeypatch):
    meter = run(first.path / "notebooks" / "03_check_the_meter.ipynb", {}, monkeypatch)
    assert meter.answer.startswith(
        "**The answer.** These readings are invented, to learn on; they say nothing of your meter. "
    )
    said = " ".join(text for shown in meter.shown for text in shown)
    assert "limit set by" not in said
    assert said.count("No limit is set, so none is judged") == 2
    mine = {'LIMIT, LIMIT_SET_BY = None, ""': 'LIMIT, LIMIT_SET_BY = 2.0, "lead, 3 May"'}
    judged = run(first.path / "notebooks" / "03_check_the_meter.ipynb", mine, monkeypatch)
    assert "(limit set by lead, 3 May)" in " ".join(text for shown in judged.shown for text in shown)
    watched = run(first.path / "notebooks" / "07_watch_the_process.ipynb", {}, monkeypatch)
    assert watched.answer.startswith(
        "**The answer.** These jobs are invented, to learn on; they say nothing of your procedure. "
    )
    assert "new drum" not in " ".join(text for shown in watched.shown for text in shown)


# --- a wrong entry in the owner's cell --------------------------------------------------------------

WRONG = {
    "no such folder": ("00", 'STUDY_FOLDER = ".."', 'STUDY_FOLDER = "../no"', "there is no folder ../no."),
    "no goal": ("00", "GOAL = {}", 'GOAL = "as shiny as can be"', "goal is 'as shiny as can be'; it must be"),
    "no side": ("05", "GOAL = {}", 'GOAL = {"gloss_20": {"over": 84}}', "goal: gloss_20 has 'over'."),
    "no share": ("05", "ASSURANCE = None", "ASSURANCE = 90", "assurance is 90; it must be above 0 and below 1."),
    "no passes": ("04", 'CURVE_OVER = ""', 'CURVE_OVER = "cut_pases"', "CURVE_OVER is 'cut_pases'"),
    "no readings": ("03", "meter_study/readings.csv", "meter_study/none.csv", "there is no file meter_study/none.csv."),
    "no paper": ("06", 'PAPER = "a4"', 'PAPER = "a5"', "a5"),
    "no trials": ("01", "TRIALS, PANELS = 28, 4", "TRIALS, PANELS = 2, 4", "2 trials do not reach 4 panels"),
}  # fmt: skip


@pytest.mark.parametrize("mistake", WRONG)
def test_a_wrong_entry_is_answered_by_a_sentence_and_no_traceback(first, mistake: str, monkeypatch):
    number, old, new, said = WRONG[mistake]
    (notebook,) = (first.path / "notebooks").glob(f"{number}_*.ipynb")
    assert sum(old in cell["source"] for cell in code(notebook)) == 1
    ran = run(notebook, {old: new}, monkeypatch)
    assert said in ran.error
    assert not re.search(r"Traceback|File |Error:|line \d", ran.error)
    assert len(ran.error) < 400


def test_trials_in_a_sheet_are_not_logged_a_second_time_in_a_book(tmp_path, monkeypatch):
    place = start_study(tmp_path / "doors", STUDIES["a band of gloss"])
    (place.path / "trials.sqlite").unlink()
    fl.write_trials(worked(place.study()), place.path / "trials.csv")
    ran = run(place.path / "notebooks" / "02_log_trials.ipynb", {}, monkeypatch)
    assert "are kept in trials.csv, not in a record book" in ran.error
    assert not (place.path / "trials.sqlite").exists()


# --- the procedure's notebook writes nothing that its owner did not ask for --------------------------

PROCEDURE = "06_write_the_procedure.ipynb"


def files(folder: Path) -> dict[str, bytes]:
    return {str(p.relative_to(folder)): p.read_bytes() for p in sorted(folder.rglob("*")) if p.is_file()}


@pytest.fixture
def hung(first: StudyFolder, tmp_path) -> StudyFolder:
    """A study's own folder with that procedure in force, a draft beside it, and the shop's own words."""
    place = StudyFolder(Path(shutil.copytree(first.path, tmp_path / "study")))
    study = place.study()
    model = fl.fit(study, place.trials(study))
    place.procedures.mkdir()
    (place.procedures / "shop.toml").write_text('name = "Training shop 3 (invented)"\n', encoding="utf-8")
    recipe = fl.shortest(model, goal={"gloss_20": {"at_least": 70}})
    for number in ("SP-014", "SP-015"):
        fl.write_procedure(recipe, number=number, folder=place.procedures)
    fl.issue_procedure(place.procedures, "SP-014", by="T9")
    return place


@pytest.mark.parametrize("number", ["SP-014", "SP-015", "SP-016"], ids=["in force", "a draft", "new"])
def test_run_all_writes_nothing_into_the_shops_procedures(hung: StudyFolder, number: str, monkeypatch):
    before = files(hung.path)
    for _ in range(2):
        ran = run(hung.path / "notebooks" / PROCEDURE, {'"SP-014"': f'"{number}"'}, monkeypatch)
        assert (ran.error, ran.warned) == ("", [])
        assert ran.answer.startswith(f"**The answer.** Draft, not in force. Procedure {number}, revision ")
        assert files(hung.path) == before
        said = "\n".join(text for shown in ran.shown for text in shown)
        assert "Nothing is issued: ISSUE_BY in the first cell is empty." in said
        assert ran.names["page"].facts["shop"]["name"] == "Training shop 3 (invented)"
        if number == "SP-014":
            assert ["Goal", "20° gloss at least 70 GU", "20° gloss at least 80 GU"] in ran.names["changes"]
            assert "SP-014.rev2.draft.pdf" in said


def test_the_page_of_the_draft_is_shown_in_the_notebook():
    (shown,) = [
        "".join(o["data"]["text/html"])
        for c in cells(PROCEDURE)
        for o in c.get("outputs", ())
        if "srcdoc" in "".join(o.get("data", {}).get("text/html", ""))
    ]
    assert "DRAFT: not in force" in shown


def test_no_person_reason_or_approval_is_invented_in_it():
    owners, *others = code(NOTEBOOKS / PROCEDURE)
    assert re.search(r'^ISSUE_BY = ""', owners["source"], re.MULTILINE)
    assert re.search(r'^REASON = ""', owners["source"], re.MULTILINE)
    for cell in others:
        assert not re.search(r"""(by|author|owner|reviewer|set_by)"?\s*[=:]\s*["']""", cell["source"])


def test_the_owners_own_words_issue_and_revise_and_a_second_run_changes_nothing(
    hung: StudyFolder, monkeypatch
):
    notebook, wall = hung.path / "notebooks" / PROCEDURE, hung.procedures

    def ran_with(**values: str) -> str:
        changed = {
            f'{name} = ""': f'{name} = "{value}"' for name, value in values.items() if name != "NUMBER"
        }
        ran = run(notebook, changed | {'"SP-014"': f'"{values.get("NUMBER", "SP-014")}"'}, monkeypatch)
        assert (ran.error, ran.warned) == ("", [])
        return str(ran.names["said"])

    assert ran_with(NUMBER="SP-020", ISSUE_BY="T9").startswith("Procedure SP-020, revision 1: ")
    issued = files(wall)
    assert {"SP-020.html", "SP-020.json"} <= set(issued)
    assert (
        ran_with(NUMBER="SP-020", ISSUE_BY="T9")
        == "SP-020 is in force as it stands here, so nothing is written."
    )
    assert "To revise it say why, in REASON." in ran_with(ISSUE_BY="T9")
    assert files(wall) == issued
    assert ran_with(ISSUE_BY="T9", REASON="brighter").startswith("Procedure SP-014, revision 2: ")
    revised = files(wall)
    assert (
        ran_with(ISSUE_BY="T9", REASON="brighter")
        == "SP-014 is in force as it stands here, so nothing is written."
    )
    assert files(wall) == revised
    rows = [r for r in fl.procedure_register(wall).rows if r["number"] == "SP-014"]
    assert [(r["revision"], r["in_force"], r["approved_by"], r["reason"]) for r in rows] == [
        (2, True, "T9", "brighter"),
        (1, False, "T9", "first issue"),
    ]


# --- one course -------------------------------------------------------------------------------------


def cells(name: str) -> list[dict]:
    raw = json.loads((NOTEBOOKS / name).read_text(encoding="utf-8"))["cells"]
    return [{**c, "source": "".join(c["source"])} for c in raw]


@pytest.mark.parametrize("name", SHIPPED)
def test_it_opens_with_question_data_and_answer_and_ends_with_what_it_does_not_tell_and_the_next(name: str):
    first, *_, last = cells(name)
    assert re.findall(r"^- \*\*(\w+)\.\*\* ", first["source"], re.MULTILINE) == ["Question", "Data", "Answer"]
    assert last["source"].startswith("## What this does not tell you\n")
    after = SHIPPED[SHIPPED.index(name) + 1 :]
    assert re.findall(r"^Next: \[.+\]\((\S+)\)$", last["source"], re.MULTILINE) == after[:1]


@pytest.mark.parametrize("name", SHIPPED)
def test_an_owner_changes_the_first_cell_alone_and_set_up_is_collapsed(name: str):
    owners, set_up, *others = code(NOTEBOOKS / name)
    assert re.search(r"^(STUDY_FOLDER|READINGS) = ", owners["source"], re.MULTILINE)
    assert "import" not in owners["source"]
    assert set_up["metadata"]["jupyter"]["source_hidden"] is True
    for cell in others:
        assert not re.search(r"^(import|from) |^[A-Z_]+ = ", cell["source"], re.MULTILINE)
        hidden = cell["metadata"].get("jupyter", {}).get("source_hidden", False)
        # About ten lines; the formatter opens calls up, which makes them no longer to read.
        assert hidden or len([line for line in cell["source"].splitlines() if line.strip()]) <= 15
    assert sum("answer" in c["metadata"].get("tags", ()) for c in others) == 1


@pytest.mark.parametrize("name", SHIPPED)
def test_every_figure_is_followed_by_the_sentence_that_reads_it(name: str):
    all_cells = cells(name)
    for cell, after in zip(all_cells, [*all_cells[1:], None], strict=True):
        outputs = cell.get("outputs", [])
        shown = ["image/png" in o.get("data", {}) for o in outputs]
        if not any(shown):
            continue
        behind = outputs[max(i for i, image in enumerate(shown) if image) + 1 :]
        reads = [*behind, *(after or {}).get("outputs", [])]
        sentences = ["".join(o["data"].get("text/markdown", "")) for o in reads if "data" in o]
        assert any(re.search(r"\d", s) for s in sentences), cell["source"]


@pytest.mark.parametrize("name", SHIPPED)
def test_it_is_kept_with_the_outputs_of_one_clean_run_and_some_are_compared(name: str):
    kept = [c for c in cells(name) if c["cell_type"] == "code"]
    assert [c["execution_count"] for c in kept] == list(range(1, len(kept) + 1))
    outputs = [o for c in kept for o in c["outputs"]]
    assert not [o for o in outputs if o["output_type"] == "error" or o.get("name") == "stderr"]
    compared = [c for c in kept if "nbval-check-output" in c["metadata"].get("tags", ())]
    assert compared
    assert all(c["outputs"] for c in compared)
