"""A procedure read back: the recipe it rests on, months later, without refitting.

The data beside a page carry a fingerprint of themselves, so that a file changed by hand is told
from one that was written. What is on the page is `procedure_files.py`'s.
"""

from __future__ import annotations

import hashlib
import json
import re
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from finishlab.errors import ProcedureError
from finishlab.solve.recipe import Recipe

#: Version of the kept JSON; one that is not known is refused.
FORMAT = 1
#: What stands before the ending of a file's name: nothing for what was issued, a draft, a withdrawal without a successor.
ISSUED, DRAFT, WITHDRAWAL = "", ".draft", ".withdrawn"


def fingerprint(kept: Mapping[str, Any]) -> str:
    """Return what tells the data of a procedure from any other, its own fingerprint left out."""
    rest = {k: v for k, v in kept.items() if k != "fingerprint"}
    text = json.dumps(rest, ensure_ascii=False, sort_keys=True, allow_nan=False)
    return hashlib.sha256(text.encode("utf-8")).hexdigest()


def stem(number: str, revision: int) -> str:
    """
    Return the name of a revision's files, ending left off: the number itself for the first.

    Examples
    --------
    >>> stem("SP-014", 1), stem("SP-014", 2)
    ('SP-014', 'SP-014.rev2')
    """
    return number if revision == 1 else f"{number}.rev{revision}"


def parted(stem: str) -> tuple[str, int]:
    """
    Return number and revision of a file's name, its ending left off.

    Examples
    --------
    >>> parted("SP-014"), parted("SP-014.rev2")
    (('SP-014', 1), ('SP-014', 2))
    """
    found = re.fullmatch(r"(.+)\.rev([1-9][0-9]{0,5})", stem)
    return (found[1], int(found[2])) if found and found[2] != "1" else (stem, 1)


def kind_of(path: Path) -> str:
    """Return what a kept file is: `ISSUED`, `DRAFT` or `WITHDRAWAL`."""
    return next((kind for kind in (DRAFT, WITHDRAWAL) if path.stem.endswith(kind)), ISSUED)


def kept_files(folder: Path, kind: str = ISSUED) -> dict[str, dict[int, Path]]:
    """Return the kept files of a folder, of one kind: number -> revision -> path, both in order."""
    there: dict[str, dict[int, Path]] = {}
    found = [p for p in folder.glob("*.json") if kind_of(p) == kind] if folder.is_dir() else []
    for number, revision, path in sorted((*parted(p.stem.removesuffix(kind)), p) for p in found):
        there.setdefault(number, {})[revision] = path
    return there


def revision_path(folder: Path, number: str, revision: int | None) -> tuple[Path, int]:
    """
    Return the kept file of a revision and its number; or raise naming those there are.

    Where no revision is asked for it is the newest that was issued, or the draft where none was.
    """
    issued, drafts = kept_files(folder), kept_files(folder, DRAFT)
    if number not in issued and number not in drafts:
        there = sorted({*issued, *drafts})
        known = f"There are {', '.join(there)}." if there else "There is none yet; write_procedure makes one."
        raise ProcedureError(f"there is no procedure {number} in {folder}. {known}")
    files = {**drafts.get(number, {}), **issued.get(number, {})}
    wanted = max(issued.get(number) or files) if revision is None else revision
    if wanted not in files:
        known = ", ".join(map(str, sorted(files)))
        raise ProcedureError(
            f"there is no revision {wanted} of procedure {number} in {folder}. There are revisions {known}."
        )
    return files[wanted], wanted


def kept_file(path: Path) -> dict[str, Any]:
    """Return what a kept file holds; or raise, where it is damaged, from elsewhere or changed by hand."""
    try:
        kept = json.loads(path.read_text(encoding="utf-8"))
    except (OSError, UnicodeDecodeError, json.JSONDecodeError) as error:
        raise ProcedureError(
            f"{path} cannot be read ({error}). Bring it back from a backup, or write the procedure anew."
        ) from error
    if not isinstance(kept, dict) or kept.get("format") != FORMAT:
        found = kept.get("format") if isinstance(kept, dict) else None
        raise ProcedureError(
            f"{path} is no procedure of this finishlab ({found!r}; wanted {FORMAT!r}). If a newer one wrote it, bring finishlab up to date."
        )
    if kept.get("fingerprint") != fingerprint(kept):
        raise ProcedureError(
            f"{path} was changed by hand since it was written: its fingerprint does not fit. Bring it back from a backup, or write the procedure anew."
        )
    if kept.get("status") == "draft" and kind_of(path) != DRAFT:
        raise ProcedureError(
            f"{path} is a draft under another name: nobody issued it. End its name in {DRAFT}.json again, and issue it with issue_procedure."
        )
    return kept


def read_procedure(folder: str | Path, number: str, *, revision: int | None = None) -> Recipe:
    """
    Return the recipe of a procedure that was written, without refitting.

    Parameters
    ----------
    folder : str or Path
        Where the procedures are.
    number : str
        As ``SP-014``.
    revision : int, optional
        When left out, the newest that was issued; the draft where none was.

    Returns
    -------
    Recipe
        As it was when the procedure was written.

    Raises
    ------
    ProcedureError
        There is no such procedure or revision, its file is damaged, was changed by hand, or was written by
        a newer finishlab.

    Examples
    --------
    >>> import tempfile
    >>> import finishlab as fl
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     page = fl.write_procedure(recipe, number="SP-014", folder=folder)
    ...     again = fl.read_procedure(folder, "SP-014")
    >>> again.settings == recipe.settings, again.assurance == recipe.assurance
    (True, True)

    >>> fl.read_procedure("no such folder", "SP-014")
    Traceback (most recent call last):
        ...
    finishlab.errors.ProcedureError: there is no procedure SP-014 in no such folder. ...
    """
    path, _ = revision_path(Path(folder), number, revision)
    return Recipe.from_dict(kept_file(path)["recipe"])
