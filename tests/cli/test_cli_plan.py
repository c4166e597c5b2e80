"""`finishlab plan`: what it says, with what exit code, and what it leaves behind where it refuses."""

from pathlib import Path

import pytest
from typer.testing import CliRunner

import finishlab as fl
from finishlab.cli import app

STUDY = """\
title = "Invented"
pass_means = "one direction"
[[step]]
name = "cut"
pad = ["wool", "foam"]
product = ["A", "B"]
passes = { lowest = 1, highest = 8 }
[goal]
gloss_20 = { at_least = 80 }
assurance = 0.9
[today]
cut_pad = "wool"
cut_product = "A"
cut_passes = 4
[panel]
patches = 8
"""


def plan(folder: Path, *words: object):
    return CliRunner().invoke(app, ["plan", str(folder), *map(str, words)])


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    (tmp_path / "study.toml").write_text(STUDY)
    return tmp_path


def test_a_textbook_plan_is_said_in_words(folder):
    result = plan(folder, "--trials", 6, "--panels", 2, "--seed", 3, "--kind", "fraction")
    assert result.exit_code == 0, result.output
    assert "Planned: 6 trials on 2 panels (seed 3), in the record book" in result.output
    assert (
        "4 runs, resolution III: single settings are mixed up with products of two others." in result.output
    )
    assert "Defining relation I = ABC (A cut pad, B cut product, C cut passes)." in result.output
    assert "cut pad cannot be told apart from cut product × cut passes." in result.output


def test_the_other_half_is_not_worked_twice(folder):
    assert plan(folder, "--trials", 6, "--panels", 2, "--kind", "fraction").exit_code == 0
    result = plan(folder, "--trials", 5, "--panels", 1, "--kind", "factorial", "--more")
    assert result.exit_code == 0, result.output
    assert "4 of the 8 runs stand in the existing trials and will not be worked again: " in result.output
    assert "11 trials on 3 panels, 6 of them there before." in result.output


@pytest.fixture
def planned(folder: Path) -> Path:
    assert plan(folder, "--trials", 6, "--panels", 2, "--seed", 1).exit_code == 0
    return folder


def trials(folder: Path):
    study = fl.Study.read(folder / "study.toml")
    with fl.RecordBook(folder / "trials.sqlite") as book:
        return book.trials(study)


def begin(folder: Path) -> None:
    with fl.RecordBook(folder / "trials.sqlite") as book:
        book.start(fl.Study.read(folder / "study.toml"), technician="T1")


def sheets(folder: Path) -> list[str]:
    return sorted(p.name for p in (folder / "run_sheets").iterdir())


def test_a_second_plan_asks_what_becomes_of_the_first(planned):
    result = plan(planned, "--trials", 6, "--panels", 2)
    assert result.exit_code == 2
    assert "6 planned trials wait to be worked, on panels 1 and 2. Nothing was planned." in result.stderr
    assert "--more" in result.stderr
    assert "--instead" in result.stderr
    assert len(trials(planned)) == 6
    assert len(sheets(planned)) == 3
    assert plan(planned, "--trials", 6, "--panels", 2, "--more").exit_code == 0
    assert len(trials(planned)) == 12
    both = plan(planned, "--trials", 6, "--panels", 2, "--more", "--instead")
    assert "exclude each other" in both.stderr


def test_a_plan_in_place_of_another_keeps_what_was_started(planned):
    begin(planned)
    result = plan(planned, "--trials", 8, "--panels", 2, "--instead", "--seed", 3)
    assert result.exit_code == 0, result.output
    assert "Taken back: 5 planned trials that nobody had started." in result.output
    assert "round_1.xlsx also holds trials that stay. Cross out those taken back: 2, 3, 4, 5, 6." in " ".join(
        result.output.split()
    )
    after = trials(planned)
    assert after["status"].tolist() == ["started"] + ["planned"] * 8
    # A number on a sheet that still lies about never becomes another trial's.
    assert after["trial"].tolist() == [1, *range(7, 15)]


def test_a_plan_is_taken_back_with_its_run_sheets(planned):
    result = plan(planned, "--take-back")
    assert result.exit_code == 0, result.output
    assert "Taken back: 6 planned trials" in result.output
    assert sheets(planned) == [
        "round_1_labels_taken_back.html", "round_1_taken_back.html", "round_1_taken_back.xlsx"
    ]  # fmt: skip
    assert len(trials(planned)) == 0
    assert "Nothing was taken back" in plan(planned, "--take-back").output
    assert plan(planned, "--trials", 6, "--panels", 2).exit_code == 0
    assert trials(planned)["trial"].tolist() == list(range(7, 13))
    assert "round_2.xlsx" in sheets(planned)


