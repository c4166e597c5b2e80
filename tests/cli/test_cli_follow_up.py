"""`finishlab follow-up`: the next round in the record book and on paper, or that none is worth it."""

from pathlib import Path

import pytest
from typer.testing import CliRunner

import finishlab as fl
from finishlab.cli import app
from finishlab.cli.study_folder import StudyFolder


def follow_up(folder: Path, *words: object):
    return CliRunner().invoke(app, ["follow-up", str(folder), *map(str, words)])


@pytest.fixture
def folder(tmp_path: Path, bench, trials) -> Path:
    """A study folder whose record book holds 24 worked trials."""
    place = tmp_path / "doors"
    place.mkdir()
    (place / "study.toml").write_text(bench.study.source)
    fl.write_trials(trials, tmp_path / "sheet.csv")
    done = CliRunner().invoke(app, ["import", str(place), str(tmp_path / "sheet.csv"), "--technician", "T1"])
    assert done.exit_code == 0, done.output
    return place


def test_a_round_goes_into_the_book_and_onto_run_sheets(folder):
    result = follow_up(folder, "--trials", 4)
    assert result.exit_code == 0, result.output
    assert "Planned: 4 trials on 1 panel (seed 8), in the record book trials.sqlite." in result.output
    assert result.output.count("confirms the process chosen") == 2
    assert "minutes at the bench for one person" in result.output
    assert {p.name for p in (folder / "run_sheets").iterdir()} == {
        "round_1.xlsx",
        "round_1.html",
        "round_1_labels.html",
    }
    place = StudyFolder.at(folder)
    logged = place.trials(place.study())
    assert (logged["status"] == "planned").sum() == 4
    assert set(logged.loc[logged["status"] == "planned", "panel"].astype(str)) == {"5"}


def test_a_second_round_waits_for_the_first(folder):
    assert follow_up(folder).exit_code == 0
    again = follow_up(folder)
    assert again.exit_code == 2
    assert "planned and not done yet: 4 trials on 1 panel (5). Work them first" in again.output
    assert follow_up(folder, "--anyway").exit_code == 0
    assert (folder / "run_sheets" / "round_2.xlsx").exists()


def test_what_no_trials_can_settle_plans_nothing_and_ends_with_3(folder):
    result = follow_up(folder, "--goal", "gloss_20 at least 99")
    assert result.exit_code == 3
    assert "None of the studied processes comes to 90 %" in result.output
    assert "Nothing was planned" in result.output
    assert not (folder / "run_sheets").exists()


def test_a_budget_that_holds_no_round_is_a_mistake_of_the_caller(folder):
    result = follow_up(folder, "--budget", 5)
    assert result.exit_code == 2
    assert "two trials take about" in result.output
    assert not (folder / "run_sheets").exists()


def test_help_says_what_it_does_and_what_the_exit_codes_mean():
    text = CliRunner().invoke(app, ["follow-up", "--help"]).output
    for part in ("Two of them repeat the process chosen", "--budget", "Exit code 0", "round_2.xlsx"):
        assert part in text
