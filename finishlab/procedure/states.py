"""How each revision of a procedure stands: draft, in force or withdrawn; and what an interruption left undone.

Nothing written is written over, so the files say it together. A draft has files of its own until it is issued; data that were issued are in force
until the next revision is issued, or until a withdrawal stands beside them. The data are placed first and at once; whatever
stops the work after that (a power cut, a full disk) is made good from them by `mend`, which the register calls too.
"""

from __future__ import annotations

from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from finishlab.errors import ProcedureError
from finishlab.procedure.kept_procedure import DRAFT, WITHDRAWAL, kept_file, kept_files
from finishlab.procedure.procedure_files import Status, draft_mark, put, render, sha256
from finishlab.procedure.shop import words
from finishlab.words import show


@dataclass(frozen=True)
class Ending:
    """
    What took a revision out of force.

    Attributes
    ----------
    date : str
        "–" where its data cannot be relied on.
    by : str
        The revision that replaced it, or the person who withdrew it.
    page_sha256 : str or None
        Of the page with the mark of its withdrawal; None where it cannot be known.
    reason : str
        Of a withdrawal; a revision that replaces it has its own.
    """

    date: str
    by: str
    page_sha256: str | None
    reason: str = ""

    def mark(self) -> str:
        """Return what stands across the top of the page."""
        return words()["signoff"]["withdrawn_mark"].format(date=self.date, by=self.by)

    def text(self) -> str:
        """Return the same for a line of the register."""
        return words()["register"]["withdrawn"].format(date=self.date, by=self.by)


def ending(folder: Path, number: str, revision: int) -> Ending | None:
    """Return what took an issued revision out of force; None for the one in force."""
    if withdrawn := kept_files(folder, WITHDRAWAL).get(number, {}).get(revision):
        if kept := readable(withdrawn):
            return Ending(kept["date"], kept["by"], kept["withdrawn_page_sha256"], kept["reason"])
        return Ending(show.UNKNOWN, show.UNKNOWN, None)
    files = kept_files(folder).get(number, {})
    if not (later := [r for r in files if r > revision]):
        return None
    by = words()["register"]["by_revision"].format(revision=min(later))
    if not (kept := readable(files[min(later)])):
        return Ending(show.UNKNOWN, by, None)
    # What a revision that is missing did to the page of the one before it cannot be known.
    page = kept.get("withdrawn_page_sha256", "") if min(later) == revision + 1 else None
    return Ending(kept["facts"]["date"], by, page)


def status_of(folder: Path, number: str, revision: int) -> Status:
    """Return how a revision stands that is there."""
    if revision not in kept_files(folder).get(number, {}):
        return "draft"
    return "withdrawn" if ending(folder, number, revision) else "in force"


def statuses(folder: Path) -> dict[str, Status]:
    """Return how each number of a folder stands, by its newest revision that was issued; a draft where none was."""
    issued, drafts = kept_files(folder), kept_files(folder, DRAFT)
    return {
        number: status_of(folder, number, max(issued.get(number, {0: None})))
        for number in sorted({*issued, *drafts})
    }


def mark_of(folder: Path, number: str, revision: int) -> str:
    """Return what stands across the top of a revision: that it is a draft, or withdrawn; nothing for the one in force."""
    if revision not in kept_files(folder).get(number, {}):
        return draft_mark()
    found = ending(folder, number, revision)
    return found.mark() if found else ""


def readable(path: Path) -> dict[str, Any]:
    """Return what a kept file holds; nothing where it cannot be relied on."""
    try:
        return kept_file(path)
    except ProcedureError:
        return {}


def mend(folder: Path, number: str) -> dict[int, str]:
    """
    Make good what an interruption left undone, from the data that count.

    Pages that are missing are made again; pages that were withdrawn are marked; a draft that was issued is taken away. A page that is neither as it
    was written nor as it was marked was changed by hand, and is left alone.

    Returns
    -------
    dict of int -> str
        What was found of each issued revision, in words; nothing where all is as written. Revisions whose data cannot be
        relied on are left out, as they are for the caller to say.
    """
    w, found = words()["register"], {}
    files = kept_files(folder).get(number, {})
    kept = {revision: mine for revision, path in files.items() if (mine := readable(path))}
    for revision, mine in kept.items():
        end = ending(folder, number, revision)
        if end and end.page_sha256 is None:
            continue  # by what it was withdrawn cannot be known; the caller says that this is missing or damaged
        if "page_sha256" not in mine:
            found[revision] = w["old"]
            continue
        meant = mine["page_sha256"] if end is None else end.page_sha256
        if said := _mend_page(files[revision], mine, str(meant), end.mark() if end else ""):
            found[revision] = said
    for revision, path in kept_files(folder, DRAFT).get(number, {}).items():
        draft = readable(path)
        if draft and kept.get(revision, {}).get("draft") == draft["fingerprint"]:
            # The page first: what is left after an interruption between the two is found again.
            with suppress(OSError):
                path.with_suffix(".html").unlink(missing_ok=True)
                path.unlink()
    return found


def mend_draft(path: Path, draft: dict[str, Any]) -> str:
    """Make the page of a draft again where it is missing; return what was found, in words."""
    return _mend_page(path, draft, draft["page_sha256"], draft_mark())


def _mend_page(data: Path, kept: dict[str, Any], meant: str, mark: str) -> str:
    """Bring the page beside kept data to what is meant; return what was found, in words."""
    w, page = words()["register"], data.with_suffix(".html")
    there = sha256(page.read_bytes()) if page.is_file() else ""
    if there == meant:
        return ""
    text = page_again(kept["facts"], mark)
    if there == sha256(text.encode("utf-8")):
        return ""  # made again by another finishlab than wrote it
    if there not in ("", kept["page_sha256"]):
        return w["edited_page"]
    if not text:
        return w["old"]
    put(page, text.encode("utf-8"))
    return "" if there else w["mended"]


def page_again(facts: dict[str, Any], mark: str) -> str:
    """Return a page made again from its facts; empty where they are of an older finishlab."""
    from jinja2 import UndefinedError

    try:
        return render(facts, mark)
    except (UndefinedError, KeyError):
        return ""
