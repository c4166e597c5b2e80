"""The technician's path at the command line: start, plan, record, import, export, backup.

Answers go in as a person types them, through a pipe, a file or a terminal; what must come
out is what the record book holds. The studies and readings are invented.
"""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
import zipfile
from pathlib import Path
from types import SimpleNamespace

import openpyxl
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from skips import ANYWHERE
from terminal import CTRL_C, at_a_terminal
from typer.testing import CliRunner

import finishlab as fl
from finishlab.cli import app
from finishlab.cli.study_folder import StudyFolder, shipped
from finishlab.study.first_file import NewStudy, setting_from_words, study_text

TITLE = 'Doors, "2K" clear'
ANSWERS = f"""{TITLE}
sand, cut, polish
grit = P1500, P2000
passes = 4


pad = wool, foam
passes = 1 to 4


pad = soft foam
passes = 0 to 2



gloss_20 at least 84
faults at most 1

0.9

no

6
2
0
"""


def run(*words: object, typed: str = ""):
    return CliRunner().invoke(app, [str(w) for w in words], input=typed)


def begun(folder: Path) -> Path:
    result = run("start", folder, typed=ANSWERS)
    assert result.exit_code == 0, result.output
    return folder


@pytest.fixture(scope="module")
def new(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A study folder as `start` makes it; tests that change it work on copies."""
    return begun(tmp_path_factory.mktemp("new") / "doors")


@pytest.fixture(scope="module")
def ready(new: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The same with ten trials planned."""
    folder = Path(shutil.copytree(new, tmp_path_factory.mktemp("ready") / "doors"))
    result = run("plan", folder, "--trials", 10, "--panels", 2, "--seed", 1)
    assert result.exit_code == 0, result.output
    return folder


@pytest.fixture
def folder(ready: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(ready, tmp_path / "doors"))


def study_of(folder: Path) -> fl.Study:
    return fl.Study.read(folder / "study.toml")


def trials_of(folder: Path) -> pd.DataFrame:
    return StudyFolder.at(folder).trials(study_of(folder)).set_index("trial")


def plain(column: pd.Series) -> list:
    return column.astype(object).where(column.notna(), None).tolist()


# --- start ---------------------------------------------------------------------------------------


def test_the_answers_become_a_study_with_an_empty_book_and_notebooks_about_it(new: Path):
    assert sorted(p.name for p in new.iterdir()) == ["notebooks", "study.toml", "trials.sqlite"]
    study = study_of(new)
    assert study.title == TITLE
    assert study.pass_means == "one direction, 50 % overlap"
    assert {f.factor: f.levels for f in study.factors} == {
        "sand_grit": ("P1500", "P2000"),
        "cut_pad": ("wool", "foam"),
        "cut_passes": (1, 2, 3, 4),
        "polish_passes": (0, 1, 2),
    }
    assert [c.text(n) for n, c in study.goal.items()] == [
        "20° gloss at least 84 GU",
        "visible faults at most 1",
    ]
    assert (study.assurance, study.patches, study.reading.spots, study.limits) == (0.9, 6, 2, {})
    with fl.RecordBook(new / "trials.sqlite") as book:
        assert book.studies()[["title", "trials"]].to_dict("records") == [{"title": TITLE, "trials": 0}]
    for notebook in (new / "notebooks").glob("*.ipynb"):
        source = "".join(
            "".join(c["source"]) for c in json.loads(notebook.read_text(encoding="utf-8"))["cells"]
        )
        assert "STUDY_FOLDER" not in source or 'STUDY_FOLDER = ".."' in source
    # Who opens the file later finds what else it may hold.
    text = (new / "study.toml").read_text(encoding="utf-8")
    for word in ("[limit]", "[[avoid]]", "[job]", "[reading.columns]", "changeover_minutes"):
        assert f"# {word}" in text


def test_limit_haze_and_todays_process_are_asked_in_the_words_of_the_file(tmp_path: Path):
    more = ANSWERS.replace("faults at most 1", "haze at most 18")
    more = more.replace("\n\n0.9\n\nno\n", "\n\n2\n0.95\n8\nlead, 2 March\n0.99\nyes\nP2000\n3\nfoam\n0\n")
    result = run("start", tmp_path / "doors", typed=more)
    assert result.exit_code == 0, result.output
    study = study_of(tmp_path / "doors")
    assert study.reading.haze_method == "ASTM D4039"
    assert study.assurance == 0.95
    limit = study.limits["removed_um"]
    assert (limit.condition.at_most, limit.set_by, limit.assurance) == (8, "lead, 2 March", 0.99)
    assert study.today == {
        "sand_grit": "P2000", "sand_passes": 4, "cut_passes": 3, "cut_pad": "foam",
        "polish_passes": 0, "polish_pad": None,
    }  # fmt: skip


def test_a_film_limit_is_never_suggested(new: Path):
    asked = run("start", new.parent / "again", typed=ANSWERS).stdout
    question = next(line for line in asked.splitlines() if "most film removed" in line)
    assert not any(c.isdigit() for c in question)
    assert "none is suggested" in asked


@pytest.mark.parametrize(
    ("typed", "said"),
    [
        ("", "the answers end at 'What is studied?"),
        ("Doors\nsand\n", "the answers end at 'sand: setting'"),
        (ANSWERS.replace("1 to 4", "few"), "answer 8 ('passes = few') to 'cut: setting (Enter: no more)'"),
        (ANSWERS.replace("at least 84", "at least 840"), "840 cannot be; it runs from 0 to 200 GU"),
        (ANSWERS.replace("0.9\n", "90\n", 1).replace("\n\n90", "\n\n90"), "90"),
        (ANSWERS.replace("P1500, P2000", "P1500, P1499"), "P1499"),
        (ANSWERS.replace("sand, cut, polish", "sand, sand"), "used twice"),
        (ANSWERS.replace("sand, cut, polish", ""), "Type the steps, separated by commas."),
        (ANSWERS.replace("gloss_20 at least 84", "gloss at least 84"), "Which angle? Usually gloss_20."),
        (ANSWERS.replace("gloss_20 at least 84", "gloss"), "Which angle? Usually gloss_20."),
        (ANSWERS.replace("\n0.9\n", "\n90 mil\n"), "'90 mil' cannot be read. Write a number, or one with %."),
        (
            ANSWERS.replace("P1500, P2000", "P1500")
            .replace("wool, foam", "wool")
            .replace("1 to 4", "4")
            .replace("0 to 2", "2"),
            "No setting varies",
        ),
    ],
)
def test_a_wrong_or_missing_answer_makes_nothing(tmp_path: Path, typed, said):
    result = run("start", tmp_path / "doors", typed=typed)
    assert result.exit_code == 2
    assert said in result.stderr
    assert list(tmp_path.iterdir()) == []


def test_a_folder_named_demo_is_the_demo_and_nothing_is_asked(tmp_path: Path):
    for words in (("Demo",), ("other", "--demo")):
        result = run("start", tmp_path / words[0], *words[1:])
        assert result.exit_code == 0, result.output
        assert "?" not in result.stdout
        assert (tmp_path / words[0] / "trials.sqlite").exists()


def test_answers_may_come_from_a_file_and_an_occupied_folder_asks_nothing(tmp_path: Path):
    (tmp_path / "answers.txt").write_text(ANSWERS, encoding="utf-8-sig")
    assert run("start", tmp_path / "doors", "--answers", tmp_path / "answers.txt").exit_code == 0
    again = run("start", tmp_path / "doors", "--answers", tmp_path / "answers.txt")
    assert again.exit_code == 2
    assert again.stdout == ""
    gone = run("start", tmp_path / "more", "--answers", tmp_path / "gone.txt")
    assert gone.exit_code == 2
    assert "gone.txt cannot be read" in gone.stderr


def typing_here(monkeypatch, answers: list[str]) -> None:
    """Let the next command ask at a terminal; when the answers are used up, Ctrl+C is pressed."""
    left = iter(answers)

    def typed(question: str) -> str:
        if (answer := next(left, None)) is None:
            raise KeyboardInterrupt
        return answer

    terminal = SimpleNamespace(stdin=SimpleNamespace(isatty=lambda: True))
    monkeypatch.setattr("finishlab.cli.dialog.sys", terminal)
    monkeypatch.setattr("builtins.input", typed)


def test_answers_stay_when_start_is_stopped_and_it_goes_on_there(new: Path, tmp_path: Path, monkeypatch):
    answers, kept = ANSWERS.split("\n")[:-1], tmp_path / "doors_answers.txt"
    typing_here(monkeypatch, [*answers[:9], "passes = few"])
    stopped = run("start", tmp_path / "doors")
    assert stopped.exit_code == 0
    assert "9 answers kept in" in stopped.stdout
    assert f"Go on: finishlab start {tmp_path / 'doors'}" in stopped.stdout
    assert kept.read_text(encoding="utf-8").splitlines() == answers[:9]
    # A second time, nothing is asked again, and what was kept is kept still.
    typing_here(monkeypatch, answers[9:12])
    again = run("start", tmp_path / "doors")
    assert "Going on where you stopped" in again.stdout
    assert kept.read_text(encoding="utf-8").splitlines() == answers[:12]
    typing_here(monkeypatch, answers[12:])
    done = run("start", tmp_path / "doors")
    assert done.exit_code == 0, done.output
    assert [p.name for p in tmp_path.iterdir()] == ["doors"]
    assert study_of(tmp_path / "doors").source == study_of(new).source


def test_a_kept_answer_that_no_longer_fits_is_asked_again(tmp_path: Path, monkeypatch):
    answers = ANSWERS.split("\n")[:-1]
    (tmp_path / "doors_answers.txt").write_text("\n".join([answers[0], "sand, sand", "x"]), encoding="utf-8")
    typing_here(monkeypatch, answers[1:])
    done = run("start", tmp_path / "doors")
    assert done.exit_code == 0, done.output
    assert [s.name for s in study_of(tmp_path / "doors").steps] == ["sand", "cut", "polish"]


def test_sections_and_change_overs_are_asked_and_how_a_step_is_left_out_is_said(tmp_path: Path):
    typed = ANSWERS.replace("passes = 1 to 4\n\n\n", "passes = 1 to 4\n\n15 min\n").replace(
        "no\n\n6", "no\n4\n6"
    )
    result = run("start", tmp_path / "doors", typed=typed)
    assert result.exit_code == 0, result.output
    study = study_of(tmp_path / "doors")
    assert [s.changeover_minutes for s in study.steps] == [0, 15, 0]
    assert study.job.sections == 4
    assert "May a step be left out? Then its passes begin at 0: passes = 0 to 6" in result.stdout


@pytest.mark.parametrize("sure", ["90%", "90 %", "0.9", "0,9"])
@pytest.mark.parametrize(
    ("film", "um"), [("20 um", 20), ("20 µm", 20), ("20um", 20), ("0.8 mil", 20.32), ("0.77 mils", 19.55)]
)
def test_shares_and_film_are_taken_with_their_unit(tmp_path: Path, sure, film, um):
    typed = ANSWERS.replace("\n0.9\n\nno", f"\n{sure}\n{film}\nlead, 2 March\n99 %\nno").replace(
        "at least 84", "at least 84GU"
    )
    result = run("start", tmp_path / "doors", typed=typed)
    assert result.exit_code == 0, result.output
    study = study_of(tmp_path / "doors")
    assert (study.assurance, study.goal["gloss_20"].at_least) == (0.9, 84)
    limit = study.limits["removed_um"]
    assert (limit.condition.at_most, limit.assurance) == (um, 0.99)


WORDS = st.text(st.characters(codec="utf-8", exclude_categories=("C", "Z")), min_size=1, max_size=30)


@settings(max_examples=60, deadline=None)
@given(title=WORDS, first=WORDS, second=WORDS, means=WORDS)
def test_whatever_is_typed_the_file_says_it_again(title, first, second, means):
    if first.casefold() == second.casefold() or {first.casefold(), second.casefold()} & {
        "none",
        "nan",
        "na",
        "n/a",
        "null",
        "-",
    }:
        return
    steps = {"cut": {"product": [first, second]}}
    study = fl.Study.from_toml(study_text(NewStudy(title, means, steps, goal={"gloss_20": {"at_least": 80}})))
    assert (study.title, study.pass_means) == (title, means)
    assert study.factors[0].levels == (first, second)


@pytest.mark.parametrize(
    ("typed", "name", "value"),
    [
        ("Grit = p1500 , P2000", "grit", ["p1500", "P2000"]),
        ("passes=3", "passes", 3),
        ("passes = 2-6", "passes", {"lowest": 2, "highest": 6}),
        ("passes = 2 to 6", "passes", {"lowest": 2, "highest": 6}),
        ("passes = 2..6", "passes", {"lowest": 2, "highest": 6}),
        ("dose = 0.5..2.5 by 0.5", "dose", {"lowest": 0.5, "highest": 2.5, "by": 0.5}),
        ("speed = 900 to 1800 by 300", "speed", {"lowest": 900, "highest": 1800, "by": 300}),
        ("product = compound A; A, B; =1+1", "product", ["compound A", "A, B", "=1+1"]),
        ("dose = 0.5, 1.25", "dose", [0.5, 1.25]),
    ],
)
def test_a_setting_is_typed_in_plain_words(typed, name, value):
    assert setting_from_words(typed, "cut") == (name, value)


# --- plan -----------------------------------------------------------------------------------------


def test_a_plan_stands_in_the_book_and_on_its_run_sheets(ready: Path):
    trials = trials_of(ready)
    assert trials.index.tolist() == list(range(1, 11))
    assert set(trials["status"]) == {"planned"}
    sheets = ready / "run_sheets"
    assert sorted(p.name for p in sheets.iterdir()) == ["round_1.html", "round_1.xlsx", "round_1_labels.html"]
    read = fl.read_trials(sheets / "round_1.xlsx", study_of(ready)).set_index("trial")
    for column in ("panel", "patch", "sand_grit", "cut_pad", "cut_passes", "polish_passes"):
        assert plain(read[column]) == plain(trials[column])


@pytest.mark.parametrize("how", [(), ("--tablet",)])
def test_no_empty_book_takes_the_place_of_one_that_is_gone(folder: Path, how):
    book = folder / "trials.sqlite"
    book.unlink()
    ran = run("record", folder, *how)
    assert ran.exit_code != 0
    assert not book.exists()
    assert "put trials.sqlite back there" in " ".join(ran.output.split())


def test_a_second_plan_comes_on_new_panels_and_new_sheets(folder: Path):
    assert run("plan", folder, "--trials", 4, "--panels", 1, "--seed", 2, "--more").exit_code == 0
    trials = trials_of(folder)
    assert len(trials) == 14
    assert len(set(trials["panel"].iloc[10:])) == 1
    assert not set(trials["panel"].iloc[10:]) & set(trials["panel"].iloc[:10])
    assert (folder / "run_sheets" / "round_2.xlsx").exists()


# --- record -----------------------------------------------------------------------------------------


def answers_of(folder: Path, trial: int, gloss: float = 84) -> list[str]:
    """What is typed for one trial, by its plan: film, minutes, two spots a reading."""
    row = trials_of(folder).loc[trial]
    typed = [
        "110",
        "6:30",
        f"{gloss - 60:.1f}",
        f"{gloss - 59.5:.1f}",
        "5,5",
        f"{gloss - 1:.1f}",
        f"{gloss - 1.5:.1f}",
    ]
    if row["polish_passes"] == 0:
        return [*typed, "0", "104"]
    return [*typed, "4", f"{gloss + 1:.1f}", f"{gloss:.1f}", "1", "104"]


def test_a_whole_trial_stands_in_the_book_exactly_as_typed(folder: Path):
    first = next(t for t, row in trials_of(folder).iterrows() if row["polish_passes"])
    assert first == 1, "the first trial of this plan has every step"
    result = run(
        "record", folder, "--technician", "T1", "--instrument", "G2", typed="\n".join(answers_of(folder, 1))
    )
    assert result.exit_code == 0, result.output
    row = trials_of(folder).loc[1]
    wanted = {
        "status": "done", "technician": "T1", "film_before_um": 110, "film_after_um": 104, "removed_um": 6,
        "sand_gloss_20_1": 24.0, "sand_gloss_20_2": 24.5, "cut_gloss_20_1": 83.0, "cut_gloss_20_2": 82.5,
        "gloss_20_1": 85.0, "gloss_20_2": 84.0, "faults": 1, "sand_minutes": 6.5, "cut_minutes": 5.5,
        "polish_minutes": 4, "minutes": 16,
    }  # fmt: skip
    assert {name: row[name] for name in wanted} == wanted
    with fl.RecordBook(folder / "trials.sqlite") as book:
        read = book.readings(study_of(folder))
    assert set(read.loc[read["quantity"] == "gloss_20", "instrument"]) == {"G2"}
    assert result.stdout.count("Saved:") == 8  # start, three steps, three readings, the end


def test_a_left_out_last_step_is_passed_over_and_the_finish_read_all_the_same(folder: Path):
    trials = trials_of(folder)
    short = int(trials.index[trials["polish_passes"] == 0][0])
    lines = ["spoil", "pad dropped"] * (short - 1) + answers_of(folder, short)
    result = run("record", folder, "--technician", "T1", typed="\n".join(lines))
    assert result.exit_code == 0, result.output
    row = trials_of(folder).loc[short]
    assert (row["status"], row["gloss_20_1"], row["gloss_20_2"], row["minutes"]) == ("done", 83.0, 82.5, 12)
    assert trials_of(folder).loc[: short - 1, "status"].tolist() == ["spoiled"] * (short - 1)


def test_what_was_saved_stays_when_an_answer_is_wrong_or_the_answers_end(folder: Path):
    typed = answers_of(folder, 1)
    for stop, said in (
        (["20.1", "201"], "If the decimal point slipped, write 20.1"),
        (["20.1"], "the answers end at"),
    ):
        result = run("record", folder, "--technician", "T1", typed="\n".join([*typed[:2], *stop]))
        assert result.exit_code == 2
        assert said in result.stderr
        row = trials_of(folder).loc[1]
        assert (row["status"], row["film_before_um"], row["sand_minutes"]) == ("started", 110, 6.5)
        assert "sand_gloss_20_1" not in row  # half a reading was never acknowledged
        typed = []  # go on where it stopped: at the reading


def test_the_words_spoil_burn_correct_and_differs_do_what_they_say(folder: Path):
    planned = trials_of(folder).loc[1]
    other = "foam" if planned["cut_pad"] == "wool" else "wool"
    lines = [
        "differs", "", other, "", "", "no clean pad", "110",  # trial 1 on another pad
        "6", "20.1", "20.2", "correct", "1", "sand_gloss_20_2", "20.9", "typed the wrong key",
        "burn", "cut",
        "spoil", "drop fell on the patch",  # trial 2
        "stop",
    ]  # fmt: skip
    result = run("record", folder, "--technician", "T1", typed="\n".join(lines))
    assert result.exit_code == 0, result.output
    trials = trials_of(folder)
    assert trials.loc[1, "cut_pad"] == other
    assert trials.loc[1, "sand_gloss_20_2"] == 20.9
    assert trials.loc[1, "burned_after_step"] == "cut"
    assert (trials.loc[2, "status"], trials.loc[2, "reason"]) == ("spoiled", "drop fell on the patch")
    with fl.RecordBook(folder / "trials.sqlite") as book:
        told = book.history(study_of(folder), 1).to_numpy().ravel().tolist()
    assert any("20.2" in str(cell) for cell in told), "what stood there before is kept"
    assert any("typed the wrong key" in str(cell) for cell in told)


def test_nothing_planned_is_said_with_what_to_do(new: Path, tmp_path: Path):
    folder = Path(shutil.copytree(new, tmp_path / "doors"))
    result = run("record", folder, "--technician", "T1")
    assert result.exit_code == 0
    assert f"No trial is planned or under way. Plan more: finishlab plan {folder} --trials" in result.stdout


#: What the program asks, by its last words.
READING = "20° gloss, reading {} of 2, GU"
WHO, MINUTES = "(a number or initials)", "minutes worked"
FILM, FAULTS = "(Enter: not measured)", "visible faults under the lamp"


@pytest.mark.skipif(sys.platform == "win32", reason=ANYWHERE["terminal"])
def test_at_a_terminal_a_slip_is_answered_beside_its_question_and_ctrl_c_loses_nothing(folder: Path):
    talk = [
        (WHO, "T1"), (FILM, "4.5"), (FILM, "110"), (MINUTES, "6"),
        (READING.format(1), "20.1"), (READING.format(2), "2.02"), (READING.format(2), "20.2"), (MINUTES, CTRL_C),
    ]  # fmt: skip
    seen, code = at_a_terminal(["record", str(folder)], talk)
    assert code == 0, seen
    assert "If it is mil, write 4.5 mil" in " ".join(seen.split())
    assert "It looks like a slipped decimal point: write 20.2" in " ".join(seen.split())
    assert seen.index("4.5 mil") < seen.index("Saved: trial 1 is started")
    assert "Stopped. What is saved stays" in seen
    row = trials_of(folder).loc[1]
    assert (row["status"], row["film_before_um"], row["sand_gloss_20_1"], row["sand_gloss_20_2"]) == (
        "started", 110, 20.1, 20.2,
    )  # fmt: skip


@pytest.mark.skipif(sys.platform == "win32", reason=ANYWHERE["terminal"])
def test_at_a_terminal_what_only_the_book_can_refuse_is_asked_again(folder: Path):
    *lines, film = answers_of(folder, 1)
    assert film == "104"
    # The paint cannot have grown; the book sees it when the trial ends.
    read = [MINUTES, READING.format(1), READING.format(2)]
    asked = [WHO, FILM, *read * 3, FAULTS, FILM, FILM, FILM]
    seen, code = at_a_terminal(
        ["record", str(folder)], list(zip(asked, ["T1", *lines, "140", film, "stop"], strict=True))
    )
    assert code == 0, seen
    assert "140 µm after work is more than the 110 µm before it" in " ".join(seen.split())
    row = trials_of(folder).loc[1]
    assert (row["status"], row["film_after_um"]) == ("done", 104)


# --- sheets in and out ------------------------------------------------------------------------------


def filled(folder: Path, rows: int = 10) -> Path:
    """The run sheet of the folder with readings typed into its first rows."""
    path = folder / "run_sheets" / "round_1.xlsx"
    book = openpyxl.load_workbook(path)
    sheet = book["trials"]
    at = {cell.value: cell.column for cell in sheet[1]}
    for i in range(rows):
        typed = {
            "technician": "T2",
            "gloss_20_1": 80 + i / 2,
            "gloss_20_2": 80.4 + i / 2,
            "faults": 0,
            "minutes": 9 + i,
        }
        for name, value in typed.items():
            sheet.cell(i + 2, at[name]).value = value
    book.save(path)
    return path


def test_a_filled_run_sheet_comes_into_the_book_once_however_often_it_is_sent(folder: Path):
    path = filled(folder, rows=6)
    read = fl.read_trials(path, study_of(folder)).set_index("trial")
    for said in ("6 ", "0 "):
        result = run("import", folder, path, "--technician", "T2")
        assert result.exit_code == 0, result.output
        assert said in result.stdout
        trials = trials_of(folder)
        assert trials["status"].tolist() == ["done"] * 6 + ["planned"] * 4
        for column in ("panel", "cut_pad", "polish_passes", "gloss_20_1", "gloss_20_2", "faults", "minutes"):
            assert plain(trials[column]) == plain(read[column]), column


def test_anything_wrong_in_a_sheet_takes_nothing_unless_told_to_take_what_is_right(folder: Path):
    path = filled(folder, rows=3)
    book = openpyxl.load_workbook(path)
    sheet = book["trials"]
    at = {cell.value: cell.column for cell in sheet[1]}
    sheet.cell(3, at["gloss_20_1"]).value = 845
    sheet.cell(4, at["minutes"]).value = "ten"
    book.save(path)
    result = run("import", folder, path, "--technician", "T2")
    assert result.exit_code == 2
    for place in ("row 3, gloss_20_1", "row 4, minutes"):
        assert place in result.stderr
    assert set(trials_of(folder)["status"]) == {"planned"}
    result = run("import", folder, path, "--technician", "T2", "--take-right-rows")
    assert result.exit_code == 0, result.output
    assert "Not taken" in result.stdout
    assert trials_of(folder)["status"].tolist() == ["done"] + ["planned"] * 9


def test_a_meters_export_finds_its_trials_in_the_book(folder: Path, tmp_path: Path):
    with (folder / "study.toml").open("a", encoding="utf-8") as file:
        file.write('\n[reading.columns]\n"Sample" = "trial"\n"20° [GU]" = "gloss_20"\n')
    export = tmp_path / "meter.csv"
    lines = ["Sample;20° [GU];Time", "1;84,1;10:01", "1;84,3;10:02", "2;81,0;10:09", "2;81,4;10:10"]
    export.write_bytes("\r\n".join(lines).encode("cp1252"))
    before = trials_of(folder)
    result = run("import", folder, export, "--technician", "T1")
    assert result.exit_code == 0, result.output
    trials = trials_of(folder)
    assert plain(trials["gloss_20_1"])[:3] == [84.1, 81.0, None]
    assert plain(trials["gloss_20_2"])[:3] == [84.3, 81.4, None]
    assert trials["status"].tolist() == ["started"] * 2 + ["planned"] * 8
    assert plain(trials["cut_pad"]) == plain(before["cut_pad"])
    export.write_bytes("\r\n".join([*lines, "99;80,0;11:00"]).encode("cp1252"))
    unknown = run("import", folder, export, "--technician", "T1")
    assert unknown.exit_code == 2
    assert "row 6" in unknown.stderr or "row 4" in unknown.stderr


def damaged(path: Path) -> dict[str, bytes]:
    """Files that come in by mistake or worse, by name."""
    whole = path.read_bytes()
    many = path.with_name("many.xlsx")
    with zipfile.ZipFile(many, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("[Content_Types].xml", "<Types/>")
        with archive.open("xl/worksheets/sheet1.xml", "w", force_zip64=True) as part:
            for _ in range(300):
                part.write(b"\0" * 2**20)
    bomb = many.read_bytes()
    many.unlink()
    return {
        "truncated.xlsx": whole[: len(whole) // 2],
        "unpacks to 300 MB.xlsx": bomb,
        "renamed.xlsx": b"trial,panel\n1,1\n",
        "noise.csv": bytes(range(256)) * 40,
        "empty.csv": b"",
        "old.xls": b"\xd0\xcf\x11\xe0" + bytes(600),
    }


def test_damaged_files_are_answered_in_words_and_leave_the_book_as_it_was(folder: Path, tmp_path: Path):
    before = trials_of(folder)
    for name, data in damaged(folder / "run_sheets" / "round_1.xlsx").items():
        (tmp_path / name).write_bytes(data)
        result = run("import", folder, tmp_path / name, "--technician", "T1")
        assert result.exit_code == 2, (name, result.output)
        assert name in result.stderr
        assert "Traceback" not in result.stderr
    assert trials_of(folder).equals(before)


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "cp1252"])
@pytest.mark.parametrize("separator", [",", ";"])
def test_sheets_of_any_office_come_in_the_same(folder: Path, tmp_path: Path, encoding, separator):
    """Decimal commas go with semicolons; a note with letters beyond a to z shows a wrong guess."""
    rows = trials_of(folder).reset_index()[
        ["trial", "panel", "patch", "sand_grit", "cut_pad", "cut_passes", "polish_passes"]
    ]
    rows = rows.assign(gloss_20=[80.5 + i for i in range(10)], faults=0, minutes=7.25, note="µm für Tür 3")
    text = rows.to_csv(index=False, sep=separator, decimal="," if separator == ";" else ".")
    (tmp_path / "sheet.csv").write_bytes(text.encode(encoding))
    result = run("import", folder, tmp_path / "sheet.csv", "--technician", "T1")
    assert result.exit_code == 0, result.output
    trials = trials_of(folder)
    assert trials["gloss_20"].tolist() == [80.5 + i for i in range(10)]
    assert trials["minutes"].tolist() == [7.25] * 10
    assert trials["note"].tolist() == ["µm für Tür 3"] * 10


HOSTILE = ('=HYPERLINK("http://x.example","y")', "<script>alert(1)</script>", "'; DROP TABLE trials; --")


@pytest.mark.parametrize("ending", ["csv", "xlsx"])
def test_hostile_text_goes_into_the_book_and_out_again_as_text(folder: Path, tmp_path: Path, ending):
    path = filled(folder)
    book = openpyxl.load_workbook(path)
    sheet = book["trials"]
    at = {cell.value: cell.column for cell in sheet[1]}
    for i, text in enumerate(HOSTILE):
        cell = sheet.cell(i + 2, at["reason"])
        cell.value = text
        cell.data_type = "s"
    book.save(path)
    assert run("import", folder, path, "--technician", "T1").exit_code == 0
    out = tmp_path / f"out.{ending}"
    assert run("export", folder, "--to", out).exit_code == 0
    if ending == "csv":
        assert not [line for line in out.read_text("utf-8-sig").splitlines() if ",=" in line or ',"=' in line]
    back = fl.read_trials(out, study_of(folder)).set_index("trial")
    assert back["reason"].tolist()[:3] == list(HOSTILE)
    assert len(trials_of(folder)) == 10


def test_sheet_to_book_to_sheet_gives_the_same_trials(folder: Path, tmp_path: Path):
    path = filled(folder)
    assert run("import", folder, path, "--technician", "T2").exit_code == 0
    study = study_of(folder)
    for ending in ("csv", "xlsx"):
        assert run("export", folder, "--to", tmp_path / f"out.{ending}").exit_code == 0
        back = fl.read_trials(tmp_path / f"out.{ending}", study).set_index("trial")
        sheet = fl.read_trials(path, study).set_index("trial")
        for column in [c for c in sheet.columns if sheet[c].notna().any()]:
            assert plain(back[column]) == plain(sheet[column]), column


def test_export_stands_in_the_results_when_no_file_is_named(folder: Path):
    result = run("export", folder)
    assert result.exit_code == 0, result.output
    assert "10 trials written to" in result.stdout
    assert (folder / "results" / "trials.csv").exists()


def test_a_backup_is_a_whole_book_and_touches_no_file_that_is_there(folder: Path, tmp_path: Path):
    copy = tmp_path / "copy.sqlite"
    assert run("backup", folder, "--to", copy).exit_code == 0
    with fl.RecordBook(copy) as book:
        assert book.trials(study_of(folder)).set_index("trial").equals(trials_of(folder))
    before = copy.read_bytes()
    again = run("backup", folder, "--to", copy)
    assert again.exit_code == 2
    assert copy.read_bytes() == before
    assert run("backup", folder).exit_code == 0
    assert len(list(folder.glob("backup_*.sqlite"))) == 1


# --- sheet or book ----------------------------------------------------------------------------------


def test_a_sheet_beside_a_book_is_refused_by_every_command_with_the_way_out(folder: Path):
    run("export", folder, "--to", folder / "trials.csv")
    for command in ("check", "shortest", "record", "export", "backup"):
        result = run(command, folder)
        assert result.exit_code == 2
        assert "has trials.sqlite and trials.csv; only one can hold the trials" in result.stderr
        assert "finishlab import" in result.stderr


def test_a_folder_whose_trials_are_in_a_sheet_is_not_given_a_book_unasked(tmp_path: Path):
    doors = tmp_path / "doors"
    shutil.copytree(shipped("datasets") / "van_panels", doors, ignore=shutil.ignore_patterns("run_sheets"))
    for command in ("record", "backup"):
        result = run(command, doors)
        assert result.exit_code == 2
        assert "are kept in trials.csv, not in a record book" in result.stderr
    assert not (doors / "trials.sqlite").exists()
    planned = run("plan", doors, "--trials", 4, "--panels", 1, "--seed", 1)
    assert planned.exit_code == 0, planned.output
    assert not (doors / "trials.sqlite").exists()
    assert (doors / "run_sheets" / "round_1.xlsx").exists()


def test_the_demo_is_a_book_with_a_round_to_log_and_answers_as_its_sheet_does(tmp_path: Path):
    """A technician logs into a book: what people learn on must be kept as what they work on."""
    made = run("start", tmp_path / "demo")
    assert made.exit_code == 0, made.output
    assert "one round is still to be logged" in made.stdout
    place = StudyFolder.at(tmp_path / "demo")
    study = place.study()
    assert place.sheet() is None
    trials = place.trials(study)
    done = trials[trials["status"] != "planned"].reset_index(drop=True)
    logged = fl.read_trials(shipped("datasets") / "van_panels" / "trials.csv", study)
    pd.testing.assert_frame_equal(done[logged.columns], logged, check_dtype=False)
    planned = trials[trials["status"] == "planned"]
    assert not set(planned["panel"]) & set(logged["panel"])
    # Today's process is on the panel still to be worked, as it is on every other.
    names = list(study.basis.names)
    today = pd.Series({name: study.today[name] for name in names})
    assert (planned[names] == today).all(axis=1).sum() == 1
    before = fl.shortest(fl.fit(study, logged)).text()
    assert run("shortest", tmp_path / "demo").stdout.split("\n")[0].strip() == before
    assert "8 planned" in run("check", tmp_path / "demo").stdout
    lines = run("record", tmp_path / "demo", typed="T3\n").stdout
    assert "trial 42" in lines.casefold()


def test_the_answer_from_a_book_is_the_answer_from_its_sheet(tmp_path: Path, bench: fl.PracticeBench):
    sheet = bench.work(fl.plan_trials(bench.study, trials=20, panels=4, seed=7), seed=1)
    said = []
    for kind in ("sheet", "book"):
        folder = tmp_path / kind
        folder.mkdir()
        (folder / "study.toml").write_text(bench.study.source, encoding="utf-8")
        fl.write_trials(sheet, (folder if kind == "sheet" else tmp_path) / "trials.csv")
        if kind == "book":
            result = run("import", folder, tmp_path / "trials.csv", "--technician", "T1")
            assert result.exit_code == 0, result.output
        result = run("shortest", folder)
        assert result.exit_code in (0, 3), result.output
        said.append(result.stdout.splitlines()[0])
    assert said[0] == said[1]


def test_a_folder_without_trials_says_how_they_come_in(new: Path):
    assert "No trials yet. Plan them: finishlab plan" in run("check", new).stdout
    result = run("shortest", new)
    assert result.exit_code == 2
    assert "has no trials yet. Plan them (finishlab plan" in result.stderr


def test_the_program_records_from_a_pipe_in_utf_8_whatever_the_console_says(folder: Path):
    result = subprocess.run(
        [sys.executable, "-m", "finishlab", "record", str(folder)],
        input="\n".join(["T1", "spoil", "Tür zerkratzt, 3 µm", "stop"]).encode(),
        capture_output=True,
        env={**os.environ, "PYTHONIOENCODING": "cp1252", "PYTHONUTF8": "0"},
        check=False,
    )
    assert result.returncode == 0, result.stderr
    assert trials_of(folder).loc[1, "reason"] == "Tür zerkratzt, 3 µm"