def test_planned_rows_of_a_sheet_are_the_shops_own(planned):
    study = fl.Study.read(planned / "study.toml")
    fl.write_trials(trials(planned), planned / "trials.csv")
    (planned / "trials.sqlite").unlink()
    before = (planned / "trials.csv").read_bytes()
    for words in (("--take-back",), ("--trials", 6, "--panels", 2, "--instead")):
        result = plan(planned, *words)
        assert result.exit_code == 2
        assert "trials.csv, which finishlab never changes. Delete the planned rows there." in result.stderr
    assert (planned / "trials.csv").read_bytes() == before
    assert len(fl.read_trials(planned / "trials.csv", study)) == 6


def test_what_happened_to_a_plan_taken_back_stays_in_the_history(planned):
    study = fl.Study.read(planned / "study.toml")
    assert plan(planned, "--take-back").exit_code == 0
    with fl.RecordBook(planned / "trials.sqlite") as book:
        today = book.today(study)
    assert today["what"].tolist() == ["plan taken back", *["planned"] * 6]
    assert today["after"].iloc[0] == "1, 2, 3, 4, 5, 6"
    assert today["before"].tolist()[1:] == [f"trial {k}" for k in range(6, 0, -1)]


def test_a_plan_without_its_size_says_how_to_give_it(folder):
    result = plan(folder, "--trials", 6)
    assert result.exit_code == 2
    assert "--trials 24 --panels 4" in result.stderr


def test_a_plan_names_what_it_takes_and_what_it_guesses(folder):
    result = plan(folder, "--trials", 12, "--panels", 4, "--seed", 1)
    assert "It takes 4 panels, product for " in result.output
    assert "Guessed spreads (SD): panel 1 GU" in result.output
    assert "A textbook plan" not in result.output


def test_spreads_come_from_the_trials_that_were_worked(folder, bench):
    (folder / "study.toml").write_text(bench.study.source)
    done = bench.work(fl.plan_trials(bench.study, trials=12, panels=3, seed=1), seed=1)
    fl.write_trials(done, folder / "trials.csv")
    result = plan(folder, "--trials", 4, "--panels", 1, "--seed", 2)
    assert result.exit_code == 0, result.output
    assert "Spreads (SD) given: panel " in result.output
    assert "Guessed spreads" not in result.output


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("--trials", "many", "--panels", 4), "'many' is not a whole number. Type one, as 24."),
        (("--trials", 12.5, "--panels", 4), "'12.5' is not a whole number. Type one, as 24."),
        (("--trials", 12, "--panels", 4, "--kind", "bst"), "kind is 'bst'; kinds of plan are best, factorial, fraction, central composite, box-behnken."),
        (("--trials", 2, "--panels", 4), "2 trials do not reach 4 panels: every panel needs one at least."),
        (("--trials", 90, "--panels", 4), "90 trials do not fit on 4 panels of 8 patches (room for 32). Take 12 panels"),
        (("--trials", 0, "--panels", 0, "--seed", -1), "seed is -1; it must be a whole number, 0 or more, or left out."),
        (("--trials", 6, "--panels", 2, "--kind", "factorial"), "factorial: it needs 8 runs, and there is room for 4 beside today's process. Plan 4 trials more"),
    ],
)  # fmt: skip
def test_a_plan_that_cannot_be_made_leaves_nothing_behind(folder, words, said):
    result = plan(folder, *words)
    assert result.exit_code == 2
    assert said in result.stderr
    assert [p.name for p in folder.iterdir()] == ["study.toml"]


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ("[today]", "[[avoid]]\ncut_passes = { at_least = 1 }\n[today]", "no process is left: the avoided combinations rule out every one."),
        ("passes", "".join(f"s{k} = {{ lowest = 1, highest = 10, by = 1 }}\n" for k in range(8)) + "passes", "the settings make more than 10,000,000 processes, too many to search."),
        ("highest = 8", "highest = 1", "passes: lowest is 1 and highest 1; lowest must be below highest."),
    ],
)  # fmt: skip
def test_a_study_that_cannot_be_planned_says_why_and_what_to_do(folder, old, new, said):
    (folder / "study.toml").write_text(STUDY.replace(old, new, 1))
    result = plan(folder, "--trials", 12, "--panels", 4)
    assert result.exit_code == 2
    assert said in result.stderr
    assert [p.name for p in folder.iterdir()] == ["study.toml"]
