"""`finishlab rename`: another name for a step or a level, with the history of its trials. All of it is invented."""

from pathlib import Path

import openpyxl
import pytest
from typer.testing import CliRunner

import finishlab as fl
from finishlab.cli import app
from finishlab.cli.study_folder import StudyFolder
from finishlab.errors import RecordsError

STUDY = """\
# Doors of the shop.
title = "Invented"
pass_means = "one direction"
[[step]]
name = "refine"  # after the sanding
passes = 2
[[step]]
name = "cut"
pad = [
    "wool",  # the old one
    "foam",
]
passes = { lowest = 1, highest = 4 }
[goal]
gloss_20 = { at_least = 80 }
assurance = 0.9
[[avoid]]
cut_pad = "foam"
cut_passes = 1
[today]
cut_pad = "wool"   # since March
cut_passes = 4
[harsher]
cut_pad = ["foam", "wool"]
[panel]
patches = 8
[reading]
spots = 1
after = ["refine", "cut"]
[reading.columns]
"Before" = "refine_gloss_20"
"""
#: The refining varies too, so that its name stands in settings and among what is avoided.
VARIES = STUDY.replace("passes = 2\n", "passes = { lowest = 0, highest = 2 }\n").replace(
    'cut_pad = "wool"   #', 'refine_passes = 2  # both\ncut_pad = "wool"   #'
)


def run(*words: object):
    return CliRunner().invoke(app, [str(w) for w in words])


def study_of(folder: Path) -> fl.Study:
    return fl.Study.read(folder / "study.toml")


def work(folder: Path, **burn) -> int:
    study = study_of(folder)
    with fl.RecordBook(folder / "trials.sqlite") as book:
        trial = book.start(study, technician="T1")
        for step in study.steps:
            book.read(study, trial, after=step.name, values={"gloss_20": [81.0]}, technician="T1", minutes=2)
        if burn:
            book.burn(study, trial, technician="T1", **burn)
        else:
            book.finish(study, trial, technician="T1")
    return trial


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    (tmp_path / "study.toml").write_text(VARIES, encoding="utf-8")
    assert run("plan", tmp_path, "--trials", 8, "--panels", 2, "--seed", 3).exit_code == 0
    work(tmp_path)
    work(tmp_path, after="refine")
    return tmp_path


def trials_of(folder: Path):
    return StudyFolder.at(folder).trials(study_of(folder))


def told(result) -> str:
    return " ".join((result.stdout + result.stderr).split())


def test_a_step_gets_another_name_and_its_trials_keep_their_history(folder):
    before = trials_of(folder)
    result = run("rename", folder, "step", "refine", "middle")
    assert result.exit_code == 0, result.output
    text = (folder / "study.toml").read_text(encoding="utf-8")
    assert text == VARIES.replace('"refine', '"middle').replace("refine_passes", "middle_passes")
    after = trials_of(folder)
    assert after["burned_after_step"].tolist()[:2] == [None, "middle"]
    back = after.rename(columns=lambda c: c.replace("middle_", "refine_"))
    back["burned_after_step"] = before["burned_after_step"]
    assert back[list(before.columns)].equals(before)
    with fl.RecordBook(folder / "trials.sqlite") as book:
        assert len(book.history(study_of(folder), 1)) == 5  # planned, started, read twice, finished
        assert book.today(study_of(folder))["what"].iloc[0] == "renamed step"
    assert "renamed: step refine is now middle" in (folder / "changes.csv").read_text()
    sheet = openpyxl.load_workbook(folder / "run_sheets" / "round_1.xlsx").worksheets[0]
    headings = [c.value for c in sheet[1]]
    assert "middle_passes" in headings
    assert not any(str(h).startswith("refine") for h in headings)
    assert work(folder) == 3  # the bench goes on


