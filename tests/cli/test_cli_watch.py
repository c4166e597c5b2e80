"""Checks of `finishlab watch`, typed as a person types it, with jobs invented here."""

import shutil
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from test_cli import STUDY, run

import finishlab as fl


@pytest.fixture(scope="module")
def hung(model, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a study folder with a procedure on its wall."""
    folder = tmp_path_factory.mktemp("hung") / "doors"
    folder.mkdir()
    (folder / "study.toml").write_text(STUDY, encoding="utf-8")
    recipe = fl.shortest(model, goal={"gloss_20": {"at_least": 76}})
    fl.write_procedure(recipe, number="SP-001", folder=folder / "procedures")
    fl.issue_procedure(folder / "procedures", "SP-001", by="owner")
    return folder


@pytest.fixture
def place(hung: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(hung, tmp_path / "doors"))


def steady(n: int = 24) -> np.ndarray:
    return 80 + np.random.default_rng(5).normal(0, 0.6, n)


def test_steady_jobs_go_on_and_the_answer_is_kept(place: Path):
    table = pd.DataFrame({"job": range(24), "gloss_20": steady()})
    table.to_csv(place / "jobs.csv", index=False)
    result = run("watch", place, place / "jobs.csv")
    assert result.exit_code == 0, result.stderr
    recipe = fl.read_procedure(place / "procedures", "SP-001")
    said = fl.watch_jobs(recipe, table).text()
    assert result.stdout.splitlines()[0] == said
    assert "24 of 24 jobs met the goal" in said
    kept = place / "results"
    assert sorted(p.name for p in kept.iterdir()) == ["watch.csv", "watch.svg", "watch.txt"]
    assert "24 of 24 jobs met the goal" in " ".join((kept / "watch.txt").read_text(encoding="utf-8").split())
    assert len(pd.read_csv(kept / "watch.csv")) == 24


def test_jobs_held_against_a_draft_or_what_was_withdrawn_are_told_so(place: Path):
    recipe = fl.read_procedure(place / "procedures", "SP-001")
    fl.write_procedure(recipe, number="SP-002", folder=place / "procedures")
    pd.DataFrame({"gloss_20": steady()}).to_csv(place / "jobs.csv", index=False)
    # The only one in force is meant where none is named.
    assert "not in force" not in run("watch", place, place / "jobs.csv").stdout
    result = run("watch", place, place / "jobs.csv", "--number", "SP-002")
    assert result.exit_code == 0, result.stderr
    assert result.stdout.splitlines()[0] == fl.watch_jobs(recipe, pd.read_csv(place / "jobs.csv")).text()
    assert "SP-002 is a draft and not in force." in result.stdout
    assert "SP-002 is a draft" in (place / "results" / "watch.txt").read_text(encoding="utf-8")
    fl.withdraw_procedure(place / "procedures", "SP-001", by="owner", reason="pad no longer sold")
    result = run("watch", place, place / "jobs.csv", "--number", "SP-001")
    assert "SP-001 was withdrawn and is not in force." in result.stdout


def test_a_change_asks_for_a_new_study_and_is_named_with_its_date(place: Path):
    pd.DataFrame({"gloss_20": steady(8)}).to_csv(place / "jobs.csv", index=False)
    result = run("watch", place, place / "jobs.csv", "--change", "2031-03-02 new drum of compound")
    assert result.exit_code == 0, result.stderr
    assert "Study again" in result.stdout
    assert "Since 2031-03-02: new drum of compound" in result.stdout
    assert "Without trials to work next" in result.stdout
    assert "there is no trial sheet" in " ".join(result.stdout.split())


def test_a_change_is_kept_and_counts_again_without_being_typed_again(place: Path):
    pd.DataFrame({"gloss_20": steady(8)}).to_csv(place / "jobs.csv", index=False)
    run("watch", place, place / "jobs.csv", "--change", "2031-03-02 new drum, blue label")
    run("watch", place, place / "jobs.csv", "--change", "2031-04-01 meter mended")
    kept = (place / "changes.csv").read_text(encoding="utf-8")
    assert kept == 'date,what\n2031-03-02,"new drum, blue label"\n2031-04-01,meter mended\n'
    said = run("watch", place, place / "jobs.csv").stdout
    assert "Since 2031-03-02: new drum, blue label" in said
    assert "Since 2031-04-01: meter mended" in said
    # What changed before the last trial is in the trials.
    (place / "changes.csv").write_text("date,what\n2001-01-01,new pads\n", encoding="utf-8")
    assert "new pads" not in run("watch", place, place / "jobs.csv").stdout
    (place / "changes.csv").write_text("date,what\nspring,new pads\n", encoding="utf-8")
    result = run("watch", place, place / "jobs.csv")
    assert result.exit_code == 2
    assert "changes.csv is 'spring new pads'; write its date" in result.stderr


def test_a_review_that_is_due_asks_for_a_new_study_with_the_trials_to_begin_with(place: Path, model, trials):
    (place / "procedures" / "shop.toml").write_text("review_months = 1\n", encoding="utf-8")
    recipe = fl.read_procedure(place / "procedures", "SP-001")
    signed = {"number": "SP-002", "folder": place / "procedures"}
    # The practice bench dates its trials 2 March 2026.
    fl.write_procedure(recipe, date="2026-07-31", **signed)
    fl.issue_procedure(signed["folder"], "SP-002", by="owner", date="2026-07-31")
    pd.DataFrame({"gloss_20": steady(8)}).to_csv(place / "jobs.csv", index=False)
    (place / "study.toml").write_text(model.study.source, encoding="utf-8")
    fl.write_trials(trials, place / "trials.csv")
    result = run("watch", place, place / "jobs.csv", "--number", "SP-002")
    assert result.exit_code == 0, result.stderr
    said = " ".join(result.stdout.split())
    assert "Since 2026-08-31: the review is due" in said
    assert "Study again" in said
    assert "Work these 4 trials next:" in said
    # The other procedure has no review date.
    assert "review is due" not in run("watch", place, place / "jobs.csv", "--number", "SP-001").stdout


def test_a_workbook_and_a_sheet_with_decimal_commas_are_read_alike(place: Path):
    table = pd.DataFrame({"gloss_20": steady(6).round(1)})
    table.to_excel(place / "jobs.xlsx", index=False)
    table.assign(job=[f"J{i}" for i in range(6)]).to_csv(
        place / "jobs.csv", index=False, sep=";", decimal=","
    )
    first = [run("watch", place, place / name).stdout.splitlines()[0] for name in ("jobs.xlsx", "jobs.csv")]
    assert first[0] == first[1]
    assert "6 of 6 jobs" in first[0]


@pytest.mark.parametrize(
    ("text", "words", "said"),
    [
        ("gloss\n80\n", (), "column 'gloss_20' is missing. Columns: gloss."),
        ("job,gloss_20\nA,80\nB,dull\n", (), "gloss_20 holds no number in rows 3."),
        ("gloss_20\n80\n", ("--change", "new drum"), "write its date and what changed"),
        ("gloss_20\n80\n", ("--number", "SP-9"), "There are SP-001."),
        (None, (), "there is no file jobs.csv"),
    ],
)
def test_a_mistake_is_answered_in_words_and_nothing_is_written(
    text: str | None, words: tuple[str, ...], said: str, place: Path
):
    if text is not None:
        (place / "jobs.csv").write_text(text, encoding="utf-8")
    result = run("watch", place, place / "jobs.csv", *words)
    assert result.exit_code == 2
    assert said in result.stderr
    assert not (place / "results").exists()
