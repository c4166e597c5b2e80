"""A named person puts a draft in force, or takes a procedure out of force.

What is issued is what was drafted: its words and numbers stay, the day and the name are added. The data of the issued revision come into their place at
once, or not at all; the page, the mark on the revision before and the end of the draft follow, and are made good by `states.py` if
something stops them.
"""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date as Date
from pathlib import Path
from typing import Any

from finishlab.errors import ProcedureError
from finishlab.procedure.kept_procedure import (
    DRAFT,
    FORMAT,
    WITHDRAWAL,
    kept_file,
    kept_files,
    revision_path,
    stem,
)
from finishlab.procedure.procedure_facts import issued_facts
from finishlab.procedure.procedure_files import Procedure, data_text, day, keep, place_beside, sha256
from finishlab.procedure.shop import words
from finishlab.procedure.states import Ending, ending, mend, mend_draft, page_again


def issue_procedure(folder: str | Path, number: str, *, by: str, date: Date | str | None = None) -> Procedure:
    """
    Put the draft of a procedure in force, in the name of who issues it.

    Nothing but the day and the name is added to what the draft says. The draft's own files go; where it revises a
    procedure, the revision before it is marked as withdrawn.

    Parameters
    ----------
    folder : str or Path
        Where the procedures are.
    number : str
        Of the draft, as ``SP-014``.
    by : str
        Who issues it, by role or initials; printed, and in the register.
    date : datetime.date or str, optional
        Day of issue, as ``2025-11-25``; today when left out. Not before the draft's.

    Returns
    -------
    Procedure
        In force from now on.

    Raises
    ------
    ProcedureError
        There is no such draft, it was changed by hand, another revision was issued since it was made, no name is given, or the
        date is none or too early. Nothing is changed then.

    Examples
    --------
    >>> import tempfile
    >>> import finishlab as fl
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     draft = fl.write_procedure(recipe, number="SP-014", folder=folder)
    ...     page = fl.issue_procedure(folder, "SP-014", by="owner")
    ...     names = sorted(p.name for p in page.path.parent.iterdir())
    >>> draft.status, page.status, names
    ('draft', 'in force', ['SP-014.html', 'SP-014.json'])

    >>> fl.issue_procedure("procedures", "SP-014", by="")
    Traceback (most recent call last):
        ...
    finishlab.errors.ProcedureError: by is ''; name who issues the procedure, by role or initials, as 'owner'.
    """
    folder = Path(folder)
    mistakes = (
        []
        if by.strip()
        else [f"by is {by!r}; name who issues the procedure, by role or initials, as 'owner'."]
    )
    given = day(mistakes, date)
    path, draft, earlier = _draft(folder, number)
    facts = draft["facts"]
    drafted = Date.fromisoformat(facts["date"])
    on = given or max(Date.today(), drafted)
    if on < drafted:
        raise ProcedureError(
            f"the date is {on}, and the draft is of {drafted}. Give that day or a later one."
        )
    if said := mend_draft(path, draft):
        raise ProcedureError(
            f"the draft {path.with_suffix('.html')} cannot be issued: {said}. Read it again; if the page was changed, delete the page "
            "and issue once more, or delete both files of the draft and write it anew."
        )
    return put_in_force(
        draft["recipe"], issued_facts(facts, on, by.strip()), folder, earlier, draft=draft["fingerprint"]
    )


def put_in_force(
    recipe: Mapping[str, Any],
    facts: dict[str, Any],
    folder: Path,
    earlier: Mapping[str, Any] | None,
    **chain: Any,
) -> Procedure:
    """Write an issued revision, tie it to the one before, and mark that one as withdrawn."""
    number, revision = facts["number"], facts["revision"]
    if earlier is not None:
        mark = Ending(
            facts["date"], words()["register"]["by_revision"].format(revision=revision), None
        ).mark()
        marked = page_again(earlier["facts"], mark)
        chain |= {
            "previous": earlier["fingerprint"],
            "withdrawn_page_sha256": sha256(marked.encode("utf-8")),
        }
    made = keep(recipe, facts, folder, status="in force", **chain)
    mend(folder, number)
    return made


