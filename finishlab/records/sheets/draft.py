"""A trial table on its way from sheet to checked table.

Every rule takes the one `Draft`, reads the clean columns made so far, adds its own and
says what is wrong through `mistakes`. It holds state and nothing else; the order in which
the rules run is in `sheet_check.py`.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np

from finishlab.records.columns import Column, Role, gathered, understand
from finishlab.records.sheets.cells import Numbers
from finishlab.records.sheets.sheet import Sheet
from finishlab.records.sheets.sheet_mistakes import Mistakes
from finishlab.study import Study


@dataclass
class Draft:
    """
    One table while it is checked.

    Attributes
    ----------
    sheet : Sheet
    study : Study
    columns : dict of str to Column
        What each heading means.
    mistakes : Mistakes
    numbers : Numbers
    clean : dict of str to ndarray, shape (rows,)
        Columns made so far, by the name they get in the table.
    cautions : list of str
    done, spoiled : ndarray of bool, shape (rows,)
        Known once `trial_status` has run.
    outside : ndarray of bool, shape (rows,)
        Trials with a level that the study no longer has; known once `trial_settings` has run.
    accepted : dict of str to set
        By factor, values that were right under an earlier text of the study.
    left_out : dict of str to ndarray of bool
        By step, the trials that leave it out; known once `trial_settings` has run.
    """

    sheet: Sheet
    study: Study
    columns: dict[str, Column]
    mistakes: Mistakes
    numbers: Numbers
    clean: dict[str, np.ndarray] = field(default_factory=dict)
    cautions: list[str] = field(default_factory=list)
    done: np.ndarray = field(default_factory=lambda: np.empty(0, bool))
    spoiled: np.ndarray = field(default_factory=lambda: np.empty(0, bool))
    left_out: dict[str, np.ndarray] = field(default_factory=dict)
    outside: np.ndarray = field(default_factory=lambda: np.empty(0, bool))
    accepted: dict[str, set[Any]] = field(default_factory=dict)

    @classmethod
    def of(cls, sheet: Sheet, study: Study) -> Draft:
        """Return the draft of a sheet, with what is wrong with the sheet as such."""
        mistakes = Mistakes(sheet.row, len(sheet.rows), sheet.word)
        for sentence in sheet.mistakes:
            mistakes.sheet(sentence)
        mistakes.whole_rows(sheet.row_mistakes)
        draft = cls(
            sheet, study, understand(sheet.cells, study), mistakes, Numbers(mistakes, sheet.semicolons)
        )
        for heading, sentences in sheet.cell_mistakes.items():
            wrong = np.zeros(draft.size, bool)
            wrong[list(sentences)] = True
            mistakes.cells(heading, wrong, sentences.__getitem__)
        return draft

    @property
    def size(self) -> int:
        """Number of rows."""
        return len(self.sheet.rows)

    def given(self, name: str) -> bool:
        """Return whether the sheet has a column of that name."""
        return name in self.sheet.cells

    def filled(self, name: str) -> np.ndarray:
        """Return where a clean column has a value; nowhere when there is no such column."""
        if name not in self.clean:
            return np.zeros(self.size, bool)
        column = self.clean[name]
        return column != np.array(None) if column.dtype == object else ~np.isnan(column)

    def number(self, name: str) -> np.ndarray:
        """Return a clean column of numbers; all NaN when there is none."""
        return self.clean[name] if name in self.clean else np.full(self.size, np.nan)

    def groups(self, role: Role) -> dict[str, list[Column]]:
        """Return the columns of a role by the column that carries the trial's value."""
        return gathered(self.columns.values(), role)

    def caution(self, where: np.ndarray, sentence: str) -> None:
        """Keep a caution about some rows, if there are any; ``{rows}`` in it names them."""
        if where.any():
            self.cautions.append(sentence.format(rows=self.mistakes.where(where)))
