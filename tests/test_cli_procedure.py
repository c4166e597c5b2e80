"""Checks of `finishlab procedure`, typed as a person types it, on an invented bench's folder."""

import json
import shutil
from pathlib import Path

import pytest
from test_cli import answered, run, worked  # noqa: F401

from finishlab import read_procedure


@pytest.fixture
def place(answered: Path, tmp_path: Path) -> Path:  # noqa: F811
    """Return a copy of an answered folder, which a test may change."""
    return Path(shutil.copytree(answered, tmp_path / "place"))


def test_the_command_prints_the_only_procedure_its_card_and_the_register(place: Path):
    result = run("procedure", place, "--paper", "letter")
    assert result.exit_code == 0, result.stderr
    assert result.stdout.splitlines()[0] == "1 procedure in force, 1 revision in all."
    for name in ("SP-001.pdf", "SP-001_card.pdf"):
        assert (place / "procedures" / name).read_bytes().startswith(b"%PDF-")
    assert "SP-001" in (place / "procedures" / "register.html").read_text(encoding="utf-8")


def test_the_command_revises_from_the_trials_as_they_are_now(place: Path):
    words = ("--revises", "1", "--reason", "a higher goal", "--approved-by", "owner")
    result = run("procedure", place, *words, "--goal", "gloss_20 at least 78")
    assert result.exit_code == 0, result.stderr
    assert "Procedure SP-001, revision 2" in result.stdout
    assert "Goal: 20° gloss at least" in result.stdout
    again = read_procedure(place / "procedures", "SP-001")
    assert again.job_minutes > read_procedure(place / "procedures", "SP-001", revision=1).job_minutes
    kept = json.loads((place / "procedures" / "SP-001.rev2.json").read_text(encoding="utf-8"))
    assert kept["facts"]["mid_job"]
    assert kept["facts"]["signoff"]["owner"] == "owner"


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("--reason", "x"), "--reason given without --revises, so nothing would be revised."),
        (("--revises", "2", "--reason", "x", "--approved-by", "y"), "is not the newest, which is 1"),
        (("--revises", "1", "--approved-by", "y"), "say why the procedure is revised"),
        (("--revises", "one"), "'one' is not a whole number"),
        (("--number", "SP-9"), "There are SP-001."),
        (("--paper", "A3"), "paper is 'A3'; take one of a4, letter."),
    ],
)
def test_a_mistake_is_answered_in_words_and_nothing_is_written(
    words: tuple[str, ...], said: str, place: Path
):
    there = sorted(p.name for p in (place / "procedures").iterdir())
    result = run("procedure", place, *words)
    assert result.exit_code == 2
    assert said in result.stderr
    assert sorted(p.name for p in (place / "procedures").iterdir()) == there


def test_where_nothing_keeps_the_promise_nothing_is_revised(place: Path):
    words = ("--revises", "1", "--reason", "x", "--approved-by", "y", "--goal", "gloss_20 at least 99")
    result = run("procedure", place, *words)
    assert result.exit_code == 3
    assert not (place / "procedures" / "SP-001.rev2.json").exists()
