"""Everything that is wrong with a sheet, gathered cell by cell and said at once.

A rule hands over the cells it finds wrong and a way to say what is wrong with one; the
sentences are made only for those that are shown, so a sheet with a hundred thousand wrong
cells is answered as quickly as one with three. A cell gets one mistake: later rules pass
over it. The rules themselves are not here.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass

import numpy as np

from finishlab.errors import RecordsError
from finishlab.words.show import listed

#: Mistakes said in full before the rest is only counted by column.
SHOWN = 20
#: Rows named in one sentence before the rest is only counted.
_ROWS_NAMED = 6

Say = Callable[[int], str]


@dataclass(frozen=True)
class _Found:
    """The cells of one column that one rule finds wrong."""

    column: str
    at: np.ndarray
    say: Say


class Mistakes:
    """
    What is wrong with one sheet.

    Parameters
    ----------
    row_names : callable
        Says where a row (its position) stands, as ``row 5``.
    size : int
        Number of rows.
    word : str, optional
        What a row is called: ``row`` of a sheet, ``trial`` of the record book.
    """

    def __init__(self, row_names: Say, size: int, word: str = "row") -> None:
        self.row = row_names
        self._word = word
        self._sheet: list[str] = []
        self._found: list[_Found] = []
        self._wrong: dict[str, np.ndarray] = {}
        self._passed_over = np.zeros(size, bool)

    def sheet(self, sentence: str) -> None:
        """Keep a mistake of the sheet as a whole: a heading, or its lack."""
        self._sheet.append(sentence)

    def whole_rows(self, sentences: dict[int, str]) -> None:
        """Keep a mistake of whole rows; whatever else is in them is passed over."""
        if sentences:
            at = np.array(sorted(sentences))
            self._found.append(_Found("", at, sentences.__getitem__))
            self._passed_over[at] = True

    def cells(self, column: str, wrong: np.ndarray, say: Say, *, also: Iterable[str] = ()) -> None:
        """
        Keep the cells of a column that a rule finds wrong.

        Parameters
        ----------
        column : str
        wrong : ndarray of bool, shape (rows,)
        say : callable
            The sentence for one row (its position), without row and column.
        also : iterable of str
            Other columns the rule looked at; where one of them is wrong already, this
            rule has nothing to say.
        """
        wrong = wrong & ~self._passed_over
        for name in (column, *also):
            if name in self._wrong:
                wrong = wrong & ~self._wrong[name]
        if wrong.any():
            self._found.append(_Found(column, np.flatnonzero(wrong), say))
            self._wrong[column] = wrong | self._wrong.get(column, False)

    def where(self, rows: np.ndarray) -> str:
        """
        Name rows in words, the first few one by one.

        Parameters
        ----------
        rows : ndarray of bool, shape (rows,), or of int
            Which rows; positions when whole numbers.
        """
        at = np.flatnonzero(rows) if rows.dtype == bool else rows
        names = [self.row(int(i)) for i in at[:_ROWS_NAMED]]
        bare = [n.removeprefix(f"{self._word} ") for n in names]
        if len(at) > len(names):
            bare.append(f"{len(at) - len(names)} more")
        return f"{self._word}{'s' if len(at) > 1 else ''} {listed(bare)}"

    def wrong_rows(self) -> np.ndarray:
        """Return the positions of the rows in which something is wrong, ascending."""
        return np.unique(np.concatenate([np.empty(0, int), *(f.at for f in self._found)]))

    def of_row(self, position: int) -> list[str]:
        """Return what is wrong with one row, each sentence after its column."""
        return [
            f"{f.column}: {f.say(position)}" if f.column else f.say(position)
            for f in self._found
            if position in f.at
        ]

    @property
    def of_sheet(self) -> tuple[str, ...]:
        """What is wrong with the sheet as a whole."""
        return tuple(self._sheet)

    def raise_any(self, source: str) -> None:
        """Raise RecordsError with all mistakes, if there are any."""
        count = len(self._sheet) + sum(len(f.at) for f in self._found)
        if count:
            heading = f"{source} has {count} mistake{'s' if count > 1 else ''}; nothing of it was taken."
            raise RecordsError([*self._sheet, *self._sentences()], heading=heading)

    def _sentences(self) -> list[str]:
        """Return the mistakes to show in the order of the rows, then the count of the rest by column."""
        chosen = {(int(f.at[0]), k) for k, f in enumerate(self._found)}  # every rule is heard once
        room = max(SHOWN - len(self._sheet), len(chosen))
        first = sorted((int(i), k) for k, f in enumerate(self._found) for i in f.at[:room])
        for cell in first:
            if len(chosen) >= room:
                break
            chosen.add(cell)
        shown = []
        for i, k in sorted(chosen):
            found = self._found[k]
            place = f"{self.row(i)}, {found.column}" if found.column else self.row(i)
            shown.append(f"{place}: {found.say(i)}")
        return shown + self._rest(chosen)

    def _rest(self, shown: set[tuple[int, int]]) -> list[str]:
        left: dict[str, list[int]] = {}
        for k, found in enumerate(self._found):
            rows = [i for i in found.at.tolist() if (i, k) not in shown]
            if rows:
                left.setdefault(found.column, []).extend(rows)
        return [
            f"and {len(rows)} more in {column or 'whole rows'} ({self.where(np.unique(rows))})."
            for column, rows in left.items()
        ]
