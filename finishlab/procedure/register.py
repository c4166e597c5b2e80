"""The register: every revision of every procedure of a folder, and whether each is as it was written.

Read from the kept data, never the other way round, so that the register cannot say what they do not. What an
interrupted revision left undone is made good on the way (`revise.py`).
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from finishlab import _show
from finishlab.errors import ProcedureError
from finishlab.procedure.read import kept_file, kept_files
from finishlab.procedure.revise import mend
from finishlab.procedure.shop import words
from finishlab.procedure.write import put, template

if TYPE_CHECKING:
    import pandas as pd

#: Columns of the table, as the rows name them.
_COLUMNS = ("number", "revision", "date", "process", "status", "reason", "approved_by", "found")


@dataclass(frozen=True, eq=False)
class Register:
    """
    The procedures of a folder, revision by revision.

    Attributes
    ----------
    rows : tuple of dict
        By number, the newest revision first: ``number``, ``revision``, ``date``, ``process``, ``status`` in words, ``reason``, ``approved_by``,
        ``found`` (what is not as it was written, in words), ``in_force``.
    path : Path
        The page, ``register.html`` in the folder.
    cautions : tuple of str
        What was found, a sentence each; empty where all is as written.
    """

    rows: tuple[dict[str, Any], ...]
    path: Path
    cautions: tuple[str, ...]

    def text(self) -> str:
        """Say how many procedures are in force, and what was found."""
        w = words()["register"]
        if not self.rows:
            return w["none"]
        counts = w["summary"].format(
            procedures=_show.counted(sum(row["in_force"] for row in self.rows), "procedure"),
            revisions=_show.counted(len(self.rows), "revision"),
        )
        return " ".join([counts, *(w["found"].format(found=c) for c in self.cautions)])

    def table(self) -> pd.DataFrame:
        """Return one row a revision."""
        import pandas as pd

        return pd.DataFrame(list(self.rows), columns=[*_COLUMNS, "in_force"])

    def to_dict(self) -> dict[str, Any]:
        """Return everything as plain Python."""
        return {
            "rows": [dict(r) for r in self.rows],
            "path": str(self.path),
            "cautions": list(self.cautions),
        }

    def _repr_html_(self) -> str:
        return _show.sentence_and_table(self.text(), self.table().drop(columns="in_force"))


def procedure_register(folder: str | Path = "procedures") -> Register:
    """
    Check every revision of every procedure in a folder, and write the register's page.

    Parameters
    ----------
    folder : str or Path, optional
        Where the procedures are.

    Returns
    -------
    Register
        One row a revision, and what was found.

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
    >>> bench = fl.PracticeBench(kind=1, seed=3)
    >>> sheet = fl.plan_trials(bench.study, trials=12, panels=3, seed=1)
    >>> model = fl.fit(bench.study, bench.work(sheet, seed=1))
    >>> recipe = fl.shortest(model, goal={"gloss_20": {"at_least": 40}}, assurance=0.5)
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     page = fl.write_procedure(recipe, number="SP-014", folder=folder)
    ...     fl.procedure_register(folder).text()
    '1 procedure in force, 1 revision in all.'

    >>> fl.procedure_register("no such folder")
    Traceback (most recent call last):
        ...
    finishlab.errors.ProcedureError: there is no folder no such folder. Give the one that holds the procedures.
    """
    folder = Path(folder)
    if not folder.is_dir():
        raise ProcedureError(f"there is no folder {folder}. Give the one that holds the procedures.")
    try:
        rows = [row for number, files in kept_files(folder).items() for row in _rows(folder, number, files)]
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


def _rows(folder: Path, number: str, files: Mapping[int, Path]) -> list[dict[str, Any]]:
    """Return the rows of one number, the newest revision first."""
    w, found = words()["register"], mend(folder, number)
    newest, rows = max(files), []
    kept: dict[int, dict[str, Any]] = {}
    broken: dict[int, str] = {}
    for revision, path in files.items():
        try:
            kept[revision] = kept_file(path)
        except ProcedureError:
            broken[revision] = w["edited_data"]
    for revision in range(newest, 0, -1):
        mine, later = kept.get(revision), kept.get(revision + 1)
        said = [broken[revision]] if revision in broken else [found[revision]] if revision in found else []
        row: dict[str, Any] = {
            "number": number,
            "revision": revision,
            "date": "",
            "process": "",
            "reason": "",
            "approved_by": "",
        }
        if revision not in files:
            said = [w["gap"].format(revision=revision)]
        if mine is not None:
            facts = mine["facts"]
            row |= {"date": facts["date"], "process": facts["process"], "reason": facts["revisions"][-1][2]}
            row["approved_by"] = facts["signoff"]["owner"]
            if "previous" in mine and not _follows(files.get(revision - 1), mine["previous"]):
                said.append(w["chain"])
        if revision < newest:
            row["status"] = (
                w["withdrawn"].format(date=later["facts"]["date"], revision=revision + 1)
                if later
                else w["withdrawn"].format(date=_show.UNKNOWN, revision=revision + 1)
            )
        else:
            row["status"] = w["damaged"] if mine is None else w["in_force"]
        row |= {"found": "; ".join(said), "in_force": revision == newest and mine is not None}
        rows.append(row)
    return rows


def _follows(path: Path | None, previous: str) -> bool:
    """Tell whether the file of the revision before is the one whose fingerprint was taken."""
    if path is None:
        return True  # said as a gap
    try:
        return json.loads(path.read_text(encoding="utf-8")).get("fingerprint") == previous
    except (OSError, ValueError, AttributeError):
        return True  # said as damaged
