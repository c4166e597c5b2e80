"""A sheet as it stands: headings, cells, row numbers, before anything is judged.

Rows of cells from any kind of file, or a table already loaded, become one `Sheet`.
What is wrong with the sheet as such is found here: headings twice or missing, rows that
do not fit the headings. What the columns mean is in `columns.py`, what may stand in them
in `value_rules.py`, files themselves in `csv_file.py` and `xlsx_file.py`.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np

from finishlab.errors import RecordsError

if TYPE_CHECKING:
    import pandas as pd


#: More columns than this are a slip of the spreadsheet, not a trial sheet.
MOST_COLUMNS = 2000


class Formula(str):
    """A cell that holds a formula whose value the file does not have; the text is the formula."""


@dataclass
class Sheet:
    """
    One sheet of trials.

    Attributes
    ----------
    cells : dict of str to ndarray, shape (rows,)
        By heading, in order; None or NaN where a cell is empty.
    rows : ndarray of int
        Number of each row as a spreadsheet shows it; the headings are row 1 or so.
    source : str
        Name of the file, empty for a table.
    index : Index or None
        Labels of a table's rows.
    series : dict of str to Series
        The columns of a table as they were given, for what passes through untouched.
    attrs : dict
        What a table carried along.
    mistakes : list of str
        What is wrong with the sheet as such.
    row_mistakes : dict of int to str
        What is wrong with whole rows, by position.
    cell_mistakes : dict of str to dict of int to str
        What is wrong with single cells, by heading and position.
    cautions : list of str
    semicolons : bool
        True where semicolons part the cells of the file.
    extras_typed : bool
        False where every cell of the file is text, so that the shop's own columns have
        yet to be told from numbers.
    trials : ndarray or None
        What the record book calls the trials, when they come from there.
    """

    cells: dict[str, np.ndarray]
    rows: np.ndarray
    source: str = ""
    index: pd.Index | None = None
    series: dict[str, pd.Series] = field(default_factory=dict)
    attrs: dict[Any, Any] = field(default_factory=dict)
    mistakes: list[str] = field(default_factory=list)
    row_mistakes: dict[int, str] = field(default_factory=dict)
    cell_mistakes: dict[str, dict[int, str]] = field(default_factory=dict)
    cautions: list[str] = field(default_factory=list)
    semicolons: bool = False
    extras_typed: bool = True
    trials: np.ndarray | None = None

    @property
    def name(self) -> str:
        """What the sheet is called in a sentence."""
        return self.source or ("The trial table" if self.trials is None else "The record book")

    @property
    def word(self) -> str:
        """What a row is called in a sentence."""
        return "row" if self.trials is None else "trial"

    def row(self, position: int) -> str:
        """Say where a row stands."""
        if self.trials is not None:
            return f"trial {self.trials[position]}"
        place = f"row {self.rows[position]}"
        return place if self.index is None else f"{place} (index {self.index[position]})"


def from_table(table: pd.DataFrame) -> Sheet:
    """
    Return a loaded table as a sheet; its rows count from 2, as under one row of headings.

    Parameters
    ----------
    table : DataFrame
        One row a trial. Rows without any value are dropped; row labels that are not
        unique are replaced by 0, 1, 2, ...

    Returns
    -------
    Sheet
    """
    import pandas as pd

    source = str(table.attrs.get("source", ""))
    rows = np.arange(2, len(table) + 2)
    index = table.index if table.index.is_unique else pd.RangeIndex(len(table))
    mistakes: list[str] = []
    headings = _headings([str(c).strip() for c in table.columns], mistakes)
    cells: dict[str, np.ndarray] = {}
    filled = np.zeros(len(table), bool)
    for j, heading in headings.items():
        column = table.iloc[:, j].to_numpy()
        empty = np.asarray(pd.isna(column), bool)
        if column.dtype == object:
            empty = empty | np.array([isinstance(v, str) and v == "" for v in column.tolist()], bool)
            column = column.copy()
            column[empty] = None
        filled |= ~empty
        cells[heading] = column
    series = {h: table.iloc[:, j].set_axis(index) for j, h in headings.items()}
    if not filled.all():
        cells, rows, index = {h: c[filled] for h, c in cells.items()}, rows[filled], index[filled]
        series = {h: s.loc[filled] for h, s in series.items()}
    return Sheet(cells, rows, source, index, series, dict(table.attrs), mistakes)


def from_rows(numbered: Iterable[tuple[int, list[Any]]], source: str, *, parted: bool) -> Sheet:
    """
    Return rows of cells as a sheet; the first row that is not empty has the headings.

    Parameters
    ----------
    numbered : iterable of (int, list)
        Row number as a spreadsheet shows it, and its cells; None or empty text where
        there is nothing.
    source : str
        Name of the file.
    parted : bool
        True for files whose cells are parted by a separator, where a row with a cell too
        many has slipped.

    Returns
    -------
    Sheet

    Raises
    ------
    RecordsError
        There is nothing in the sheet.
    """
    filled = [(n, row) for n, row in numbered if any(not _empty(v) for v in row)]
    if not filled:
        raise RecordsError(f"{source} is empty. Write one row of headings and one row for each trial.")
    heading_row = ["" if v is None else unguarded(str(v)).strip() for v in filled[0][1]]
    numbers = np.array([n for n, _ in filled[1:]], int)
    rows = [row for _, row in filled[1:]]
    if len(rows) and sum(map(bool, heading_row)) == 1 < sum(not _empty(v) for v in rows[0]):
        title = next(filter(None, heading_row))
        raise RecordsError(
            f"{source}: row {filled[0][0]} should have the headings but has only '{title}'. "
            "Delete the rows above the headings."
        )
    while heading_row and not heading_row[-1]:
        heading_row.pop()
    width = len(heading_row)
    if width > MOST_COLUMNS:
        raise RecordsError(
            f"{source} has {width} columns; at most {MOST_COLUMNS} make sense. Delete the columns not used."
        )
    sheet = Sheet({}, numbers, source)
    for i, row in enumerate(rows):
        if len(row) > width and (surplus := [v for v in row[width:] if not _empty(v)]):
            sheet.row_mistakes[i] = _surplus(surplus, width, parted)
        if len(row) < width:
            row.extend([None] * (width - len(row)))
    headings = _headings(heading_row, sheet.mistakes)
    for j, name in enumerate(heading_row):
        column = np.empty(len(rows), object)
        column[:] = [row[j] for row in rows]
        column[column == ""] = None
        if j in headings:
            sheet.cells[name] = column
            _text_back(sheet, name, parted)
        elif not name and (at := np.flatnonzero(column != np.array(None))).size:
            sheet.mistakes.append(
                f"column {letters(j)} has no heading but has values, as '{column[at[0]]}' in {sheet.row(at[0])}. "
                "Write a heading above it, or delete the column."
            )
    return sheet


def _text_back(sheet: Sheet, heading: str, parted: bool) -> None:
    """Take the guard off the text of a column, and say which formulas have no value."""
    column = sheet.cells[heading]
    for i, value in enumerate(column.tolist()):
        if isinstance(value, str) and "'" in value:
            column[i] = unguarded(value)
        elif not parted and isinstance(value, Formula):
            column[i] = None
            sheet.cell_mistakes.setdefault(heading, {})[i] = (
                f"'{value}' is a formula, and the file has no value for it. Open the file in a spreadsheet and "
                "save it, or type the value."
            )


def _empty(value: Any) -> bool:
    return value is None or (isinstance(value, str) and not value.strip())


def _surplus(surplus: list[Any], width: int, parted: bool) -> str:
    if parted:
        return (
            f"has {width + len(surplus)} cells where the headings have {width}. Look for a comma inside a number or a "
            "note: write a decimal point, and put text with a separator in it between quotes."
        )
    return f"'{surplus[0]}' stands to the right of the last heading. Write a heading above it, or delete it."


def _headings(names: list[str], mistakes: list[str]) -> dict[int, str]:
    """Return the headings to take by position; the first of each where one is there twice."""
    taken: dict[str, int] = {}
    for j, name in enumerate(names):
        if name and name in taken:
            mistakes.append(
                f"the heading '{name}' is there twice, in columns {letters(taken[name])} and {letters(j)}. "
                "Keep one; repeat readings are headed gloss_20_1, gloss_20_2 and so on."
            )
        elif name:
            taken[name] = j
    return {j: name for name, j in taken.items()}


def letters(column: int) -> str:
    """
    Return a column's letters in a spreadsheet.

    Examples
    --------
    >>> letters(0), letters(25), letters(26), letters(701), letters(702)
    ('A', 'Z', 'AA', 'ZZ', 'AAA')
    """
    name, column = "", column + 1
    while column:
        column, rest = divmod(column - 1, 26)
        name = chr(ord("A") + rest) + name
    return name


# Where text could begin a cell: at its very start, and after a semicolon, tab or line break within
# it, because a spreadsheet set to another separator than the comma may cut the cell there. Blanks
# before the sign do not make it harmless everywhere, so they are looked past. The wide signs are
# taken for the narrow ones by some spreadsheets.
_SIGNS = "=+\\-@＝＋－＠"
_START = rf"\A'*(?= *[{_SIGNS}\t\r\n])"
_WITHIN = rf"[;\t\r\n]'*(?= *[{_SIGNS}])"
_BARE = re.compile(f"({_START}|{_WITHIN})")
_WRITTEN = re.compile(rf"(\A'*)'(?= *[{_SIGNS}\t\r\n])|([;\t\r\n]'*)'(?= *[{_SIGNS}])")


def guarded(text: str) -> str:
    """
    Return text with an apostrophe wherever a spreadsheet could begin a formula.

    Parameters
    ----------
    text : str

    Returns
    -------
    str

    References
    ----------
    OWASP, "CSV Injection" (from memory): a cell is dangerous when it begins with ``=``,
    ``+``, ``-``, ``@``, tab, carriage return or line feed, or their wide forms, and a
    separator within it may start a new cell.

    Examples
    --------
    >>> guarded("=1+1"), guarded("- redo"), guarded("soft foam")
    ("'=1+1", "'- redo", 'soft foam')

    One that already begins with an apostrophe gets another, so that it comes back whole:

    >>> guarded("'=1+1"), guarded("wet;=1+1")
    ("''=1+1", "wet;'=1+1")
    """
    return _BARE.sub(r"\1'", text)


def unguarded(text: str) -> str:
    """
    Return the text that `guarded` was given.

    Parameters
    ----------
    text : str

    Returns
    -------
    str
        Text that was never guarded comes back as it is, unless it has an apostrophe just
        where the guard would stand.

    Examples
    --------
    >>> unguarded("'=1+1"), unguarded("''=1+1"), unguarded("the owner's pad")
    ('=1+1', "'=1+1", "the owner's pad")
    """
    return (
        _WRITTEN.sub(lambda found: found[1] if found[1] is not None else found[2], text)
        if "'" in text
        else text
    )
