"""`finishlab procedure`: revise, print and list the procedures of a study folder."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from finishlab.cli import screen
from finishlab.cli.options import CANNOT_TELL, Assurance, Folder, Goal, asked, whole
from finishlab.errors import ProcedureError
from finishlab.study_folder import StudyFolder

if TYPE_CHECKING:
    from finishlab.model import FinishModel
    from finishlab.procedure import Procedure
    from finishlab.solve import Recipe
    from finishlab.solve.bench_card import Checkpoints
    from finishlab.study import Study


def procedure(
    folder: Folder,
    number: Annotated[
        str | None,
        typer.Option(metavar="SP-001", help="The procedure; the only one there is, if left out."),
    ] = None,
    revises: Annotated[
        int | None,
        typer.Option(
            parser=whole,
            metavar="1",
            help="Write the next revision, made from this one, with the trials as they are now.",
            show_default=False,
        ),
    ] = None,
    reason: Annotated[str, typer.Option(metavar='"new lot"', help="Why it is revised.")] = "",
    approved_by: Annotated[
        str, typer.Option("--approved-by", metavar="OWNER", help="Who approved the revision.")
    ] = "",
    goal: Goal = None,
    assurance: Assurance = None,
    paper: Annotated[str, typer.Option(metavar="a4", help="Paper of the PDFs: a4 or letter.")] = "a4",
) -> None:
    """Print a procedure, revise it, and list them all.

    Writes into procedures/ in the folder:

    \b
      SP-001.pdf            the procedure in force, to print
      SP-001_card.pdf       one page in big type for the bench
      register.html         every revision, and what is in force

    The shop's name, logo, headings, added rules and filled-in lines come from
    procedures/shop.toml where it is there; README shows one.

    With --revises the shortest process is found anew from the trials as they are now, with
    what to do at which reading in the middle of a job, and written as the next revision; the
    one before is marked as withdrawn and never overwritten. Says what somebody changed by
    hand. Exit code 3 where no process can be named: then nothing is revised.

    \b
    Examples:
      finishlab procedure demo
      finishlab procedure demo --revises 1 --reason "new lot of compound" --approved-by owner

    Cautions: a procedure judges the finish, not the hazards of the work. It stands below the
    safety data sheets, the coating maker's data sheet, local codes and licensed practice.
    """
    from finishlab.procedure import print_procedure, procedure_register

    place = StudyFolder.at(folder)
    console = screen.console()
    named = named_or_only(place, number)
    written: list[Path] = []
    if revises is None:
        _refuse_unasked(reason, approved_by, goal, assurance)
    else:
        study = place.study()
        question = asked(study, goal, assurance)
        signed = {"revises": revises, "reason": reason, "approved_by": approved_by}
        made, without = _revised(place, study, question, named, signed)
        if isinstance(made, str):
            screen.say(console, made)
            raise typer.Exit(CANNOT_TELL)
        screen.say(console, made.text())
        w = [f"{what}: {before} before, now {now}" for what, before, now in made.facts["changes"]]
        screen.listed(console, "What changed", w or ["nothing but its date and what it rests on"])
        screen.listed(console, "Without a table for the middle of a job", without)
        written += [made.path, made.path.with_suffix(".json")]
    for document, name in (("procedure", f"{named}.pdf"), ("bench card", f"{named}_card.pdf")):
        written.append(
            print_procedure(
                place.procedures,
                named,
                path=place.procedures / name,
                document=document,  # type: ignore[arg-type]
                paper=paper,  # type: ignore[arg-type]
            )
        )
    register = procedure_register(place.procedures)
    if revises is None:
        screen.say(console, register.text())
    else:
        screen.listed(console, "Found in the register", register.cautions)
    screen.listed(console, "Written", map(str, [*written, register.path]))
    screen.listed(console, "Cautions", [screen.CAUTION])


def named_or_only(place: StudyFolder, number: str | None) -> str:
    """Return the number given, or that of the only procedure there is; or raise naming those there are."""
    from finishlab.procedure.read import kept_files

    if number:
        return number
    there = list(kept_files(place.procedures))
    if len(there) == 1:
        return there[0]
    if not there:
        raise ProcedureError(
            f"there is no procedure in {place.procedures} yet. Write one: finishlab shortest {screen.quoted(place.path)}"
        )
    raise ProcedureError(f"there are {len(there)} procedures: {', '.join(there)}. Say which with --number.")


def _refuse_unasked(reason: str, approved_by: str, goal: Any, assurance: Any) -> None:
    """Refuse what only a revision takes, so that nobody believes to have revised."""
    given = {"--reason": reason, "--approved-by": approved_by, "--goal": goal, "--assurance": assurance}
    if named := [name for name, value in given.items() if value]:
        raise ProcedureError(
            f"{' and '.join(named)} given without --revises, so nothing would be revised. Add --revises with the revision this one is made from."
        )


def _revised(
    place: StudyFolder, study: Study, question: dict[str, Any], number: str, signed: dict[str, Any]
) -> tuple[Procedure | str, list[str]]:
    """Find the shortest process anew and write the revision; the answer in words where there is none.

    Beside it why the page has no table for the middle of a job, where it has none.
    """
    from finishlab import _progress
    from finishlab.model import fit
    from finishlab.procedure import revise_procedure
    from finishlab.solve import shortest

    with _progress.bar(4) as stage:
        stage("reading the trials")
        trials = place.trials(study)
        stage("fitting and looking for the shortest process")
        model = fit(study, trials)
        recipe = shortest(model, **question)
        if not recipe.found:
            return recipe.text(), []
        stage("what to do at which reading")
        card, without = mid_job_card(model, recipe)
        stage("writing")
        made = revise_procedure(recipe, number=number, folder=place.procedures, checkpoints=card, **signed)
    return made, without


def mid_job_card(model: FinishModel, recipe: Recipe) -> tuple[Checkpoints | None, list[str]]:
    """Return what to do at which reading in the middle of a job; or why this model or goal cannot be asked that."""
    from finishlab.errors import ModelError
    from finishlab.solve import checkpoints

    try:
        return checkpoints(model, recipe), []
    except ModelError as error:
        return None, [str(error)]
