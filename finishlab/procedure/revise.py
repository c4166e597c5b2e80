"""Revisions of a procedure: a new one withdraws the one before, and nothing is lost or forged.

Each revision is kept in files of its own. Its data carry the fingerprint of the revision they were made from, so that
the revisions of a number are a chain: one that was changed, taken away or put in between is seen. The data are
placed first and at once; whatever stops the work after that (a power cut, a full disk) is made good from them by `mend`, which the
register calls too. The words and the page of one revision are `facts.py`'s and `write.py`'s.
"""

from __future__ import annotations

from datetime import date as Date
from pathlib import Path
from typing import TYPE_CHECKING, Any

from finishlab.errors import ProcedureError
from finishlab.procedure.facts import procedure_facts
from finishlab.procedure.read import kept_file, kept_files, stem
from finishlab.procedure.shop import read_shop, words
from finishlab.procedure.write import Procedure, checked, issue, put, render, sha256

if TYPE_CHECKING:
    from finishlab.solve import Recipe
    from finishlab.solve.bench_card import Checkpoints


def revise_procedure(
    recipe: Recipe,
    *,
    number: str,
    revises: int,
    reason: str,
    approved_by: str,
    folder: str | Path = "procedures",
    date: Date | str | None = None,
    author: str = "",
    reviewer: str = "",
    checkpoints: Checkpoints | None = None,
) -> Procedure:
    """
    Write a new revision of a procedure, and mark the one before it as withdrawn.

    The new page says what changed, side by side. The data of the earlier revision stay as they are; its page is marked
    across the top, unless somebody changed it by hand: then it is left alone, and the register says so.

    Parameters
    ----------
    recipe : Recipe
        What is to hold from now on, as `shortest` returns it.
    number : str
        Of a procedure that is there.
    revises : int
        The revision that this one was made from, which must be the newest: so that nobody withdraws what
        they have not seen.
    reason : str
        Why it is revised.
    approved_by : str
        Who approved it; printed, and in the register.
    folder : str or Path, optional
    date : datetime.date or str, optional
        Of the revision; today when left out, and not before the revision before it.
    author, reviewer : str, optional
        Who signs; lines to fill in by hand when left out.
    checkpoints : Checkpoints, optional
        What to do at which reading in the middle of a job.

    Returns
    -------
    Procedure
        The new revision.

    Raises
    ------
    ProcedureError
        There is no such procedure, `revises` is not its newest revision (somebody revised it meanwhile), the newest cannot be
        relied on, a reason or a name is missing, the date lies before the last one, or what `write_procedure` refuses. Nothing
        is written then.

    Examples
    --------
    >>> import tempfile
    >>> import finishlab as fl
    >>> bench = fl.PracticeBench(kind=1, seed=3)
    >>> trials = bench.work(fl.plan_trials(bench.study, trials=12, panels=3, seed=1), seed=1)
    >>> model = fl.fit(bench.study, trials)
    >>> first = fl.shortest(model, goal={"gloss_20": {"at_least": 40}}, assurance=0.5)
    >>> higher = fl.shortest(model, goal={"gloss_20": {"at_least": 50}}, assurance=0.5)
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     page = fl.write_procedure(first, number="SP-014", folder=folder)
    ...     page = fl.revise_procedure(
    ...         higher, number="SP-014", revises=1, reason="more gloss asked for", approved_by="owner", folder=folder
    ...     )
    ...     names = sorted(p.name for p in page.path.parent.iterdir())
    >>> page.revision, names
    (2, ['SP-014.html', 'SP-014.json', 'SP-014.rev2.html', 'SP-014.rev2.json'])

    >>> fl.revise_procedure(first, number="SP-014", revises=1, reason="", approved_by="owner", folder="none")
    Traceback (most recent call last):
        ...
    finishlab.errors.ProcedureError: reason is ''; say why the procedure is revised, as 'new product lot'.
    """
    folder, mistakes = Path(folder), []
    if not reason.strip():
        mistakes.append(f"reason is {reason!r}; say why the procedure is revised, as 'new product lot'.")
    if not approved_by.strip():
        mistakes.append(f"approved_by is {approved_by!r}; name who approved the revision, as 'owner'.")
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
        owner=approved_by,
        shop=read_shop(folder),
        checkpoints=checkpoints,
        before=before,
    )
    marked = withdrawn_page(before, revises + 1, date.isoformat())
    chain = {"previous": earlier["fingerprint"], "withdrawn_page_sha256": sha256(marked.encode("utf-8"))}
    made = issue(recipe, facts, folder, **chain)
    mend(folder, number)
    return made


def withdrawn_page(facts: dict[str, Any], by: int, date: str) -> str:
    """Return the page of a revision with the mark of its withdrawal; empty where its facts are of an older finishlab."""
    return _again({**facts, "withdrawn": _mark(by, date)})


def _again(facts: dict[str, Any]) -> str:
    """Return a page made again from its facts; empty where they are of an older finishlab."""
    from jinja2 import UndefinedError

    try:
        return render(facts)
    except (UndefinedError, KeyError):
        return ""


def _mark(by: int, date: str) -> str:
    return words()["signoff"]["withdrawn_mark"].format(date=date, revision=by)


def withdrawal(folder: Path, number: str, revision: int) -> str:
    """Return the mark of a revision's withdrawal; empty for the one in force."""
    later = [r for r in kept_files(folder)[number] if r > revision]
    if not later:
        return ""
    by = min(later)
    return _mark(by, kept_file(kept_files(folder)[number][by])["facts"]["date"])


def mend(folder: Path, number: str) -> dict[int, str]:
    """
    Make good what an interrupted revision left undone, from the data that count.

    Pages that are missing are made again; pages of older revisions are marked as withdrawn. A page that is neither as it was written nor as
    it was marked was changed by hand, and is left alone.

    Returns
    -------
    dict of int -> str
        What was found of each revision, in words; nothing where all is as written. Revisions whose data cannot be
        relied on are left out, as they are for the caller to say.
    """
    w, found = words()["register"], {}
    kept, files = {}, kept_files(folder).get(number, {})
    for revision, path in files.items():
        try:
            kept[revision] = kept_file(path)
        except ProcedureError:
            continue
    for revision, mine in kept.items():
        later = kept.get(revision + 1)
        if later is None and revision < max(files):
            continue  # by what it was withdrawn cannot be known; the caller says that this is missing or damaged
        if "page_sha256" not in mine:
            found[revision] = w["old"]
            continue
        page = folder / f"{stem(number, revision)}.html"
        there = sha256(page.read_bytes()) if page.is_file() else ""
        meant = mine["page_sha256"] if later is None else later.get("withdrawn_page_sha256", "")
        if there == meant:
            continue
        text = (
            _again(mine["facts"])
            if later is None
            else withdrawn_page(mine["facts"], revision + 1, later["facts"]["date"])
        )
        if there == sha256(text.encode("utf-8")):
            continue  # made again by another finishlab than wrote it
        if there not in ("", mine["page_sha256"]):
            found[revision] = w["edited_page"]
            continue
        if not text:
            found[revision] = w["old"]
            continue
        if not there:
            found[revision] = w["mended"]
        put(page, text.encode("utf-8"))
    return found


def _newest(folder: Path, number: str, revises: int) -> dict[str, Any]:
    """Return the kept data of the newest revision, if it is the one that is revised."""
    files = kept_files(folder).get(number)
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
