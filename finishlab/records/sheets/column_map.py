"""A meter's own export, by the column map of the study file.

``[reading.columns]`` says which columns of a trial table the headings of an export mean.
A meter writes one row a reading, a trial table one row a trial: rows of the same trial
become its repeat readings. A sheet that has none of the headings is left as it is.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from finishlab.plain import plain_rows
from finishlab.records.columns import understand
from finishlab.records.sheets.sheet import Sheet

if TYPE_CHECKING:
    import pandas as pd

    from finishlab.study import Study


def mapped(sheet: Sheet, study: Study) -> Sheet:
    """
    Return the sheet with the study's column names in place of a meter's headings.

    Parameters
    ----------
    sheet : Sheet
        As read from a file.
    study : Study

    Returns
    -------
    Sheet
        With one row a trial where the export has one a reading. Capitals and spaces of a
        heading do not matter. A heading that would stand twice is one of its `mistakes`.
    """
    meant = {_plain(heading): column for heading, column in study.reading.columns.items()}
    names = {heading: meant.get(_plain(heading), heading) for heading in sheet.cells}
    if all(heading == name for heading, name in names.items()):
        return sheet
    cells: dict[str, np.ndarray] = {}
    first: dict[str, str] = {}
    for heading, name in names.items():
        if name in cells:
            sheet.mistakes.append(
                f"'{first[name]}' and '{heading}' both mean {name}. Delete one of the columns, or number them in "
                f"[reading.columns] of the study file, as {name}_1 and {name}_2."
            )
            continue
        cells[name], first[name] = sheet.cells[heading], heading
    sheet.cells = cells
    sheet.cell_mistakes = {names[h]: at for h, at in sheet.cell_mistakes.items()}
    return _one_row_a_trial(sheet, study)


def completed(sheet: Sheet, study: Study, planned: pd.DataFrame) -> pd.DataFrame | None:
    """
    Return a meter's export as a trial table, with what the record book knows of its trials.

    Parameters
    ----------
    sheet : Sheet
        As `mapped` gives it. It is not changed.
    study : Study
    planned : DataFrame
        The trials of the book, with `trial`, `panel`, `patch` and the factors.

    Returns
    -------
    DataFrame or None
        None where the sheet has settings of its own, or says nothing of the study's: then it
        stands as it is. Trials that the sheet does not finish count as started.
    """
    import pandas as pd

    factors = [f.factor for f in study.factors]
    told_by = _told_by(sheet)
    readings = any(c.role == "reading" for c in understand(sheet.cells, study).values())
    if not told_by or not readings or any(f in sheet.cells for f in factors):
        return None
    if sheet.mistakes or sheet.row_mistakes or sheet.cell_mistakes:
        return None
    known = {tuple(str(row[n]) for n in told_by): row for row in plain_rows(planned)}
    table = pd.DataFrame(sheet.cells, dtype=object)
    rows = [
        known.get(tuple(str(v).strip() for v in key), {})
        for key in zip(*(table[n] for n in told_by), strict=True)
    ]
    for name in ("panel", "patch", *factors):
        if name not in table:
            table[name] = _objects([row.get(name) for row in rows])
    for name in ("minutes", *study.goal):
        if not any(c.mean == name for c in understand(map(str, table.columns), study).values()):
            table[name] = None
    if "status" not in table:
        table["status"] = [
            "started" if row.get("status") in ("planned", "started") else row.get("status") for row in rows
        ]
    return table


def _plain(heading: str) -> str:
    return " ".join(heading.split()).casefold()


def _one_row_a_trial(sheet: Sheet, study: Study) -> Sheet:
    """Put the rows of one trial side by side as its repeat readings."""
    told_by = _told_by(sheet)
    groups: dict[Any, list[int]] = {}
    for i in range(len(sheet.rows)):
        key = tuple(str(sheet.cells[n][i]).strip() for n in told_by)
        # A row that does not say which trial it is stays alone, to be answered as such.
        empty = not told_by or any(sheet.cells[n][i] is None for n in told_by)
        groups.setdefault(i if empty else key, []).append(i)
    if len(groups) == len(sheet.rows):
        return sheet
    rows = list(groups.values())
    cells: dict[str, np.ndarray] = {}
    for heading, column in understand(sheet.cells, study).items():
        given = [[v for v in sheet.cells[heading][at] if v is not None] for at in rows]
        if column.role in ("reading", "film") and not column.repeat:
            most = max(map(len, given))
            for k in range(most):
                # The only one keeps the plain name.
                name = heading if most == 1 else f"{heading}_{k + 1}"
                cells[name] = _objects([v[k] if len(v) > k else None for v in given])
            continue
        kept: list[Any] = []
        for at, values in zip(rows, given, strict=True):
            told = list(dict.fromkeys(values))
            if len(told) > 1 and column.role != "extra":
                sheet.row_mistakes[at[0]] = (
                    f"and {len(at) - 1} more are readings of one trial, but {heading} differs among them: "
                    f"{' and '.join(map(repr, told[:3]))}. Correct it, or the trial they belong to."
                )
            kept.append(told[0] if len(told) == 1 else "; ".join(map(str, told)) if told else None)
        cells[heading] = _objects(kept)
    place = {old: new for new, at in enumerate(rows) for old in at}
    sheet.cells = cells
    sheet.rows = np.array([sheet.rows[at[0]] for at in rows])
    sheet.row_mistakes = {place[i]: text for i, text in sheet.row_mistakes.items()}
    sheet.cell_mistakes = {
        h: {place[i]: text for i, text in at.items()} for h, at in sheet.cell_mistakes.items()
    }
    return sheet


def _told_by(sheet: Sheet) -> list[str]:
    """Return the columns by which the trials of a sheet are told apart."""
    return ["trial"] if "trial" in sheet.cells else [n for n in ("panel", "patch") if n in sheet.cells]


def _objects(values: list[Any]) -> np.ndarray:
    column = np.empty(len(values), object)
    column[:] = values
    return column
