"""`finishlab watch`: later jobs held against the procedure they were worked by."""

from __future__ import annotations

import io
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from finishlab.cli import screen
from finishlab.cli.documents import named_or_only
from finishlab.cli.options import Folder
from finishlab.errors import RecordsError
from finishlab.study_folder import StudyFolder

if TYPE_CHECKING:
    import pandas as pd
    from rich.console import Console

    from finishlab.monitor import Watch
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
    where every section must meet the goal. Says whether to continue, to look, or to study
    again, and writes into results/:

    \b
      watch.txt    the answer
      watch.csv    each job, whether it met the goal, and what stands out
      watch.svg    the chart

    A change (a new lot, a mended meter, another season, the review date) asks for a new study.

    \b
    Examples:
      finishlab watch doors jobs.csv
      finishlab watch doors jobs.csv --change "2026-03-02 new drum of compound"

    Cautions: a procedure that holds is not a safe one. Follow the safety data sheets, the
    coating maker's data sheet, local codes and licensed practice.
    """
    from finishlab.monitor import watch_jobs
    from finishlab.procedure import read_procedure

    place = StudyFolder.at(folder)
    changes = _changes(change or [])
    recipe = read_procedure(place.procedures, named_or_only(place, number))
    found = watch_jobs(recipe, _table(jobs, recipe.study), changes=changes)
    with place.replacing(_files(found)) as written:
        pass
    console = screen.console()
    _said(console, found)
    screen.listed(console, "Written", map(str, written))


def _said(console: Console, found: Watch) -> None:
    screen.say(console, found.text())
    screen.listed(console, "Cautions", [*found.cautions, screen.CAUTION])


def _files(found: Watch) -> dict[str, bytes]:
    """Return the files of an answer, whole, by name."""
    from finishlab import plots
    from finishlab.records.csv_file import csv_bytes

    page = io.StringIO()
    _said(screen.console(page), found)
    figure = found.plot(ax=plots.blank(8.2, 4.6))
    return {
        "watch.txt": page.getvalue().encode(),
        "watch.csv": csv_bytes(found.table()),
        "watch.svg": plots.svg(figure).encode(),
    }


def _changes(given: list[str]) -> list[tuple[str, str]]:
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
                f'--change is {text!r}; write its date and what changed, as "2026-03-02 new drum of compound".'
            )
    if mistakes:
        raise RecordsError(mistakes)
    return changes


def _table(path: Path, study: Study) -> pd.DataFrame:
    """Return a sheet of jobs; its rows are called as a spreadsheet calls them."""
    import pandas as pd

    from finishlab.records.files import read_sheet

    sheet = read_sheet(path, study)
    told = [*sheet.mistakes, *(f"row {sheet.rows[i]}: {m}" for i, m in sheet.row_mistakes.items())]
    if told:
        raise RecordsError(told)
    table = pd.DataFrame(sheet.cells, index=sheet.rows)
    # Where semicolons part the cells, a comma stands before the decimals.
    return (
        table.map(lambda c: c.replace(",", ".") if isinstance(c, str) else c) if sheet.semicolons else table
    )