def _draft(folder: Path, number: str) -> tuple[Path, dict[str, Any], dict[str, Any] | None]:
    """Return the newest draft of a number, its file and the revision it follows; or raise with why it cannot be issued."""
    drafts, issued = kept_files(folder, DRAFT), kept_files(folder).get(number, {})
    if number not in drafts:
        known = f"There are drafts of {', '.join(drafts)}." if drafts else "There is no draft."
        there = "" if not issued else f" Revision {max(issued)} of it was issued already."
        raise ProcedureError(f"there is no draft of procedure {number} in {folder}.{there} {known}")
    revision, newest = max(drafts[number]), max(issued, default=0)
    path = drafts[number][revision]
    draft = kept_file(path)
    earlier = kept_file(issued[newest]) if newest else None
    follows = None if earlier is None else earlier["fingerprint"]
    if revision != newest + 1 or draft.get("previous") != follows:
        raise ProcedureError(
            f"{path} is a draft of revision {revision}, and it was not made from what is issued now, revision {newest}. "
            "Read that one, delete the draft's two files, and draft it anew."
        )
    return path, draft, earlier


def withdraw_procedure(
    folder: str | Path, number: str, *, by: str, reason: str, date: Date | str | None = None
) -> Procedure:
    """
    Take a procedure out of force, with no revision in its place.

    Its data stay as they are; its page is marked across the top. A later revision may put it in force again.

    Parameters
    ----------
    folder : str or Path
        Where the procedures are.
    number : str
        Of a procedure in force, as ``SP-014``.
    by : str
        Who withdraws it, by role or initials; on the page, and in the register.
    reason : str
        Why, as 'product no longer sold'; in the register.
    date : datetime.date or str, optional
        Day of the withdrawal; today when left out. Not before the day of issue.

    Returns
    -------
    Procedure
        What was withdrawn.

    Raises
    ------
    ProcedureError
        There is no such procedure, it is not in force or cannot be relied on, a name or a reason is empty, or the date is none or too early.
        Nothing is changed then.

    Examples
    --------
    >>> import tempfile
    >>> import finishlab as fl
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     page = fl.write_procedure(recipe, number="SP-014", folder=folder)
    ...     page = fl.issue_procedure(folder, "SP-014", by="owner")
    ...     page = fl.withdraw_procedure(folder, "SP-014", by="owner", reason="product no longer sold")
    ...     fl.procedure_register(folder).text()
    'No procedure is in force. 1 revision in all.'

    >>> fl.withdraw_procedure("procedures", "SP-014", by="owner", reason="")
    Traceback (most recent call last):
        ...
    finishlab.errors.ProcedureError: reason is ''; say why the procedure is withdrawn, as 'product no longer sold'.
    """
    folder = Path(folder)
    said = {
        "by": (by, "name who withdraws the procedure, by role or initials, as 'owner'."),
        "reason": (reason, "say why the procedure is withdrawn, as 'product no longer sold'."),
    }
    given = day(
        [f"{what} is {value!r}; {do}" for what, (value, do) in said.items() if not value.strip()], date
    )
    path, revision = revision_path(folder, number, None)
    if revision not in kept_files(folder).get(number, {}):
        raise ProcedureError(f"procedure {number} is a draft and not in force. Delete its two files: {path}.")
    if ended := ending(folder, number, revision):
        raise ProcedureError(f"procedure {number}, revision {revision}, is not in force: {ended.text()}.")
    kept = kept_file(path)
    facts = kept["facts"]
    issued = Date.fromisoformat(facts["date"])
    on = given or max(Date.today(), issued)
    if on < issued:
        raise ProcedureError(
            f"the date is {on}, and revision {revision} is of {issued}. Give that day or a later one."
        )
    end = Ending(on.isoformat(), by.strip(), None, reason.strip())
    withdrawal = {
        "format": FORMAT,
        "number": number,
        "revision": revision,
        "withdraws": kept["fingerprint"],
        "date": end.date,
        "by": end.by,
        "reason": end.reason,
        "withdrawn_page_sha256": sha256(page_again(facts, end.mark()).encode("utf-8")),
    }
    place_beside(
        folder / f"{stem(number, revision)}{WITHDRAWAL}.json", data_text(withdrawal), number, revision
    )
    mend(folder, number)
    return Procedure(number, revision, path.with_suffix(".html"), facts, "withdrawn")
