"""Revisions of a procedure: a new one withdraws the one before, and nothing is lost or forged.

Each revision is kept in files of its own. Its data carry the fingerprint of the revision they were made from, so that
the revisions of a number are a chain: one that was changed, taken away or put in between is seen. What a person issues is
`issue.py`'s, how each revision stands `states.py`'s. The words and the page of one revision are `procedure_facts.py`'s and `procedure_files.py`'s.
"""

from __future__ import annotations

from datetime import date as Date
from pathlib import Path
from typing import TYPE_CHECKING, Any

from finishlab.errors import ProcedureError
from finishlab.procedure.issue import put_in_force
from finishlab.procedure.kept_procedure import DRAFT, kept_file, kept_files
from finishlab.procedure.procedure_facts import issued_facts, procedure_facts
from finishlab.procedure.procedure_files import Procedure, checked, keep
from finishlab.procedure.shop import read_shop

if TYPE_CHECKING:
    from finishlab.solve import Recipe
    from finishlab.solve.bench_card import Checkpoints


def revise_procedure(
    recipe: Recipe,
    *,
    number: str,
    revises: int,
    reason: str,
    approved_by: str | None = None,
    folder: str | Path = "procedures",
    date: Date | str | None = None,
    author: str = "",
    reviewer: str = "",
    checkpoints: Checkpoints | None = None,
) -> Procedure:
    """
    Write a new revision of a procedure: issued in the name of who approves it, else as a draft.

    The new page says what changed, side by side. A draft leaves the revision before it in force, until `issue_procedure` issues it.
    An issued revision withdraws the one before. Its data stay as they are; its page is marked
    across the top, unless somebody changed it by hand: then it is left alone, and the register says so.

    Parameters
    ----------
    recipe : Recipe
        What is to hold from now on, as `shortest` returns it.
    number : str
        Of a procedure that was issued.
    revises : int
        The revision that this one was made from, which must be the newest that was issued: so that nobody withdraws what
        they have not seen.
    reason : str
        Why it is revised.
    approved_by : str, optional
        Who approves and issues it, by role or initials; printed, and in the register. A draft is written when left out.
    folder : str or Path, optional
    date : datetime.date or str, optional
        Of the revision; today when left out, and not before the revision before it.
    author, reviewer : str, optional
        Who wrote and who checked it, by role or initials; lines to fill in by hand when left out.
    checkpoints : Checkpoints, optional
        What to do at which reading in the middle of a job.

    Returns
    -------
    Procedure
        The new revision, or its draft.

    Raises
    ------
    ProcedureError
        There is no such procedure or it was not issued, `revises` is not its newest revision (somebody revised it meanwhile), the newest cannot be
        relied on, a reason or a name is empty, the date lies before the last one, or what `write_procedure` refuses. Nothing
        is written then.

    Examples
    --------
    >>> import tempfile
    >>> import finishlab as fl
    >>> first = fl.shortest(model, goal={"gloss_20": {"at_least": 40}}, assurance=0.5)
    >>> higher = fl.shortest(model, goal={"gloss_20": {"at_least": 50}}, assurance=0.5)
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     page = fl.write_procedure(first, number="SP-014", folder=folder)
    ...     page = fl.issue_procedure(folder, "SP-014", by="owner")
    ...     page = fl.revise_procedure(
    ...         higher, number="SP-014", revises=1, reason="more gloss asked for", approved_by="owner", folder=folder
    ...     )
    ...     names = sorted(p.name for p in page.path.parent.iterdir())
    >>> page.revision, page.status, names
    (2, 'in force', ['SP-014.html', 'SP-014.json', 'SP-014.rev2.html', 'SP-014.rev2.json'])

    >>> fl.revise_procedure(first, number="SP-014", revises=1, reason="", approved_by="owner", folder="none")
    Traceback (most recent call last):
        ...
    finishlab.errors.ProcedureError: reason is ''; say why the procedure is revised, as 'new product lot'.
    """
    folder, mistakes = Path(folder), []
    if not reason.strip():
        mistakes.append(f"reason is {reason!r}; say why the procedure is revised, as 'new product lot'.")
    if approved_by is not None and not approved_by.strip():
        mistakes.append(
            f"approved_by is {approved_by!r}; name who approved the revision, as 'owner', or leave it out for a draft."
        )
    date = checked(recipe, number, date, tuple(mistakes))
    earlier = _newest(folder, number, revises)
    before = earlier["facts"]
    if date.isoformat() < before["date"]:
        raise ProcedureError(
            f"the date is {date.isoformat()}, and revision {revises} is of {before['date']}. Give that day or a later one."
        )
    facts = procedure_facts(
        recipe,
        number=number,
        revision=revises + 1,
        date=date,
        reason=reason,
        author=author,
        reviewer=reviewer,
        shop=read_shop(folder),
        checkpoints=checkpoints,
        before=before,
    )
    kept = recipe.to_dict()
    if approved_by is None:
        return keep(kept, facts, folder, status="draft", previous=earlier["fingerprint"])
    return put_in_force(kept, issued_facts(facts, date, approved_by.strip()), folder, earlier)


def _newest(folder: Path, number: str, revises: int) -> dict[str, Any]:
    """Return the kept data of the newest revision, if it is the one that is revised."""
    files = kept_files(folder).get(number)
    if not files and number in kept_files(folder, DRAFT):
        raise ProcedureError(
            f"procedure {number} is a draft: there is nothing in force to revise. Issue it first with issue_procedure, or delete the draft and write it anew."
        )
    if not files:
        raise ProcedureError(
            f"there is no procedure {number} in {folder} to revise. Write it first: write_procedure."
        )
    newest = max(files)
    if revises != newest:
        meanwhile = (
            f"Somebody revised it since: read {files[newest]}, and revise from it (revises={newest})."
            if revises < newest
            else f"Give revises={newest}."
        )
        raise ProcedureError(
            f"revision {revises} of procedure {number} is not the newest, which is {newest}. {meanwhile}"
        )
    return kept_file(files[newest])
