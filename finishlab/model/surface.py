"""The surface model: z as a shrunk polynomial of the coded settings, and how alike two processes are."""

from __future__ import annotations

import numpy as np

from finishlab.model.latent import Rows, Spread
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


class SurfaceCurve:
    """
    z of the finished surface as a polynomial of the settings.

    Parameters
    ----------
    basis : Basis
    centre, size : float
        Typical z of the trials and the size of its differences; the priors are in their terms.
    """

    def __init__(self, basis: Basis, centre: float, size: float) -> None:
        self._basis = basis
        self._likeness = Likeness(basis)
        _, names = basis.columns(np.empty((0, len(basis.factors))), pairs=False)
        self.names = ["constant", *names]
        self.prior_mean = np.array([centre, *[0.0] * len(names)])
        self.prior_sd = np.array([3 * size, *[2 * size] * len(names)])
        self.misses = (Spread("pairs", 0.3 * size, 0.8), Spread("final", 0.15 * size, 0.8))

    def curve(self, theta: np.ndarray, rows: Rows) -> tuple[np.ndarray, np.ndarray]:
        """Return z, and its derivatives: the model matrix itself."""
        matrix, _ = self._basis.columns(rows.values, pairs=False)
        matrix = np.hstack([np.ones((len(rows), 1)), matrix])
        return matrix @ theta, matrix

    def _pairs(self, rows: Rows) -> np.ndarray:
        """Return the two-factor columns, scaled so that their sum has about unit spread."""
        all_, names = self._basis.columns(rows.values)
        pairs = all_[:, [i for i, name in enumerate(names) if " x " in name]]
        return pairs / np.sqrt(max(pairs.shape[1], 1) / 3)

    def likeness(self, a: Rows, b: Rows) -> list[np.ndarray]:
        """Return likeness through the two-factor terms, and through what they miss."""
        return [self._pairs(a) @ self._pairs(b).T, self._likeness.final(a, b)]

    def own(self, rows: Rows) -> list[np.ndarray]:
        """Return each row's likeness with itself."""
        return [(self._pairs(rows) ** 2).sum(1), self._likeness.own(rows)[0]]
