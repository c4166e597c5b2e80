"""`finishlab check` and `finishlab shortest`: what is there, and the answer."""

from __future__ import annotations

import io
import tempfile
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from finishlab import study_folder
from finishlab.cli import screen
from finishlab.cli.documents import mid_job_card
from finishlab.cli.options import CANNOT_TELL, Assurance, Folder, Goal, asked
from finishlab.study_folder import StudyFolder

if TYPE_CHECKING:
    import pandas as pd
    from rich.console import Console

    from finishlab.model import FinishModel
    from finishlab.procedure.write import Procedure
    from finishlab.solve import Recipe
    from finishlab.solve.bench_card import Checkpoints
    from finishlab.study import Study


def check(folder: Folder) -> None:
    """Check a study folder and say what is there.

    Every mistake of the study file, or else of the trials, is listed at once.

    \b
    Example:
      finishlab check demo
    """
    place = StudyFolder.at(folder)
    study = place.study()
    trials = place.trials_so_far(study)
    console = screen.console()
    for line in _contents(study, trials, place.has_book()):
        screen.say(console, line)
    found = () if trials is None else trials.attrs.get("cautions", ())
    screen.listed(console, "Cautions", dict.fromkeys([*study.cautions, *found]))


def shortest(
    folder: Folder,
    goal: Goal = None,
    assurance: Assurance = None,
    number: Annotated[
        str | None,
        typer.Option(
            metavar="SP-001", help="Number of the procedure to write; the next free one if left out."
        ),
    ] = None,
) -> None:
    """Find the shortest process; write its procedure.

    The next job must meet the goal as surely as asked. Prints the answer, and writes into
    the folder:

    \b
      results/answer.txt        this answer, and how well the model held
      results/considered.csv    the processes that were considered
      results/considered.svg    the same as a figure, and as considered.png
      results/checks.csv        each trial beside what the others say of it
      procedures/SP-001.html    the procedure to print, and its facts as .json

    Results replace the older ones; a procedure never does. When nothing studied keeps the
    promise, no procedure is written: the answer says what comes closest and what would
    settle it, and the exit code is 3.

    \b
    Examples:
      finishlab shortest demo
      finishlab shortest demo --goal "gloss_20 at least 84" --goal "haze at most 18"
      finishlab shortest demo --assurance 0.95 --number SP-014

    Cautions: no process is called safe here. Follow the safety data sheets, the coating
    maker's data sheet, local codes and licensed practice.
    """
    from finishlab import _progress

    place = StudyFolder.at(folder)
    study = place.study()
    question = asked(study, goal, assurance)
    with _progress.bar(5) as stage:
        stage("reading the trials")
        trials = place.trials(study)
        recipe, model = _solve(study, trials, question, stage)
        stage("what to do at which reading")
        card = mid_job_card(model, recipe)[0] if recipe.found else None
        stage("writing")
        files = _result_files(recipe, model)
        with place.replacing(files) as written:
            procedure = _procedure(recipe, place, number, card)
    console = screen.console()
    _answer(console, recipe)
    if procedure is not None:
        written += [procedure.path, procedure.path.with_suffix(".json")]
    screen.listed(console, "Written", map(str, written))
    if not recipe.found:
        raise typer.Exit(CANNOT_TELL)


# --- the main job ------------------------------------------------------------------------


def _solve(
    study: Study, trials: pd.DataFrame, question: dict[str, Any], stage: Any
) -> tuple[Recipe, FinishModel]:
    from finishlab.model import fit
    from finishlab.solve import shortest as find

    stage("fitting the trials")
    model = fit(study, trials)
    stage("looking for the shortest process")
    return find(model, **question), model


def _procedure(
    recipe: Recipe, place: StudyFolder, number: str | None, card: Checkpoints | None
) -> Procedure | None:
    from finishlab.procedure import write_procedure

    if not recipe.found:
        return None
    return write_procedure(
        recipe, number=number or place.next_number(), folder=place.procedures, checkpoints=card
    )


def _result_files(recipe: Recipe, model: FinishModel) -> dict[str, bytes]:
    """Return the files of an answer, whole, by name."""
    from finishlab import plots
    from finishlab.records.csv_file import csv_bytes

    table = recipe.table()
    figure = plots.recipe(table, wanted=recipe.wanted, ax=plots.blank(8.2, 4.6))
    with tempfile.TemporaryDirectory() as aside:
        png = plots.save(figure, Path(aside, "considered.png")).read_bytes()
    page = io.StringIO()
    console = screen.console(page)
    _answer(console, recipe)
    screen.listed(console, "How the model held", model.checks)
    screen.listed(
        console, "From", [f"trials with the fingerprint {recipe.evidence['fingerprint']} (SHA-256)"]
    )
    return {
        "answer.txt": page.getvalue().encode(),
        "considered.csv": csv_bytes(table),
        "considered.svg": plots.svg(figure).encode(),
        "considered.png": png,
        "checks.csv": csv_bytes(model.table()),
    }


# --- what a person reads -----------------------------------------------------------------


def _answer(console: Console, recipe: Recipe) -> None:
    """Print the sentence, the processes that were considered, and what deserves care."""
    from rich import box
    from rich.table import Table

    from finishlab._show import cell, label

    screen.say(console, recipe.text())
    console.print()
    table = recipe.table()
    shown = {"role": 8, "process": None, "minutes": 9, "assurance": 15}
    if not table["keeps_limits"].all():
        shown["keeps_limits"] = 8
    page = Table(box=box.SIMPLE_HEAD, show_edge=False, pad_edge=False)
    for name, width in shown.items():
        right = name in ("minutes", "assurance")
        page.add_column(label(name), justify="right" if right else "left", max_width=width)
    for row in table[list(shown)].to_dict("records"):
        page.add_row(*(cell(str(name), value) for name, value in row.items()))
    console.print(page)
    screen.listed(console, "Cautions", [*recipe.cautions, screen.CAUTION])


def _contents(study: Study, trials: pd.DataFrame | None, book: bool) -> list[str]:
    """Say what a study folder holds, one sentence a line."""
    from finishlab import _show

    goal = _show.listed(c.text(name) for name, c in study.goal.items())
    lines = [
        f"{study.title}: {goal}, with {_show.asked_percent(study.assurance)} assurance.",
        f"{study.basis.size:,} processes of {len(study.factors)} factors:",
        *(f"  {f.label()}: {_show.levels_text(f)}" for f in study.factors),
    ]
    if trials is None:
        how = (
            "Plan them: finishlab plan"
            if book
            else f"Log them in {' or '.join(study_folder.SHEETS)}, one row a trial"
        )
        return [*lines, f"No trials yet. {how}."]
    told = [f"{n} {status}" for status, n in trials["status"].value_counts().items()]
    burned = int(trials["burned_after_step"].notna().sum()) if "burned_after_step" in trials else 0
    if burned:
        told.append(f"{burned} burned through")
    panels = trials["panel"].nunique()
    return [*lines, f"{len(trials)} trials on {panels} panel{'s' if panels != 1 else ''}: {', '.join(told)}."]
