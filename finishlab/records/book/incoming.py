"""A sheet on its way into the record book: judged by itself, then trial by trial.

Nothing is read from or written to the book here; that is in `book_import.py`.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from finishlab.errors import RecordsError
from finishlab.records.columns import MIL_UM, Column, understand
from finishlab.records.sheets.sheet_check import judged, taken
from finishlab.records.sheets.trial_rules import NO_NAME, names_in
from finishlab.trade.optics import haze_index

if TYPE_CHECKING:
    import pandas as pd

    from finishlab.records.sheets.draft import Draft
    from finishlab.records.sheets.sheet import Sheet
    from finishlab.study import Study

#: Rows refused one by one in words before the rest is only counted.
_NAMED = 50
#: Trials taken from the table at a time, so that a sheet of any length needs little memory beside it.
AT_ONCE = 2000


@dataclass(frozen=True)
class Checked:
    """A sheet without mistakes, and what was left out of it to make it so."""

    table: pd.DataFrame
    row_names: list[str]
    refused: tuple[str, ...]
    source: str


def checked(sheet: Sheet, study: Study, *, partly: bool) -> Checked:
    """
    Return a sheet judged whole; rows with mistakes are left out if only a part is asked for.

    Raises
    ------
    RecordsError
        All mistakes at once; asked for a part, only those of the sheet as a whole.
    """
    refused: list[str] = []
    draft = _judged(sheet, study)
    while partly and not draft.mistakes.of_sheet and len(wrong := draft.mistakes.wrong_rows()):
        for position in wrong[:_NAMED].tolist():
            refused += [f"{sheet.row(position)}, {s}" for s in draft.mistakes.of_row(position)]
        if len(wrong) > _NAMED:
            refused.append(f"and {len(wrong) - _NAMED} more rows with mistakes.")
        sheet = _without(sheet, wrong)
        if not len(sheet.rows):
            raise RecordsError(
                refused, heading=f"{sheet.name} has no row without a mistake; nothing was taken."
            )
        draft = _judged(sheet, study)
    draft.mistakes.raise_any(sheet.name)
    table, _ = taken(draft)
    table["status"] = draft.clean["status"]  # in the book a trial is what it is, whatever the study has now
    return Checked(table, [sheet.row(i) for i in range(len(table))], tuple(refused), sheet.name)


def _judged(sheet: Sheet, study: Study) -> Draft:
    """Return a sheet judged; what only old records may have is a mistake in what comes in now."""
    draft = judged(sheet, study)
    draft.mistakes.cells("technician", names_in(draft), lambda _: f"looks like a name. {NO_NAME}")
    return draft


def _without(sheet: Sheet, wrong: np.ndarray) -> Sheet:
    keep = np.ones(len(sheet.rows), bool)
    keep[wrong] = False
    return replace(
        sheet,
        cells={h: c[keep] for h, c in sheet.cells.items()},
        rows=sheet.rows[keep],
        index=None if sheet.index is None else sheet.index[keep],
        series={h: s.loc[keep] for h, s in sheet.series.items()},
        row_mistakes={},  # the rows that had them are gone
        cell_mistakes={},
    )


def plan_sheet(sheet: pd.DataFrame, study: Study) -> pd.DataFrame:
    """Return a plan as a table of planned trials, which have nothing measured yet."""
    import pandas as pd

    lacking = [n for n in ("panel", "patch") if n not in sheet.columns]
    if lacking:
        raise RecordsError(
            f"the plan has no column {' and no column '.join(lacking)}. Each planned trial needs its panel and patch."
        )
    found = understand(map(str, sheet.columns), study)
    kept = [
        h
        for h, c in found.items()
        if c.role in ("setting", "extra") or h in ("trial", "panel", "patch", "run_order")
    ]
    table = pd.DataFrame({h: sheet[h] for h in kept}).reset_index(drop=True)
    return table.assign(status="planned", minutes=np.nan, **dict.fromkeys(study.goal, np.nan))


def in_parts(
    table: pd.DataFrame, study: Study, rows: list[int] | None = None
) -> Iterator[list[dict[str, Any]]]:
    """
    Yield the trials of a checked table, a part at a time, each by heading; without empty cells and what is computed.

    Parameters
    ----------
    table : DataFrame
    study : Study
    rows : list of int, optional
        Which trials, by position; all when left out.

    Yields
    ------
    list of dict
        Film in µm.
    """
    found = understand(map(str, table.columns), study)
    for at in range(0, len(table) if rows is None else len(rows), AT_ONCE):
        here = slice(at, at + AT_ONCE)
        columns = _columns(table.iloc[here if rows is None else rows[here]], study, found)
        yield [
            {h: v for h, v in zip(columns, row, strict=True) if v is not None}
            for row in zip(*columns.values(), strict=True)
        ]


def _columns(table: pd.DataFrame, study: Study, found: dict[str, Column]) -> dict[str, list[Any]]:
    """Return what goes into the book of each column, None where nothing does."""
    columns: dict[str, list[Any]] = {}
    repeats: dict[str, np.ndarray] = {}
    for heading, column in found.items():
        if column.repeat:
            some = table[heading].notna().to_numpy()
            repeats[column.mean] = repeats.get(column.mean, np.zeros(len(table), bool)) | some
    for heading, column in found.items():
        values = table[heading]
        if column.in_mil and not column.repeat:
            continue  # stands in micrometres under its own heading
        if column.in_mil:
            heading, values = heading.replace("_mil", "_um"), values * MIL_UM
        elif column.role in ("reading", "film") and not column.repeat:
            values = values.mask(
                repeats.get(heading, np.zeros(len(table), bool)) | _computed(table, heading, study)
            )
        columns[heading] = _as_python(values)
    return columns


def _as_python(values: pd.Series) -> list[Any]:
    import pandas as pd

    if values.dtype.kind == "M":
        return [None if pd.isna(v) else v.to_pydatetime() for v in values]
    return values.astype(object).where(values.notna(), None).tolist()


def _computed(table: pd.DataFrame, heading: str, study: Study) -> np.ndarray:
    """Return where a value is only what the check reckoned from others."""
    has = set(table.columns)
    if heading == "removed_um" and {"film_before_um", "film_after_um"} <= has:
        return (table["film_before_um"] - table["film_after_um"] == table[heading]).to_numpy(bool)
    if heading == "haze" and study.reading.haze_method == "ASTM D4039" and {"gloss_20", "gloss_60"} <= has:
        reckoned = haze_index(table["gloss_60"].to_numpy(float), table["gloss_20"].to_numpy(float))
        return np.asarray(table[heading].to_numpy(float) == reckoned, bool)
    return np.zeros(len(table), bool)
