"""The register: every draft and revision of every procedure of a folder, how it stands, and whether it is as it was written.

Read from the kept data, never the other way round, so that the register cannot say what they do not. What an
interruption left undone is made good on the way (`states.py`).
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from finishlab.errors import ProcedureError
from finishlab.procedure.kept_procedure import DRAFT, WITHDRAWAL, kept_files
from finishlab.procedure.procedure_files import put, template
from finishlab.procedure.shop import words
from finishlab.procedure.states import ending, mend, mend_draft, readable
from finishlab.words import show

if TYPE_CHECKING:
    import pandas as pd

#: Columns of the table, as the rows name them.
_COLUMNS = ("number", "revision", "date", "process", "status", "reason", "approved_by", "found")


@dataclass(frozen=True, eq=False)
class Register:
    """
    The procedures of a folder, draft by draft and revision by revision.

    Attributes
    ----------
    rows : tuple of dict
        By number, drafts first, then the newest revision first: ``number``, ``revision``, ``date``, ``process``, ``status`` ("draft", "in force", when and by
        what it was withdrawn, or that it is not to be relied on), ``reason``, ``approved_by`` (empty for a draft),
        ``found`` (what is not as it was written, in words), ``draft`` and ``in_force`` (bool).
    path : Path
        The page, ``register.html`` in the folder.
    cautions : tuple of str
        What was found, a sentence each; empty where all is as written.
    """

    rows: tuple[dict[str, Any], ...]
    path: Path
    cautions: tuple[str, ...]

    def text(self) -> str:
        """Say how many procedures are in force and how many are drafts, and what was found."""
        w = words()["register"]
        if not self.rows:
            return w["none"]
        drafts = sum(row["draft"] for row in self.rows)
        in_force = sum(row["in_force"] for row in self.rows)
        issued = len(self.rows) - drafts
        counts = {
            "procedures": show.counted(in_force, "procedure"),
            "revisions": show.counted(issued, "revision"),
            "drafts": show.counted(drafts, "draft"),
        }
        said = [w["summary" if in_force else "issued" if issued else "nothing"]]
        said += [w["drafts"]] if drafts else []
        return " ".join(
            [line.format(**counts) for line in said] + [w["found"].format(found=c) for c in self.cautions]
        )

    def table(self) -> pd.DataFrame:
        """Return one row a draft or revision."""
        import pandas as pd

        return pd.DataFrame(list(self.rows), columns=[*_COLUMNS, "draft", "in_force"])

    def to_dict(self) -> dict[str, Any]:
        """Return everything as plain Python."""
        return {
            "rows": [dict(r) for r in self.rows],
            "path": str(self.path),
            "cautions": list(self.cautions),
        }

    def _repr_html_(self) -> str:
        return show.sentence_and_table(self.text(), self.table().drop(columns=["draft", "in_force"]))


def procedure_register(folder: str | Path = "procedures") -> Register:
    """
    Check every draft and revision of every procedure in a folder, and write the register's page.

    Parameters
    ----------
    folder : str or Path, optional
        Where the procedures are.

    Returns
    -------
    Register
        One row a draft or revision, and what was found.

    Raises
    ------
    ProcedureError
        There is no such folder, or its page cannot be written.

    Notes
    -----
    The check finds what a hand or a fault changed: data whose fingerprint does not fit, a revision that is missing or was put in between (each
    carries the fingerprint of the one before), a page that is not as it was written. It does not keep out
    somebody who makes the newest data and their fingerprint anew; who may write to the folder is for the shop to say.

    Examples
    --------
    >>> import tempfile
    >>> import finishlab as fl
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     page = fl.write_procedure(recipe, number="SP-014", folder=folder)
    ...     drafted = fl.procedure_register(folder).text()
    ...     page = fl.issue_procedure(folder, "SP-014", by="owner")
    ...     issued = fl.procedure_register(folder).text()
    >>> drafted, issued
    ('No procedure is in force. 1 draft, not in force.', '1 procedure in force, 1 revision in all.')

    >>> fl.procedure_register("no such folder")
    Traceback (most recent call last):
        ...
    finishlab.errors.ProcedureError: there is no folder no such folder. Give the one that holds the procedures.
    """
    folder = Path(folder)
    if not folder.is_dir():
        raise ProcedureError(f"there is no folder {folder}. Give the one that holds the procedures.")
    try:
        numbers = sorted({*kept_files(folder), *kept_files(folder, DRAFT)})
        rows = [row for number in numbers for row in _rows(folder, number)]
        w = words()
        cells = [[str(row[c]) for c in _COLUMNS] for row in rows]
    except OSError as error:
        raise ProcedureError(
            f"the register of {folder} cannot be made ({error.strerror or error}). Give a folder that you may read and write."
        ) from error
    page = template("register.html.j2").render(rows=rows, cells=cells, w=w)
    path = put(folder / "register.html", page.encode("utf-8"))
    cautions = [
        f"{row['number']}, {w['head']['revision'].lower()} {row['revision']}: {row['found']}"
        for row in rows
        if row["found"]
    ]
    return Register(tuple(rows), path, tuple(cautions))


def _rows(folder: Path, number: str) -> list[dict[str, Any]]:
    """Return the rows of one number: its drafts, then what was issued, the newest first."""
    w, found = words()["register"], mend(folder, number)
    files, drafts = kept_files(folder).get(number, {}), kept_files(folder, DRAFT).get(number, {})
    newest = max(files, default=0)
    kept = {revision: readable(path) for revision, path in files.items()}
    rows = [
        _draft_row(number, revision, drafts[revision], newest) for revision in sorted(drafts, reverse=True)
    ]
    for revision in range(newest, 0, -1):
        mine, end = kept.get(revision, {}), ending(folder, number, revision)
        row = _row(number, revision, mine)
        said = [found[revision]] if revision in found else []
        if revision not in files:
            said = [w["gap"].format(revision=revision)]
        elif not mine:
            said = [w["edited_data"]]
        elif "previous" in mine and not _follows(files.get(revision - 1), mine["previous"]):
            said.append(w["chain"])
        withdrawn = kept_files(folder, WITHDRAWAL).get(number, {}).get(revision)
        if withdrawn and mine and readable(withdrawn).get("withdraws") != mine["fingerprint"]:
            said.append(w["edited_withdrawal"])
        if end:
            row["status"] = end.text() + (f": {end.reason}" if end.reason else "")
        else:
            row["status"] = w["in_force"] if mine else w["damaged"]
        row |= {"found": "; ".join(said), "in_force": bool(mine) and end is None}
        rows.append(row)
    return rows


def _draft_row(number: str, revision: int, path: Path, newest: int) -> dict[str, Any]:
    """Return the row of a draft, and make its page again where it is missing."""
    w, mine = words()["register"], readable(path)
    said = mend_draft(path, mine) if mine else w["edited_data"]
    late = w["overtaken"].format(revision=newest) if revision <= newest else ""
    return _row(number, revision, mine) | {
        "status": w["draft"],
        "found": "; ".join(filter(None, [said, late])),
        "draft": True,
    }


def _row(number: str, revision: int, kept: Mapping[str, Any]) -> dict[str, Any]:
    """Return what the data of a draft or revision say; empty cells where they cannot be relied on."""
    row: dict[str, Any] = {
        "number": number,
        "revision": revision,
        "date": "",
        "process": "",
        "status": "",
        "reason": "",
        "approved_by": "",
        "found": "",
        "draft": False,
        "in_force": False,
    }
    if kept:
        facts = kept["facts"]
        row |= {"date": facts["date"], "process": facts["process"], "reason": facts["revisions"][-1][2]}
        row["approved_by"] = facts["signoff"]["owner"]
    return row


def _follows(path: Path | None, previous: str) -> bool:
    """Tell whether the file of the revision before is the one whose fingerprint was taken."""
    if path is None:
        return True  # said as a gap
    try:
        return json.loads(path.read_text(encoding="utf-8")).get("fingerprint") == previous
    except (OSError, ValueError, AttributeError):
        return True  # said as damaged
