"""`finishlab plan`, `import`, `export` and `backup`: trials into the book and out of it."""

from __future__ import annotations

import datetime as dt
import tempfile
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from finishlab.cli import screen, study_folder
from finishlab.cli.dialog import Dialog
from finishlab.cli.options import Folder, Technician, whole
from finishlab.cli.study_folder import StudyFolder
from finishlab.errors import FinishlabError

if TYPE_CHECKING:
    import pandas as pd

    from finishlab.study import Study

To = Annotated[
    Path | None, typer.Option("--to", metavar="FILE", help="Where to write it.", show_default=False)
]


def plan(
    folder: Folder,
    trials: Annotated[
        int | None,
        typer.Option(parser=whole, metavar="24", help="How many trials to work.", show_default=False),
    ] = None,
    panels: Annotated[
        int | None,
        typer.Option(
            parser=whole, metavar="4", help="How many test panels to spread them over.", show_default=False
        ),
    ] = None,
    seed: Annotated[
        int | None,
        typer.Option(
            parser=whole, metavar="7", help="The same number gives the same plan; drawn when left out."
        ),
    ] = None,
    kind: Annotated[
        str,
        typer.Option(
            metavar="best",
            help='"best" tells most with few trials. Or a plan of the textbooks: "factorial", "fraction", '
            '"central composite", "box-behnken".',
            show_default=False,
        ),
    ] = "best",
    more: Annotated[
        bool, typer.Option("--more", help="Planned trials still wait: plan further ones beside them.")
    ] = False,
    instead: Annotated[
        bool,
        typer.Option(
            "--instead", help="Planned trials still wait: take them back and plan these in their place."
        ),
    ] = False,
    take_back: Annotated[
        bool, typer.Option("--take-back", help="Take back the planned trials that nobody started; plan none.")
    ] = False,
) -> None:
    """Plan trials and write their run sheets.

    Says what they will be able to see, and what they cost in hours, before any work. Trials
    that were planned or worked before are taken into account. Puts the plan into the record
    book (if the folder has no trial sheet), and writes into run_sheets/:

    \b
      round_1.xlsx          to fill in; finishlab import takes it back
      round_1.html          to print and write on
      round_1_labels.html   labels for the patches

    While planned trials still wait, say what to do with them: --more or --instead. What was
    started or done is never taken back.

    \b
    Examples:
      finishlab plan doors --trials 24 --panels 4
      finishlab plan doors --trials 16 --panels 2 --kind fraction
      finishlab plan doors --take-back

    Cautions: a plan says what to try, not that it is safe. Follow the safety data sheets, the
    coating maker's data sheet, local codes and licensed practice.
    """
    from finishlab import progress
    from finishlab.plan import foresee, plan_trials
    from finishlab.plan.classical import words_of
    from finishlab.plan.guessed_spreads import scatter_so_far

    place = StudyFolder.at(folder)
    study = place.study()
    if more + instead + take_back > 1:
        raise FinishlabError("--more, --instead and --take-back exclude each other. Give one of them.")
    if take_back:
        _take_back(place, study)
        return
    if trials is None or panels is None:
        raise FinishlabError(
            f"Say how many trials and on how many test panels: finishlab plan {screen.quoted(folder)} --trials 24 --panels 4"
        )
    before = place.trials_so_far(study)
    gone: list[int | str] = []
    waiting = _waiting(before)
    if waiting and not (more or instead):
        raise FinishlabError(
            f"{waiting}. Nothing was planned. Work them first (finishlab record {screen.quoted(folder)}); or say what to do "
            "with them: --more plans further trials beside them, --instead takes back those not started and plans "
            "these in their place."
        )
    if instead and before is not None:
        _refuse_sheet(place)
        planned = before["status"] == "planned"
        gone, before = before.loc[planned, "trial"].tolist(), before[~planned].reset_index(drop=True)
        before = before if len(before) else None
    sheet = plan_trials(study, trials=trials, panels=panels, seed=seed, existing=before, kind=kind)
    with progress.bar(1) as stage:
        stage("looking at how much panels, patches and readings scatter")
        foreseen = foresee(sheet, study, existing=before, spreads=scatter_so_far(study, before))
    cautions = dict.fromkeys([*sheet.attrs["cautions"], *foreseen.cautions])
    written = kept_round(place, study, sheet, before, instead=instead)
    console = screen.console()
    screen.say(console, planned_text(sheet))
    if gone:
        screen.listed(console, "Plan taken back", [_gone_text(gone), *_put_aside(place, study, gone)])
    screen.listed(console, f"A textbook plan ({kind})", words_of(sheet.attrs["design"]))
    screen.listed(console, "What it will see and cost", [foreseen.text(), foreseen.day.text()])
    screen.listed(console, "Cautions", [*cautions, screen.CAUTION])
    screen.listed(console, "Written", map(str, written))
    if "trial" in sheet:
        console.print()
        screen.say(console, f"Next: finishlab record {screen.quoted(folder)}")


