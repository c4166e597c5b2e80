"""`finishlab check` and `finishlab shortest`: what is there, and the answer."""

from __future__ import annotations

import io
import tempfile
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from finishlab.cli import screen, study_folder
from finishlab.cli.options import CANNOT_TELL, Assurance, Folder, Goal, asked
from finishlab.cli.procedure_command import mid_job_card, to_issue
from finishlab.cli.study_folder import StudyFolder, keep_name
from finishlab.errors import ProcedureError

if TYPE_CHECKING:
    import pandas as pd
    from rich.console import Console

    from finishlab.model import FinishModel
    from finishlab.procedure.procedure_files import Procedure
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
    keep: Annotated[
        str | None,
        typer.Option(metavar="NAME", help="Keep this answer in results/NAME, beside the study's own."),
    ] = None,
    draft: Annotated[
        bool, typer.Option("--draft", help="Write a draft of the procedure, which is not in force.")
    ] = False,
    number: Annotated[
        str | None,
        typer.Option(metavar="SP-001", help="Number of the draft; the next free one if left out."),
    ] = None,
) -> None:
    """Find the shortest process that keeps the promise.

    The next job must meet the goal as surely as asked. Prints the answer. The answer to the
    study's own question is kept in the folder and replaces the older one:

    \b
      results/answer.txt        this answer, and how well the model held
      results/considered.csv    the processes that were considered
      results/considered.svg    the same as a figure, and as considered.png
      results/checks.csv        each trial beside what the others say of it

    A question with another goal or assurance writes nothing, unless you ask for it with
    --keep. No answer puts a procedure in force: --draft writes a draft into procedures/, and
    finishlab issue puts it in force in somebody's name. When nothing studied keeps the
    promise there is no draft: the answer says what comes closest and what would settle it,
    and the exit code is 3.

    \b
    Examples:
      finishlab shortest demo
      finishlab shortest demo --draft
      finishlab shortest demo --goal "gloss_20 at least 84" --goal "haze at most 18"
      finishlab shortest demo --assurance 0.95 --keep surer

    Cautions: no process is called safe here. Follow the safety data sheets, the coating
    maker's data sheet, local codes and licensed practice.
    """
    from finishlab import progress

    place = StudyFolder.at(folder)
    _refuse_undrafted(number, draft)
    study = place.study()
    question = asked(study, goal, assurance)
    # Another question than the study's own does not take the place of its answer.
    own = question == asked(study, None, None)
    kept_in = place.results / keep_name(keep) if keep is not None else place.results if own else None
    with progress.bar(5) as stage:
        stage("reading the trials")
        trials = place.trials(study)
        recipe, model = _solve(study, trials, question, stage)
        stage("what to do at which reading")
        card = mid_job_card(model, recipe)[0] if draft and recipe.found else None
        stage("writing")
        files = _result_files(recipe, model) if kept_in else {}
        with place.replacing(files, kept_in) as written:
            drafted = _draft(recipe, place, number, card) if draft and recipe.found else None
    console = screen.console()
    _answer(console, recipe)
    if drafted is not None:
        written += [drafted.path, drafted.path.with_suffix(".json")]
    screen.listed(console, "Written", map(str, written))
    screen.listed(console, "Next", _next(place, recipe, drafted, bool(kept_in)))
    if not recipe.found:
        raise typer.Exit(CANNOT_TELL)


def _next(place: StudyFolder, recipe: Recipe, drafted: Procedure | None, kept: bool) -> list[str]:
    """Say what to type for what this answer did not write."""
    lines = []
    if not kept:
        lines.append(
            "This answer was not kept: it is to another question than the study's own, whose answer stays as it was. "
            "To keep this one beside it add --keep NAME."
        )
    if drafted is not None:
        lines.append(to_issue(place, drafted.number))
    elif recipe.found:
        lines.append("No procedure was written. For a draft of one add --draft.")
    return lines


def _refuse_undrafted(number: str | None, draft: bool) -> None:
    """Refuse a number where nothing would get it, so that nobody believes to have a procedure."""
    if number is not None and not draft:
        raise ProcedureError(
            f"--number {number} given without --draft, so no procedure would be written. Add --draft, or leave the number out."
        )


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


def _draft(recipe: Recipe, place: StudyFolder, number: str | None, card: Checkpoints | None) -> Procedure:
    from finishlab.procedure import write_procedure

    return write_procedure(
        recipe, number=number or place.next_number(), folder=place.procedures, checkpoints=card
    )


def _result_files(recipe: Recipe, model: FinishModel) -> dict[str, bytes]:
    """Return the files of an answer, whole, by name."""
    from finishlab.figures import answer_figures
    from finishlab.records.sheets.csv_file import csv_bytes

    table = recipe.table()
    figure = answer_figures.recipe(table, wanted=recipe.wanted, ax=answer_figures.blank(8.2, 4.6))
    with tempfile.TemporaryDirectory() as aside:
        png = answer_figures.save(figure, Path(aside, "considered.png")).read_bytes()
    page = io.StringIO()
    console = screen.console(page)
    _answer(console, recipe)
    screen.listed(console, "How the model held", model.checks)
    screen.listed(console, "From", [f"trials with the fingerprint {recipe.evidence.fingerprint} (SHA-256)"])
    return {
        "answer.txt": page.getvalue().encode(),
        "considered.csv": csv_bytes(table),
        "considered.svg": answer_figures.svg(figure).encode(),
        "considered.png": png,
        "checks.csv": csv_bytes(model.table()),
    }


# --- what a person reads -----------------------------------------------------------------


def _answer(console: Console, recipe: Recipe) -> None:
    """Print the sentence, the processes that were considered, and what deserves care."""
    from rich import box
    from rich.table import Table

    from finishlab.words.show import cell, label

    screen.say(console, recipe.text())
    console.print()
    table = recipe.table()
    shown = {"role": 8, "process": None, "job_minutes": 9, "minutes": 9, "assurance": 15}
    if (table["job_minutes"] - table["minutes"]).abs().max() < 1e-9:
        del shown["job_minutes"]  # the job takes what its one section takes
    if not table["keeps_limits"].all():
        shown["keeps_limits"] = 8
    page = Table(box=box.SIMPLE_HEAD, show_edge=False, pad_edge=False)
    for name, width in shown.items():
        right = name in ("job_minutes", "minutes", "assurance")
        page.add_column(label(name), justify="right" if right else "left", max_width=width)
    for row in table[list(shown)].to_dict("records"):
        page.add_row(*(cell(str(name), value) for name, value in row.items()))
    console.print(page)
    screen.listed(console, "Cautions", [*recipe.cautions, screen.CAUTION])


def _contents(study: Study, trials: pd.DataFrame | None, book: bool) -> list[str]:
    """Say what a study folder holds, one sentence a line."""
    from finishlab.words import show

    goal = show.listed(c.text(name) for name, c in study.goal.items())
    lines = [
        f"{study.title}: {goal}, with {show.asked_percent(study.assurance)} assurance.",
        f"{study.basis.size:,} processes of {len(study.factors)} factors:",
        *(f"  {f.label()}: {show.levels_text(f)}" for f in study.factors),
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
