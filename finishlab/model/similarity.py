"""How alike two processes are, for the part of z that a curve misses.

A squared-exponential in ln(1 + passes), level order and coded numbers, with a fixed factor
for each choice that differs; the lengths are stated here and the size of the part is
learnt. Used by both curves; knows nothing of readings.
"""

from __future__ import annotations

import numpy as np

from finishlab.model.latent import Rows
from finishlab.study.basis import Basis

#: Length in ln(1 + passes): two passes and five differ by one length.
_AMOUNT_LENGTH = 0.8
#: Length in level steps of an ordered setting, and over the studied range of a number.
_ORDER_LENGTH, _RANGE_LENGTH = 1.2, 1.0
#: Correlation left when a choice differs.
_OTHER_CHOICE = 0.5


class Likeness:
    """Correlation of processes over the factors of all steps up to the one looked at."""

    def __init__(self, basis: Basis) -> None:
        self._basis = basis
        positions = {step.name: i for i, step in enumerate(basis.study.steps)}
        self._step_of = np.array([positions[f.step] for f in basis.factors])
        self._last = len(basis.study.steps) - 1

    def features(self, values: np.ndarray) -> list[np.ndarray]:
        """Return one column a factor: scaled distances for numbers, levels for choices."""
        columns = []
        for j, f in enumerate(self._basis.factors):
            v = values[:, j]
            step = self._basis.study.step(f.step)
            if f.numeric and f is step.amount:
                columns.append(np.log1p(v) / _AMOUNT_LENGTH)
            elif f.numeric:
                columns.append(
                    np.nan_to_num(2 * (v - f.levels[0]) / (f.levels[-1] - f.levels[0]) / _RANGE_LENGTH)
                )
            elif f.kind in ("graded", "ordered"):
                columns.append(np.nan_to_num(v) / _ORDER_LENGTH)
            else:
                columns.append(np.nan_to_num(v, nan=-1.0))
        return columns

    def final(self, a: Rows, b: Rows) -> np.ndarray:
        """Return the correlation of rows that are looked at after the last step, 0 elsewhere."""
        out = self._over(a, b, self._last)
        return out * ((a.step == self._last)[:, None] & (b.step == self._last)[None, :])

    def earlier(self, a: Rows, b: Rows) -> np.ndarray:
        """Return the correlation of rows after the same earlier step, 0 elsewhere."""
        out = np.zeros((len(a), len(b)))
        for step in range(self._last):
            pick_a, pick_b = np.flatnonzero(a.step == step), np.flatnonzero(b.step == step)
            if len(pick_a) and len(pick_b):
                some_a = Rows(a.values[pick_a], a.step[pick_a])
                some_b = Rows(b.values[pick_b], b.step[pick_b])
                out[np.ix_(pick_a, pick_b)] = self._over(some_a, some_b, step)
        return out

    def own(self, rows: Rows) -> list[np.ndarray]:
        """Return each row's correlation with itself in the final and in the earlier part."""
        last = (rows.step == self._last).astype(float)
        return [last, 1 - last]

    def _over(self, a: Rows, b: Rows, last: int) -> np.ndarray:
        out = np.ones((len(a), len(b)))
        fa, fb = self.features(a.values), self.features(b.values)
        for j, f in enumerate(self._basis.factors):
            if self._step_of[j] > last:
                continue
            # A factor has few levels, however many rows: each is compared once.
            levels, level = np.unique(fa[j], return_inverse=True)
            if f.kind == "choice":
                alike = np.where(levels[:, None] == fb[j][None, :], 1.0, _OTHER_CHOICE)
            else:
                alike = np.exp(-0.5 * (levels[:, None] - fb[j][None, :]) ** 2)
            out *= alike[level]
        return out
