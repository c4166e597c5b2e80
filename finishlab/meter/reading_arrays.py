"""The readings of a meter study as arrays: what was read, on which patch, by whom, where and how.

Takes the long table of a record book, or any table with the columns named, and answers
every mistake of it at once. Nothing is computed from the readings here.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from finishlab.errors import RecordsError
from finishlab.records.sheets.cells import Numbers, words
from finishlab.records.sheets.sheet_mistakes import Mistakes
from finishlab.study import RANGES
from finishlab.words.show import counted, listed

if TYPE_CHECKING:
    import pandas as pd


@dataclass(frozen=True, eq=False)
class Groups:
    """A column of labels as whole numbers from 0, with the names they stand for."""

    of: np.ndarray
    names: tuple[str, ...]

    @classmethod
    def from_labels(cls, labels: np.ndarray) -> Groups:
        """Number labels in a natural order, 2 before 10."""
        names = sorted(set(labels.tolist()), key=_natural)
        place = {name: i for i, name in enumerate(names)}
        return cls(np.array([place[v] for v in labels.tolist()], int), tuple(names))

    def __len__(self) -> int:
        return len(self.names)

    def within(self, other: Groups | None) -> np.ndarray:
        """Return the groups of both together, as whole numbers from 0."""
        return self.of if other is None else _numbered(np.stack([self.of, other.of]))

    def of_rows(self, rows: np.ndarray) -> Groups:
        """Return the groups of some rows only."""
        return Groups.from_labels(np.array(self.names, object)[self.of[rows]])


@dataclass(frozen=True, eq=False)
class Taken:
    """
    Readings of one quantity.

    Attributes
    ----------
    value : ndarray, shape (readings,)
    row : tuple of str
        Where each stands in the table, in words.
    part, technician, panel, spot, direction, meter : Groups or None
        None where the table does not say. Parts are told apart over panels, spots are not.
    cautions : tuple of str
    """

    value: np.ndarray
    row: tuple[str, ...]
    part: Groups
    technician: Groups | None = None
    panel: Groups | None = None
    spot: Groups | None = None
    direction: Groups | None = None
    meter: Groups | None = None
    cautions: tuple[str, ...] = ()

    def some(self, rows: np.ndarray) -> Taken:
        """Return some of the readings."""
        at = np.flatnonzero(rows)

        def of(groups: Groups | None) -> Groups | None:
            return None if groups is None else groups.of_rows(at)

        return Taken(
            value=self.value[at],
            row=tuple(self.row[i] for i in at),
            part=self.part.of_rows(at),
            technician=of(self.technician),
            panel=of(self.panel),
            spot=of(self.spot),
            direction=of(self.direction),
            meter=of(self.meter),
        )


def take(
    readings: pd.DataFrame,
    *,
    reading: str,
    part: str,
    technician: str | None,
    after: str | None,
    instrument: str | None,
    meter: str | None = None,
) -> Taken:
    """
    Return the readings of one quantity from a table, or every mistake of it.

    Parameters
    ----------
    readings : DataFrame
        One row a reading: the column `reading`, or `quantity` and `value`; repeats side by
        side as ``gloss_20_1``, ``gloss_20_2`` are one row each in effect.
    reading, part, technician : str
        Columns; `reading` may be a word in `quantity`.
    after, instrument : str or None
        Which readings, where the table holds several sorts.
    meter : str or None
        Column whose meters are compared; then all of them are taken.

    Raises
    ------
    RecordsError
    """
    import pandas as pd

    if not isinstance(readings, pd.DataFrame):
        raise RecordsError(
            f"readings is a {type(readings).__name__}; a table (DataFrame) with one row a reading is wanted."
        )
    table, source = _one_row_a_reading(readings, reading)
    wanted = [
        (part, "part"),
        *([(technician, "technician")] if technician else []),
        *([(meter, "meter")] if meter else []),
    ]
    _all_there(readings, table, reading, wanted)
    mistakes = Mistakes(lambda i: f"row {source[i]}", len(table))
    numbers = Numbers(mistakes, False)
    value = numbers.read(table[_VALUE].to_numpy(), reading)
    if reading in RANGES:
        low, high = RANGES[reading]
        mistakes.cells(
            reading,
            (value < low) | (value > high),
            lambda i: (
                f"{value[i]:g} cannot be; {low:g} to {high:g} can occur on paint. Look at the meter's list."
            ),
        )
    empty = np.isnan(value)
    for column, _ in wanted:
        mistakes.cells(
            column,
            (words(table[column].to_numpy(object)) == np.array(None)) & ~empty,
            lambda i: "is empty. Fill it in, or leave the row out.",
        )
    mistakes.raise_any("the table of readings")
    keep, cautions = _kept(table, ~empty, reading)
    keep &= _one_sort(table, "after", keep, after, part)
    if meter is None:
        keep &= _one_sort(table, "instrument", keep, instrument, part)
    if not keep.any():
        raise RecordsError(
            f"no reading of {reading} is left to look at. Check the column and what was asked for."
        )
    at = np.flatnonzero(keep)
    left = table.iloc[at]
    panel = _groups(left, "panel") if part != "panel" else None
    panel = panel if panel is not None and len(panel) > 1 else None
    spot = _groups(left, "spot") if part != "spot" else None
    return Taken(
        value=value[at],
        row=tuple(f"row {source[i]}" for i in at),
        part=_parts(left, part, panel),
        technician=_groups(left, technician),
        panel=panel,
        spot=None if spot is None or "0" in spot.names else spot,
        direction=_groups(left, "direction"),
        meter=_groups(left, meter),
        cautions=(*numbers.cautions(), *cautions),
    )


def _kept(table: pd.DataFrame, keep: np.ndarray, reading: str) -> tuple[np.ndarray, list[str]]:
    """Return which rows are taken, and what to say of those that are not."""
    cautions = []
    empty = int((~keep).sum())
    if empty:
        cautions.append(
            f"{counted(empty, 'row')} without a reading of {reading} {'were' if empty > 1 else 'was'} passed over."
        )
    if "good" in table.columns:
        doubtful = table["good"].isin([False]).to_numpy(bool) & keep
        if doubtful.any():
            keep = keep & ~doubtful
            cautions.append(
                f"{counted(int(doubtful.sum()), 'reading')} taken before a meter check that was off by more than its limit "
                "stayed out."
            )
    return keep, cautions


def _groups(table: pd.DataFrame, column: str | None) -> Groups | None:
    """Return a column as groups; None where it is missing or has gaps."""
    if column is None or column not in table.columns:
        return None
    labels = words(table[column].to_numpy(object))
    return None if (labels == np.array(None)).any() else Groups.from_labels(labels)


def _parts(table: pd.DataFrame, part: str, panel: Groups | None) -> Groups:
    """Return what was read: patches told apart over panels, and a patch made anew from the one before it."""
    where = words(table[part].to_numpy(object))
    if panel is not None:
        where = np.array([f"{panel.names[p]}/{w}" for p, w in zip(panel.of, where, strict=True)], object)
    if part == "patch" and {"trial", "quantity"} <= set(table.columns):  # a record book's
        trial = words(table["trial"].to_numpy(object))
        first: dict[str, str] = {}
        again = [first.setdefault(w, t) != t for w, t in zip(where.tolist(), trial.tolist(), strict=True)]
        where = np.array(
            [f"{w} (trial {t})" if a else w for w, t, a in zip(where, trial, again, strict=True)], object
        )
    return Groups.from_labels(where)


_VALUE = "\0value"  # no table's own


def _one_row_a_reading(readings: pd.DataFrame, reading: str) -> tuple[pd.DataFrame, list[Any]]:
    """Return the table with its values in one column, and where each row stood."""
    import pandas as pd

    table = readings.rename(columns=str)
    if {"quantity", "value"} <= set(table.columns):
        mine = table[table["quantity"].astype(str) == reading]
        return mine.assign(**{_VALUE: mine["value"]}), list(mine.index)
    if reading in table.columns:
        return table.assign(**{_VALUE: table[reading]}), list(table.index)
    repeats = sorted(
        (c for c in table.columns if _repeat(c, reading)), key=lambda c: int(c.rsplit("_", 1)[1])
    )
    if not repeats:
        return table.iloc[:0], []
    rest = table.drop(columns=repeats)
    parts = [rest.assign(spot=c.rsplit("_", 1)[1], **{_VALUE: table[c]}) for c in repeats]
    where = [f"{i}, {c}" for c in repeats for i in table.index]
    return pd.concat(parts, ignore_index=True), where


def _repeat(column: str, reading: str) -> bool:
    head, _, tail = column.rpartition("_")
    return head == reading and tail.isdigit()


def _all_there(
    readings: pd.DataFrame, table: pd.DataFrame, reading: str, wanted: list[tuple[str, str]]
) -> None:
    """Raise with every column that is missing."""
    names = [str(c) for c in readings.columns]
    shown = ", ".join(names) or "none"
    mistakes = []
    if not len(table) and len(readings):
        if {"quantity", "value"} <= set(names):
            there = listed(sorted(set(readings["quantity"].astype(str))))
            mistakes.append(f"no row has quantity '{reading}'. There are: {there}. Say reading= one of them.")
        elif reading not in names:
            mistakes.append(
                f"column '{reading}' is missing. Columns: {shown}. Say reading= the column that holds the readings, "
                "or rename it."
            )
    for column, word in wanted:
        if column not in names:
            way_out = (
                " Where one person took all readings say technician=None." if word == "technician" else ""
            )
            mistakes.append(
                f"column '{column}' is missing. Columns: {shown}. Say {word}= the column that names the {word}.{way_out}"
            )
    if mistakes:
        raise RecordsError(
            mistakes, heading="The table of readings lacks columns." if len(mistakes) > 1 else ""
        )
    if not len(readings):
        raise RecordsError(
            "the table of readings has no rows. Take readings first: ten patches, three readings each."
        )


def _one_sort(table: pd.DataFrame, column: str, keep: np.ndarray, asked: str | None, part: str) -> np.ndarray:
    """Return which rows are of the one sort that a study can be of."""
    if part == column or column not in table.columns:
        if asked is not None:
            raise RecordsError(
                f"{column}='{asked}' was asked for, and the table has no column '{column}'. Leave {column} out."
            )
        return np.ones(len(keep), bool)
    labels = words(table[column].to_numpy(object))
    there = {
        name: int((labels[keep] == name).sum())
        for name in sorted({v for v in labels[keep].tolist() if v is not None}, key=_natural)
    }
    shown = listed(f"'{name}' ({counted(n, 'reading')})" for name, n in there.items())
    if asked is not None:
        if str(asked) not in there:
            raise RecordsError(f"{column}='{asked}': no reading has it. There are: {shown or 'none'}.")
        return np.asarray(labels == str(asked), bool)
    if len(there) > 1:
        way = "; compare_meters compares two" if column == "instrument" else ""
        raise RecordsError(
            f"the readings are of several sorts in column '{column}': {shown}. One study is of one sort: say "
            f"{column}='{next(iter(there))}'{way}."
        )
    return np.ones(len(keep), bool)


def _natural(label: str) -> tuple[Any, ...]:
    """Return a key that sorts 2 before 10 and A2 before A10."""
    parts: list[tuple[int, int, str]] = []
    number = ""
    for ch in [*str(label), ""]:
        if ch.isdecimal():
            number += ch
            continue
        if number:
            parts.append((0, int(number), ""))
            number = ""
        parts.append((1, 0, ch))
    return tuple(parts)


def _numbered(labels: np.ndarray) -> np.ndarray:
    return np.unique(labels, axis=1, return_inverse=True)[1].reshape(-1)
