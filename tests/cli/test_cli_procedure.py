"""Checks of `finishlab procedure`, `issue` and `withdraw`, typed as a person types it, on an invented bench's folder."""

import json
import shutil
from pathlib import Path

import pytest
from test_cli import answered, run, worked  # noqa: F401
from test_procedure_paper import told

from finishlab import issue_procedure, procedure_register, read_procedure

PRINTED = {"SP-001.pdf", "SP-001_card.pdf"}


@pytest.fixture(scope="module")
def drafted(answered: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:  # noqa: F811
    """Return an answered folder with a draft."""
    folder = Path(shutil.copytree(answered, tmp_path_factory.mktemp("drafted") / "place"))
    result = run("shortest", folder, "--draft")
    assert result.exit_code == 0, result.output
    return folder


@pytest.fixture
def draft(drafted: Path, tmp_path: Path) -> Path:
    """Return a copy of the folder with a draft, which a test may change."""
    return Path(shutil.copytree(drafted, tmp_path / "place"))


@pytest.fixture
def place(draft: Path) -> Path:
    """Return a folder whose draft was issued, which a test may change."""
    issue_procedure(draft / "procedures", "SP-001", by="owner")
    return draft


def names(place: Path) -> set[str]:
    return {p.name for p in (place / "procedures").iterdir()}


def status(place: Path) -> list[tuple[str, int, str]]:
    found = procedure_register(place / "procedures")
    return [(r["number"], r["revision"], r["status"].split(" on ")[0]) for r in found.rows]


def test_a_draft_is_printed_as_one_and_says_how_it_is_issued(draft: Path):
    result = run("procedure", draft)
    assert result.exit_code == 0, result.stderr
    assert result.stdout.splitlines()[0] == "No procedure is in force. 1 draft, not in force."
    assert f"finishlab issue {draft} --number SP-001 --by OWNER" in result.stdout
    page = {"SP-001.draft.html", "SP-001.draft.json"}
    assert names(draft) == page | {"SP-001.draft.pdf", "SP-001.draft_card.pdf", "register.html"}
    assert "DRAFT" in told("pdftotext", str(draft / "procedures" / "SP-001.draft.pdf"), "-")


def test_one_command_issues_the_only_draft_in_a_persons_name(draft: Path):
    run("procedure", draft)  # what was printed of the draft goes with it
    result = run("issue", draft, "--by", "owner")
    assert result.exit_code == 0, result.stderr
    assert result.stdout.startswith("Procedure SP-001, revision 1: ")
    assert names(draft) == PRINTED | {"SP-001.html", "SP-001.json", "register.html"}
    for name in names(draft):
        assert str(draft / "procedures" / name) in result.stdout
    assert status(draft) == [("SP-001", 1, "in force")]
    (row,) = procedure_register(draft / "procedures").rows
    assert row["approved_by"] == "owner"
    assert "DRAFT" not in told("pdftotext", str(draft / "procedures" / "SP-001.pdf"), "-")


@pytest.mark.parametrize(
    ("words", "said"),
    [
        ((), "Missing option '--by'"),
        (("--by", " "), "name who issues the procedure"),
        (("--by", "owner", "--number", "SP-9"), "There are drafts of SP-001."),
        (("--by", "owner", "--paper", "A3"), "paper is 'A3'; take one of a4, letter."),
    ],
)
def test_nothing_is_issued_without_a_name_or_a_draft(words: tuple[str, ...], said: str, draft: Path):
    before = names(draft)
    result = run("issue", draft, *words)
    assert result.exit_code == 2
    assert said in result.stderr
    assert names(draft) == before


def test_where_there_are_two_drafts_or_none_it_is_asked_which(draft: Path, answered: Path):  # noqa: F811
    run("shortest", draft, "--draft")
    result = run("issue", draft, "--by", "owner")
    assert result.exit_code == 2
    assert "there are 2 drafts: SP-001, SP-002. Say which with --number." in result.stderr
    result = run("issue", answered, "--by", "owner")
    assert result.exit_code == 2
    assert f"Write a draft: finishlab shortest {answered} --draft" in result.stderr


def test_a_procedure_is_withdrawn_by_name_and_what_is_printed_of_it_is_marked(place: Path):
    run("procedure", place)
    words = ("--by", "owner", "--reason", "pad no longer sold")
    result = run("withdraw", place, *words)
    assert result.exit_code == 0, result.stderr
    assert result.stdout.startswith("Withdrawn. Procedure SP-001, revision 1: ")
    assert status(place) == [("SP-001", 1, "withdrawn")]
    for name in PRINTED:
        assert "WITHDRAWN" in told("pdftotext", str(place / "procedures" / name), "-")
    before = names(place)
    assert {"SP-001.withdrawn.json", *PRINTED} <= before
    for name in before - {"SP-001.json"}:
        assert str(place / "procedures" / name) in result.stdout
    again = run("withdraw", place, *words)
    assert again.exit_code == 2
    assert "is not in force: withdrawn on" in again.stderr
    assert run("withdraw", place, "--by", "owner").exit_code == 2
    assert names(place) == before


def test_a_revision_without_a_name_is_a_draft_until_it_is_issued(place: Path):
    run("procedure", place)
    hung = (place / "procedures" / "SP-001.pdf").read_bytes()
    words = ("--revises", "1", "--reason", "a higher goal", "--goal", "gloss_20 at least 78")
    result = run("procedure", place, *words)
    assert result.exit_code == 0, result.stderr
    assert result.stdout.startswith("Draft, not in force. Procedure SP-001, revision 2: ")
    assert f"finishlab issue {place} --number SP-001 --by OWNER" in result.stdout
    assert {"SP-001.rev2.draft.html", "SP-001.rev2.draft.pdf"} <= names(place)
    assert status(place) == [("SP-001", 2, "draft"), ("SP-001", 1, "in force")]
    assert (place / "procedures" / "SP-001.pdf").read_bytes() == hung
    assert run("issue", place, "--by", "owner").exit_code == 0
    assert status(place) == [("SP-001", 2, "in force"), ("SP-001", 1, "withdrawn")]
    assert (place / "procedures" / "SP-001.pdf").read_bytes() != hung
    assert not [name for name in names(place) if "draft" in name]


def test_what_is_in_force_is_meant_where_drafts_lie_beside_it(place: Path):
    run("shortest", place, "--draft")
    result = run("procedure", place)
    assert result.exit_code == 0, result.stderr
    assert result.stdout.startswith("1 procedure in force, 1 revision in all. 1 draft, not in force.")
    assert "SP-001.pdf" in names(place)


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
        (
            ("--revises", "1", "--reason", "x", "--approved-by", "y", "--paper", "A3"),
            "paper is 'A3'; take one of",
        ),
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