def _waiting(before: pd.DataFrame | None) -> str:
    """Say how many planned trials wait and where; empty where none do."""
    from finishlab.words import show

    if before is None or not len(planned := before[before["status"] == "planned"]):
        return ""
    panels = list(dict.fromkeys(planned["panel"].astype(str)))
    verb = "waits" if len(planned) == 1 else "wait"
    where = f"{'panel' if len(panels) == 1 else 'panels'} {show.listed(panels)}"
    return f"{show.counted(len(planned), 'planned trial')} {verb} to be worked, on {where}"


def _refuse_sheet(place: StudyFolder) -> None:
    if (sheet := place.sheet()) is not None:
        raise FinishlabError(
            f"the trials are kept in {sheet.name}, which finishlab never changes. Delete the planned rows there."
        )


def _take_back(place: StudyFolder, study: Study) -> None:
    """Take back what is planned and not started, and say so."""
    _refuse_sheet(place)
    with place.book() as book:
        gone = book.take_back(study)
    if not gone:
        typer.echo("No planned trial waits. Nothing was taken back.")
        return
    console = screen.console()
    screen.say(console, _gone_text(gone))
    screen.listed(console, "Run sheets of the plan taken back", _put_aside(place, study, gone))


def _gone_text(gone: list[int | str]) -> str:
    from finishlab.words import show

    return f"Taken back: {show.counted(len(gone), 'planned trial')} that nobody had started. What was started or done stays."


def _put_aside(place: StudyFolder, study: Study, gone: list[int | str]) -> list[str]:
    """Rename the run sheets of trials taken back; return what became of each in words."""
    renamed, left = place.put_aside(study, gone)
    said = [f"renamed to {study_folder.RUN_SHEETS}/{name}" for name in renamed]
    return said + [
        f"{study_folder.RUN_SHEETS}/{name} also holds trials that stay. Cross out those taken back: "
        f"{', '.join(map(str, gone))}."
        for name in left
    ]


def kept_round(
    place: StudyFolder,
    study: Study,
    sheet: pd.DataFrame,
    existing: pd.DataFrame | None,
    *,
    instead: bool = False,
) -> list[Path]:
    """Put planned trials into the record book, unless a sheet holds the trials, and write their run sheets."""
    from finishlab.bench.run_sheets import write_labels, write_run_sheet

    if place.sheet() is None:
        with place.book(new=True) as book:
            sheet.insert(0, "trial", book.plan(study, sheet, instead=instead))
    name, sheets = place.next_round(), place.run_sheets()
    return [
        write_run_sheet(sheet, study, path=sheets / f"{name}.xlsx", existing=existing),
        write_run_sheet(sheet, study, path=sheets / f"{name}.html", existing=existing),
        write_labels(sheet, study, path=sheets / f"{name}_labels.html"),
    ]


