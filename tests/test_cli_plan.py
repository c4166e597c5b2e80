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
    result = plan(folder, "--trials", 5, "--panels", 1, "--kind", "factorial")
    assert result.exit_code == 0, result.output
    assert "4 of the 8 runs stand in the existing trials and will not be worked again: " in result.output
    assert "11 trials on 3 panels, 6 of them there before." in result.output


def test_a_plan_names_what_it_takes_and_what_it_guesses(folder):
    result = plan(folder, "--trials", 12, "--panels", 4, "--seed", 1)
    assert "It takes 4 panels, product for " in result.output
    assert "Guessed spreads (SD): panel 1 GU" in result.output
    assert "A textbook plan" not in result.output


def test_spreads_come_from_the_trials_that_were_worked(folder):
    bench = fl.PracticeBench(kind=1, seed=3)
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
