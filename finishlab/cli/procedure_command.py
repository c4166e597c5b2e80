"""`finishlab procedure`, `issue` and `withdraw`: what a study folder's procedures are, and who puts them in force."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from finishlab.cli import screen
from finishlab.cli.options import CANNOT_TELL, Assurance, Folder, Goal, asked, whole
from finishlab.cli.study_folder import StudyFolder
from finishlab.errors import ProcedureError

if TYPE_CHECKING:
    from rich.console import Console

    from finishlab.model import FinishModel
    from finishlab.procedure import Procedure
    from finishlab.solve import Recipe
    from finishlab.solve.bench_card import Checkpoints
    from finishlab.study import Study

Number = Annotated[
    str | None,
    typer.Option(
        metavar="SP-001",
        help="The procedure; if left out, the only one in force, or else the only one there is.",
    ),
]
Paper = Annotated[str, typer.Option(metavar="a4", help="Paper of the PDFs: a4 or letter.")]
#: What is printed of a procedure, and how the file's name goes on after the procedure's.
_DOCUMENTS = {"procedure": ".pdf", "bench card": "_card.pdf"}


def procedure(
    folder: Folder,
    number: Number = None,
    revises: Annotated[
        int | None,
        typer.Option(
            parser=whole,
            metavar="1",
            help="Draft the next revision, made from this one, with the trials as they are now.",
            show_default=False,
        ),
    ] = None,
    reason: Annotated[str, typer.Option(metavar='"new lot"', help="Why it is revised.")] = "",
    approved_by: Annotated[
        str,
        typer.Option(
            "--approved-by",
            metavar="OWNER",
            help="Who approves the revision: it is then issued at once. Role or initials.",
        ),
    ] = "",
    goal: Goal = None,
    assurance: Assurance = None,
    paper: Paper = "a4",
) -> None:
    """Print a procedure, revise it, and list them all.

    Writes into procedures/ in the folder:

    \b
      SP-001.pdf            the procedure, to print; SP-001.draft.pdf while it is a draft
      SP-001_card.pdf       one page in big type for the bench
      register.html         every draft and revision, and what is in force

    The shop's name, logo, headings, added rules and filled-in lines come from
    procedures/shop.toml where it is there; README shows one.

    With --revises the shortest process is found anew from the trials as they are now, with
    what to do at which reading in the middle of a job, and written as a draft of the next
    revision: finishlab issue puts it in force. With --approved-by it is issued at once. The
    revision before is then marked as withdrawn and never overwritten. Says what somebody
    changed by hand. Exit code 3 where no process can be named: then nothing is revised.

    \b
    Examples:
      finishlab procedure demo
      finishlab procedure demo --revises 1 --reason "new lot of compound"
      finishlab procedure demo --revises 1 --reason "new lot of compound" --approved-by owner

    Cautions: a procedure judges the finish, not the hazards of the work. It stands below the
    safety data sheets, the coating maker's data sheet, local codes and licensed practice.
    """
    from finishlab.procedure.states import statuses

    place = _place(folder, paper)
    console = screen.console()
    named = named_or_only(place, number)
    written: list[Path] = []
    made: Procedure | None = None
    if revises is None:
        _refuse_unasked(reason, approved_by, goal, assurance)
    else:
        study = place.study()
        question = asked(study, goal, assurance)
        signed = {"revises": revises, "reason": reason, "approved_by": approved_by or None}
        found, without = _revised(place, study, question, named, signed)
        if isinstance(found, str):
            screen.say(console, found)
            raise typer.Exit(CANNOT_TELL)
        made = found
        screen.say(console, made.text())
        w = [f"{what}: {before} before, now {now}" for what, before, now in made.facts["changes"]]
        screen.listed(console, "What changed", w or ["nothing but its date and what it rests on"])
        screen.listed(console, "Without a table for the middle of a job", without)
        written += [made.path, made.path.with_suffix(".json")]
    draft = made.revision if made is not None and made.status == "draft" else None
    written += _printed(place, named, paper, draft)
    _end(console, place, written, first=made is None)
    if draft is not None or (made is None and statuses(place.procedures)[named] == "draft"):
        screen.listed(console, "Next", [to_issue(place, named)])


def issue(
    folder: Folder,
    by: Annotated[
        str, typer.Option(metavar="OWNER", help="Who issues it: role or initials.", show_default=False)
    ],
    number: Annotated[
        str | None, typer.Option(metavar="SP-001", help="The draft; the only one there is, if left out.")
    ] = None,
    paper: Paper = "a4",
) -> None:
    """Put a draft of a procedure in force.

    What the draft says stays as it is; the day and the name of who issues it are added. A
    revision that was in force before is marked as withdrawn. Writes into procedures/ in the
    folder:

    \b
      SP-001.html           the procedure in force, and its facts as .json
      SP-001.pdf            the same, to print
      SP-001_card.pdf       one page in big type for the bench
      register.html         every draft and revision, and what is in force

    The draft's own files go.

    \b
    Examples:
      finishlab issue demo --by owner
      finishlab issue demo --number SP-002 --by owner

    Cautions: a procedure judges the finish, not the hazards of the work. It stands below the
    safety data sheets, the coating maker's data sheet, local codes and licensed practice.
    """
    from finishlab.procedure import issue_procedure
    from finishlab.procedure.kept_procedure import DRAFT, kept_files, stem

    place = _place(folder, paper)
    drafts = list(kept_files(place.procedures, DRAFT))
    named = number or _only(place, drafts, "draft")
    made = issue_procedure(place.procedures, named, by=by)
    console = screen.console()
    screen.say(console, made.text())
    written = [made.path, made.path.with_suffix(".json"), *_printed(place, named, paper)]
    # What was printed of the draft is printed of the procedure now.
    for ending in _DOCUMENTS.values():
        (place.procedures / f"{stem(named, made.revision)}{DRAFT}{ending}").unlink(missing_ok=True)
    _end(console, place, written)


def withdraw(
    folder: Folder,
    by: Annotated[
        str, typer.Option(metavar="OWNER", help="Who withdraws it: role or initials.", show_default=False)
    ],
    reason: Annotated[
        str, typer.Option(metavar='"pad no longer sold"', help="Why it is withdrawn.", show_default=False)
    ],
    number: Number = None,
    paper: Paper = "a4",
) -> None:
    """Take a procedure out of force.

    Its page and what is printed of it are marked across the top; the register says who
    withdrew it, when and why. Nothing is deleted. A revision withdraws the one before by
    itself.

    \b
    Example:
      finishlab withdraw demo --number SP-001 --by owner --reason "pad no longer sold"
    """
    from finishlab.procedure import withdraw_procedure
    from finishlab.procedure.kept_procedure import WITHDRAWAL

    place = _place(folder, paper)
    named = named_or_only(place, number)
    made = withdraw_procedure(place.procedures, named, by=by, reason=reason)
    console = screen.console()
    screen.say(console, made.text())
    withdrawal = made.path.with_suffix(f"{WITHDRAWAL}.json")
    _end(console, place, [made.path, withdrawal, *_printed(place, named, paper)])


def _place(folder: Path, paper: str) -> StudyFolder:
    """Return the study folder, and refuse a paper that is not known before anything is written."""
    from finishlab.procedure.paper import asked_of

    place = StudyFolder.at(folder)
    if mistakes := asked_of(paper=paper):
        raise ProcedureError(mistakes)
    return place


def _printed(place: StudyFolder, number: str, paper: str, draft: int | None = None) -> list[Path]:
    """Print a procedure as it stands, or the draft of one of its revisions; return where."""
    from finishlab.procedure import print_procedure
    from finishlab.procedure.kept_procedure import DRAFT, revision_path, stem
    from finishlab.procedure.states import status_of

    _, revision = revision_path(place.procedures, number, draft)
    is_draft = status_of(place.procedures, number, revision) == "draft"
    name = f"{stem(number, revision)}{DRAFT}" if is_draft else number
    return [
        print_procedure(
            place.procedures,
            number,
            path=place.procedures / f"{name}{ending}",
            document=document,  # type: ignore[arg-type]
            paper=paper,  # type: ignore[arg-type]
            revision=revision,
        )
        for document, ending in _DOCUMENTS.items()
    ]


def _end(console: Console, place: StudyFolder, written: list[Path], *, first: bool = False) -> None:
    """Say what the register holds and what was written; the register first where it is the answer."""
    from finishlab.procedure import procedure_register

    register = procedure_register(place.procedures)
    if first:
        screen.say(console, register.text())
    else:
        screen.listed(console, "Found in the register", register.cautions)
    screen.listed(console, "Written", map(str, [*written, register.path]))
    screen.listed(console, "Cautions", [screen.CAUTION])


def to_issue(place: StudyFolder, number: str) -> str:
    """Return what to type to put a draft in force."""
    return f"A draft is not in force. To issue it: finishlab issue {screen.quoted(place.path)} --number {screen.quoted(Path(number))} --by OWNER"


def named_or_only(place: StudyFolder, number: str | None) -> str:
    """Return the number given, or the only one in force, or else the only one; or raise naming those there are."""
    from finishlab.procedure.states import statuses

    if number:
        return number
    there = statuses(place.procedures)
    return _only(
        place, [n for n, status in there.items() if status == "in force"] or list(there), "procedure"
    )


def _only(place: StudyFolder, numbers: list[str], what: str) -> str:
    """Return the only number there is; or raise with what to do."""
    if len(numbers) == 1:
        return numbers[0]
    if not numbers:
        raise ProcedureError(
            f"there is no {what} in {place.procedures} yet. Write a draft: finishlab shortest {screen.quoted(place.path)} --draft"
        )
    raise ProcedureError(f"there are {len(numbers)} {what}s: {', '.join(numbers)}. Say which with --number.")


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
    from finishlab import progress
    from finishlab.model import fit
    from finishlab.procedure import revise_procedure
    from finishlab.solve import shortest

    with progress.bar(4) as stage:
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