def planned_text(sheet: pd.DataFrame) -> str:
    """Say what was planned and where it stands."""
    from finishlab.words import show

    many = f"{show.counted(len(sheet), 'trial')} on {show.counted(sheet['panel'].nunique(), 'panel')}"
    where = f", in the record book {study_folder.BOOK}" if "trial" in sheet else ""
    return f"Planned: {many} (seed {sheet.attrs['seed']}){where}."


def import_sheet(
    folder: Folder,
    sheet: Annotated[
        Path,
        typer.Argument(metavar="SHEET", help="A filled run sheet or a meter's export.", show_default=False),
    ],
    technician: Technician = None,
    take_right_rows: Annotated[
        bool,
        typer.Option(
            "--take-right-rows",
            help="Take the rows without a mistake and leave the others; else nothing is taken when anything is wrong.",
        ),
    ] = False,
) -> None:
    """Put the trials of a sheet (.csv, .xlsx) into the record book.

    A trial is known by its number, else by its panel and patch: a sheet sent in twice counts
    once, and what the book has is never changed. Every mistake is listed at once, by row and
    column, and nothing is taken then.

    A meter's own export is read by a column map in study.toml:

    \b
      [reading.columns]
      "Sample" = "trial"
      "Gloss 20" = "gloss_20"

    What it lacks of a planned trial, panel and settings, stands in the book.

    \b
    Example:
      finishlab import doors doors/run_sheets/round_1.xlsx --technician T1
    """
    place = StudyFolder.at(folder)
    study = place.study()
    who = technician or Dialog().ask("Who sends it in? (a number or initials)", _somebody)
    with place.book(new=True) as book, tempfile.TemporaryDirectory() as aside:
        whole = _completed(sheet, study, study_folder.trials_in(book, study), Path(aside))
        found = book.import_sheet(study, whole, technician=who, partly=take_right_rows)
    console = screen.console()
    screen.say(console, found.text)
    screen.listed(console, "Not taken", found.refused)
    screen.listed(console, "Cautions", found.cautions)


def _somebody(text: str) -> str:
    if not text:
        raise FinishlabError("Empty. Type a number or initials.")
    return text


def _completed(path: Path, study: Study, planned: pd.DataFrame | None, aside: Path) -> Path:
    """Return a sheet to import: as it is, or a meter's export with what the book knows of its trials."""
    from finishlab.records.sheets.column_map import completed
    from finishlab.records.sheets.sheet_files import read_sheet, write_trials

    table = None if planned is None else completed(read_sheet(path, study), study, planned)
    return path if table is None else write_trials(table, aside / f"{path.stem}.csv")


def export(folder: Folder, to: To = None) -> None:
    """Write all trials as a sheet, for other programs.

    As .csv or .xlsx; results/trials.csv when left out. Text that a spreadsheet could run as a
    formula is guarded, and the guard is taken off when the sheet comes back.

    \b
    Example:
      finishlab export doors --to trials_march.xlsx
    """
    from finishlab import progress
    from finishlab.records import write_trials
    from finishlab.words import show

    place = StudyFolder.at(folder)
    study = place.study()
    with progress.bar(2) as stage:
        stage("reading the trials")
        trials = place.trials(study)
        if to is None:
            place.results.mkdir(exist_ok=True)
            to = place.results / "trials.csv"
        stage(f"writing {to.name}")
        path = write_trials(trials, to)
    typer.echo(f"{show.counted(len(trials), 'trial')} written to {path}.")


def backup(folder: Folder, to: To = None) -> None:
    """Write a whole copy of the record book, also while others log.

    Its name carries the day and the time when left out. Keep copies on another disk.

    \b
    Example:
      finishlab backup doors --to /media/stick/doors_march.sqlite
    """
    place = StudyFolder.at(folder)
    if to is None:
        to = place.path / f"backup_{dt.datetime.now():%Y-%m-%d_%H%M%S}.sqlite"
    with place.book() as book:
        path = book.backup(to)
    typer.echo(f"The record book is copied to {path}. Keep a copy on another disk.")
