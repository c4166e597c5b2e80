"""The restricted likelihood of several random effects, its slopes and its curvature.

In the relative factors `theta` of the random terms (see `blocks.py`), with coefficients and
residual variance at their best. Where it is least is `reml.py`'s to find.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from finishlab.statistics.effect_blocks import Reduced, Term, Whitened


@dataclass(frozen=True, eq=False)
class Problem:
    """
    What the criterion is made of, the rows reduced.

    `back` takes coefficients of the orthonormal basis to those of the columns, `along` are the
    response's own there, and `log_size` is twice the log of the columns' volume.
    """

    data: Reduced
    back: np.ndarray
    along: np.ndarray
    log_size: float
    restricted: bool
    perfect: bool

    @staticmethod
    def of(
        y: np.ndarray, scaled: np.ndarray, size: np.ndarray, terms: tuple[Term, ...], z: Any, restricted: bool
    ) -> Problem:
        """Reduce rows to a problem."""
        q, r = np.linalg.qr(scaled)
        along = q.T @ y
        rest = y - q @ along
        more = q.T @ rest  # twice is enough
        along, rest = along + more, rest - q @ more
        log_size = 2 * float(np.log(np.abs(np.diagonal(r))).sum() + np.log(size).sum())
        # What rounding alone leaves; NIST's hardest readings scatter by 1e-13 of their size.
        perfect = bool(rest @ rest <= (4e-15 * np.abs(y).max(initial=0.0)) ** 2 * len(y))
        return Problem(
            Reduced(q, rest, terms, z),
            np.linalg.inv(r) / size[:, None],
            along,
            log_size,
            restricted,
            perfect,
        )

    @property
    def rows(self) -> int:
        """Rows."""
        return self.data.rows

    @property
    def columns(self) -> int:
        """Columns of the model matrix."""
        return len(self.along)

    @property
    def df(self) -> int:
        """What the residual sum of squares is divided by."""
        return self.rows - self.columns if self.restricted else self.rows

    def term(self, name: str) -> Term:
        """Return a term by name."""
        return next(t for t in self.data.terms if t.name == name)

    def shift(self, at: Whitened) -> np.ndarray:
        """Return the coefficients of the orthonormal basis that the covariance adds to plain least squares'."""
        return np.linalg.solve(at.sums[:-1, :-1], at.sums[:-1, -1])

    def coefficients(self, at: Whitened) -> tuple[np.ndarray, np.ndarray]:
        """Return coefficients of the columns, and their covariance over the residual variance."""
        inverse = np.linalg.inv(at.sums[:-1, :-1])
        return self.back @ (self.along + self.shift(at)), self.back @ inverse @ self.back.T

    def sum_of_squares(self, at: Whitened) -> float:
        """Return the whitened residual sum of squares."""
        return float(at.sums[-1, -1] - at.sums[-1, :-1] @ self.shift(at))

    def variance(self, at: Whitened) -> float:
        """Return the residual variance."""
        return self.sum_of_squares(at) / self.df

    def log_dets(self, at: Whitened) -> float:
        """Return the part of the criterion that the response is not in."""
        fixed = np.linalg.slogdet(at.sums[:-1, :-1])[1] + self.log_size if self.restricted else 0.0
        return at.log_det + float(fixed)

    def criterion(self, theta: np.ndarray, variance: float | None = None) -> float:
        """Return minus twice the log likelihood, at its best or at a given residual variance."""
        at = self.data.at(theta)
        squares = self.sum_of_squares(at)
        if squares <= 0:
            return np.inf  # rounding, at relative spreads beyond anything
        variance = squares / self.df if variance is None else variance
        return self.df * np.log(2 * np.pi * variance) + squares / variance + self.log_dets(at)


def slopes(problem: Problem, at: Whitened) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """
    Return how the restricted criterion changes with relative covariances, the residual variance at its best.

    Returns
    -------
    gradient : ndarray, shape (entries,)
    curvature : ndarray, shape (entries, entries)
    with_log_variance : ndarray, shape (entries,)
        Mixed curvature with the log of the residual variance; its own is the degrees of freedom.
    """
    m, variance = at.moments, problem.variance(at)
    v = np.r_[-problem.shift(at), 1.0]
    inverse = np.linalg.inv(at.sums[:-1, :-1])
    first, second = m.first[:, :-1, :-1], m.second[:, :, :-1, :-1]
    squares = np.einsum("i,rij,j->r", v, m.first, v) / variance
    reach = np.einsum("i,rij->rj", v, m.first)[:, :-1]
    crossed = np.einsum("i,rsij,j->rs", v, m.second, v) - reach @ inverse @ reach.T
    trace, traces = m.trace, m.traces
    if problem.restricted:
        trace = trace - np.einsum("ij,rji->r", inverse, first)
        half = np.einsum("ij,rjk->rik", inverse, first)
        traces = traces - 2 * np.einsum("ij,rsji->rs", inverse, second) + np.einsum("rij,sji->rs", half, half)
    return trace - squares, -traces + 2 * crossed / variance, squares


def in_theta(problem: Problem, theta: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """
    Return the Jacobian of the relative covariances in `theta`, and their second derivatives.

    Shapes (entries, entries) and (entries, entries, entries), the covariance's entry first.
    """
    entries = problem.data.entries
    factors = dict(zip([t.name for t in problem.data.terms], problem.data.factors(theta), strict=True))
    jacobian = np.zeros((len(entries),) * 2)
    second = np.zeros((len(entries),) * 3)
    # Covariance (a, b) is the sum over k of factor (a, k) times factor (b, k).
    for r, (t, a, b) in enumerate(entries):
        for i, (u, row, k) in enumerate(entries):
            if u is not t:
                continue
            factor = factors[t.name]
            jacobian[r, i] = (row == a) * factor[b, k] + (row == b) * factor[a, k]
            for j, (w, other, kk) in enumerate(entries):
                if w is t and kk == k:
                    second[r, i, j] = (row == a) * (other == b) + (row == b) * (other == a)
    return jacobian, second


def curvature(problem: Problem, theta: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return gradient and curvature in (`theta`, log residual variance), and the Jacobian of `in_theta`."""
    gradient, bend, with_log = slopes(problem, problem.data.at(theta))
    jacobian, second = in_theta(problem, theta)
    k = len(theta)
    hessian = np.empty((k + 1, k + 1))
    hessian[:k, :k] = jacobian.T @ bend @ jacobian + np.einsum("r,rij->ij", gradient, second)
    hessian[:k, k] = hessian[k, :k] = with_log @ jacobian
    hessian[k, k] = problem.df
    return np.r_[gradient @ jacobian, 0.0], hessian, jacobian
