"""`finishlab watch`: later jobs held against the procedure they were worked by."""

from __future__ import annotations

import io
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from finishlab.cli import screen
from finishlab.cli.options import Folder
from finishlab.cli.procedure_command import named_or_only
from finishlab.cli.study_folder import CHANGES, RENAMED, StudyFolder
from finishlab.errors import FinishlabError, RecordsError

if TYPE_CHECKING:
    import pandas as pd
    from rich.console import Console

    from finishlab.jobs.monitor import Watch
    from finishlab.model import FinishModel
    from finishlab.study import Study


def watch(
    folder: Folder,
    jobs: Annotated[
        Path,
        typer.Argument(metavar="JOBS.csv", help="One row a job, in the order of work.", show_default=False),
    ],
    number: Annotated[
        str | None,
        typer.Option(metavar="SP-001", help="The procedure; the only one there is, if left out."),
    ] = None,
    change: Annotated[
        list[str] | None,
        typer.Option(
            metavar='"2026-03-02 new drum"',
            help="What changed since the study, after its date. Give it again for each further change.",
        ),
    ] = None,
) -> None:
    """Hold later jobs against a procedure's promise.

    The sheet, CSV or XLSX, has a row for each job and a column for each reading of the goal,
    as gloss_20; also job, date, removed_um or film_left_um where known, and worst_gloss_20
    where only the worst section is known beside the mean; or a column for each section, as
    gloss_20_1, gloss_20_2. Says whether to continue, to look, or to study again and with
    which trials, and writes into the folder:

    \b
      results/watch.txt    the answer
      results/watch.csv    each job, whether it met the goal, and what stands out
      results/watch.svg    the chart
      changes.csv          every change ever given, with its date

    A change after the last trial (a new lot, a mended meter, another season) asks for a new
    study, and so does the procedure's review date once it has come.

    \b
    Examples:
      finishlab watch doors jobs.csv
      finishlab watch doors jobs.csv --change "2026-03-02 new drum of compound"

    Cautions: a procedure that holds is not a safe one. Follow the safety data sheets, the
    coating maker's data sheet, local codes and licensed practice.
    """
    from finishlab.jobs.monitor import watch_jobs
    from finishlab.procedure import read_procedure
    from finishlab.records.sheets.sheet_files import write_whole

    place = StudyFolder.at(folder)
    named = named_or_only(place, number)
    recipe = read_procedure(place.procedures, named)
    kept = _with(kept_changes(place), _changes(change or []))
    since = [*(c for c in kept if not c[1].startswith(RENAMED)), *_review(place, named)]
    table = _table(jobs, recipe.study)
    found = watch_jobs(recipe, table, changes=since)
    without = []
    if found.verdict == "study again":
        try:
            found = watch_jobs(recipe, table, changes=since, model=_model(place))
        except FinishlabError as error:  # the answer on the jobs stands all the same
            without = [str(error)]
    standing = _standing(place, named)
    with place.replacing(_files(found, standing)) as written:
        if change:
            write_whole(place.path / CHANGES, changes_file(kept))
            written.append(place.path / CHANGES)
    console = screen.console()
    _said(console, found, standing)
    screen.listed(console, "Without trials to work next", without)
    screen.listed(console, "Written", map(str, written))


def _model(place: StudyFolder) -> FinishModel:
    """Return the model of the folder's trials, for what to work next."""
    from finishlab import progress
    from finishlab.model import fit

    study = place.study()
    trials = place.trials(study)
    with progress.bar(1) as stage:
        stage("looking for the trials to work next")
        return fit(study, trials)


def _standing(place: StudyFolder, number: str) -> list[str]:
    """Say where a procedure is not in force, nothing where it is."""
    from finishlab.procedure.states import statuses

    said = {"draft": "is a draft and not in force", "withdrawn": "was withdrawn and is not in force"}
    status = statuses(place.procedures)[number]
    return [f"{number} {said[status]}."] if status in said else []


def _review(place: StudyFolder, number: str) -> list[tuple[str, str]]:
    """Return the procedure's review date as a change, once it has come."""
    import datetime as dt

    from finishlab.procedure.kept_procedure import kept_file, revision_path

    facts = kept_file(revision_path(place.procedures, number, None)[0])["facts"]
    due = facts.get("next_review", "")
    return [(due, "the review is due")] if due and due <= dt.date.today().isoformat() else []


def kept_changes(place: StudyFolder) -> list[tuple[str, str]]:
    """Return the changes kept in the folder; or raise with every line that has no date."""
    import csv

    path = place.path / CHANGES
    if not path.exists():
        return []
    with path.open(encoding="utf-8-sig", newline="") as file:
        lines = [" ".join(cell.strip() for cell in line) for line in csv.reader(file)]
    return _changes([line for line in lines[1:] if line.strip()], where=CHANGES)


def _with(kept: list[tuple[str, str]], new: list[tuple[str, str]]) -> list[tuple[str, str]]:
    return sorted(dict.fromkeys([*kept, *new]))


def changes_file(changes: list[tuple[str, str]]) -> bytes:
    import csv

    page = io.StringIO()
    csv.writer(page, lineterminator="\n").writerows([("date", "what"), *changes])
    return page.getvalue().encode("utf-8")


def _said(console: Console, found: Watch, standing: list[str]) -> None:
    screen.say(console, found.text())
    screen.listed(console, "Cautions", [*standing, *found.cautions, screen.CAUTION])


def _files(found: Watch, standing: list[str]) -> dict[str, bytes]:
    """Return the files of an answer, whole, by name."""
    from finishlab.figures import answer_figures
    from finishlab.records.sheets.csv_file import csv_bytes

    page = io.StringIO()
    _said(screen.console(page), found, standing)
    figure = found.plot(ax=answer_figures.blank(8.2, 4.6))
    return {
        "watch.txt": page.getvalue().encode(),
        "watch.csv": csv_bytes(found.table()),
        "watch.svg": answer_figures.svg(figure).encode(),
    }


def _changes(given: list[str], where: str = "--change") -> list[tuple[str, str]]:
    """Return each change as its date and what it was; or raise with every one that has no date."""
    import datetime as dt

    mistakes, changes = [], []
    for text in given:
        day, _, what = text.strip().partition(" ")
        try:
            changes.append((dt.date.fromisoformat(day).isoformat(), what.strip()))
        except ValueError:
            what = ""
        if not what.strip():
            mistakes.append(
                f'{where} is {text!r}; write its date and what changed, as "2026-03-02 new drum of compound".'
            )
    if mistakes:
        raise RecordsError(mistakes)
    return changes


def _table(path: Path, study: Study) -> pd.DataFrame:
    """Return a sheet of jobs; its rows are called as a spreadsheet calls them."""
    import pandas as pd

    from finishlab.records.sheets.sheet_files import read_sheet

    sheet = read_sheet(path, study)
    told = [*sheet.mistakes, *(f"row {sheet.rows[i]}: {m}" for i, m in sheet.row_mistakes.items())]
    if told:
        raise RecordsError(told)
    table = pd.DataFrame(sheet.cells, index=sheet.rows)
    # Where semicolons part the cells, a comma stands before the decimals.
    return (
        table.map(lambda c: c.replace(",", ".") if isinstance(c, str) else c) if sheet.semicolons else table
    )