def test_a_level_gets_another_name_wherever_it_stands(folder):
    result = run("rename", folder, "cut_pad", "wool", "twisted wool")
    assert result.exit_code == 0, result.output
    text = (folder / "study.toml").read_text(encoding="utf-8")
    assert text == VARIES.replace('"wool"', '"twisted wool"')
    trials = trials_of(folder)
    assert set(trials["cut_pad"].dropna()) == {"twisted wool", "foam"}
    assert set(trials["status"]) == {"done", "planned"}
    with fl.RecordBook(folder / "trials.sqlite") as book:
        assert book.studies()["trials"].tolist() == [8]
    sheet = openpyxl.load_workbook(folder / "run_sheets" / "round_1.xlsx").worksheets[0]
    values = {c.value for row in sheet.iter_rows() for c in row}
    assert "twisted wool" in values
    assert "wool" not in values


def test_a_step_renamed_by_hand_is_answered_in_words_and_mended_by_the_same_command(folder):
    text = VARIES.replace('"refine', '"middle').replace("refine_passes", "middle_passes")
    (folder / "study.toml").write_text(text, encoding="utf-8")
    for words in (
        ("check", folder),
        ("shortest", folder),
        ("record", folder, "--technician", "T1"),
        ("plan", folder, "--trials", 4, "--panels", 1, "--more"),
        ("export", folder),
    ):
        result = run(*words)
        assert result.exit_code == 2, words
        assert "worked or planned with step 'refine', which the study no longer has" in told(result)
        assert "finishlab rename FOLDER step refine NEW" in told(result)
    with fl.RecordBook(folder / "trials.sqlite") as book:
        for page in (book.trials, book.next_trial, book.as_logged, book.today, book.add_study):
            with pytest.raises(RecordsError, match="step 'refine'"):
                page(study_of(folder))
    assert run("rename", folder, "step", "refine", "middle").exit_code == 0
    assert trials_of(folder)["middle_passes"].notna().any()
    assert run("check", folder).exit_code == 0


def test_a_sheet_is_renamed_with_all_else_as_it_was(folder):
    trials = trials_of(folder)
    (folder / "trials.sqlite").unlink()
    for name in ("trials.csv", "trials.xlsx"):
        (folder / "study.toml").write_text(VARIES, encoding="utf-8")
        fl.write_trials(trials, folder / name)
        read = trials_of(folder)
        assert run("rename", folder, "step", "refine", "middle").exit_code == 0
        assert run("rename", folder, "cut_pad", "wool", "twisted wool").exit_code == 0
        renamed = trials_of(folder)
        assert renamed["cut_pad"].tolist() == read["cut_pad"].replace("wool", "twisted wool").tolist()
        assert renamed["middle_gloss_20"].equals(read["refine_gloss_20"].rename("middle_gloss_20"))
        assert renamed["burned_after_step"].tolist()[1] == "middle"
        (folder / name).unlink()


def test_all_places_change_or_none(folder, monkeypatch):
    def files() -> dict[Path, bytes]:
        return {p: p.read_bytes() for p in folder.rglob("*") if p.suffix in (".toml", ".xlsx", ".csv")}

    before, trials = files(), trials_of(folder)

    def failing(*_, **__):
        raise RecordsError("the disk is full")

    monkeypatch.setattr("finishlab.records.book.rows.put_study", failing)
    assert run("rename", folder, "step", "refine", "middle").exit_code == 2
    monkeypatch.undo()
    assert files() == before
    assert trials_of(folder).equals(trials)


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("step", "refine", "cut"), "the study has a step 'cut' already; two steps cannot become one."),
        (("step", "polish", "buff"), "there is no step 'polish'."),
        (("step", "refine", "The Middle"), "it must be a short word in small letters"),
        (("cut_pad", "wool", "foam"), "cut pad has 'foam' already; two levels cannot become one."),
        (("cut_pad", "felt", "soft felt"), "cut pad has no level 'felt'. Its levels are wool, foam."),
        (("cut_passes", "4", "5"), "cut passes has numbers, not names of the shop."),
        (("pad", "wool", "felt"), "'pad' is neither the word step nor a setting."),
        (("cut_pad", "wool", " wool "), "'wool' is no new name for 'wool'."),
    ],
)
def test_what_cannot_be_renamed_says_why_and_changes_nothing(folder, words, said):
    before = (folder / "study.toml").read_bytes()
    result = run("rename", folder, *words)
    assert result.exit_code == 2
    assert said in told(result)
    assert (folder / "study.toml").read_bytes() == before
    assert not (folder / "changes.csv").exists()
