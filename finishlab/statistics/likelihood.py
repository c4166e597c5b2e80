"""The restricted likelihood of several random effects: its slopes, its curvature, intervals by its profile."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np

from finishlab.errors import ModelError
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


Bounds = list[tuple[float | None, float | None]]
Profile = Callable[[float], float]


def sd_profile(problem: Problem, name: str, start: np.ndarray) -> Profile:
    """
    Return the least criterion with one standard deviation held.

    `name` is a term's, or "residual"; `start` holds theta and the log of the residual SD.
    """
    held = np.array([t.name == name and (a, b) == (0, 0) for t, a, b in problem.data.entries])
    bounds: Bounds = [(0.0, None) if a == b else (None, None) for _, a, b in problem.data.entries]

    def residual(sd: float) -> Callable[[np.ndarray], float]:
        return lambda x: problem.criterion(x, sd**2)

    def term(sd: float) -> Callable[[np.ndarray], float]:
        def value(x: np.ndarray) -> float:
            theta = np.empty(len(held))
            theta[~held], theta[held] = x[:-1], sd / np.exp(x[-1])
            return problem.criterion(theta, np.exp(2 * x[-1]))

        return value

    if name == "residual":
        return _warm(residual, start[:-1], bounds, at_zero=False)
    free = [b for b, h in zip(bounds, held, strict=True) if not h]
    return _warm(term, start[np.r_[~held, True]], [*free, (None, None)], at_zero=True)


def share_profile(problem: Problem, name: str, start: np.ndarray) -> Profile:
    """
    Return the least criterion with the odds of one share held: its variance over the sum of the others.

    `name` is a term's, or "residual"; `start` is theta.
    """
    if any(t.width > 1 for t in problem.data.terms):
        raise ModelError("shares are of random terms with one effect each.")
    own = np.array([t.name == name for t in problem.data.terms])

    def term(odds: float) -> Callable[[np.ndarray], float]:
        def value(x: np.ndarray) -> float:
            theta = np.empty(len(own))
            theta[~own], theta[own] = x, np.sqrt(odds * (1 + x @ x))
            return problem.criterion(theta)

        return value

    def residual(odds: float) -> Callable[[np.ndarray], float]:
        # The others sum to 1 / odds of the residual; how they part it is free.
        return lambda x: problem.criterion(x / np.sqrt(max(float(x @ x), 1e-300) * odds))

    if name == "residual":
        sizes = np.maximum(start, 0.1 * max(start.max(), 1e-3))
        return _warm(residual, sizes / np.sqrt(sizes @ sizes), [(1e-6, None)] * len(start), at_zero=False)
    return _warm(term, start[~own], [(0.0, None)] * int((~own).sum()), at_zero=True)


def _warm(
    held: Callable[[float], Callable[[np.ndarray], float]],
    start: np.ndarray,
    bounds: Bounds,
    *,
    at_zero: bool,
) -> Profile:
    """
    Return the profile: each search starts where the last one ended, and at the fit; 0 may be out of reach.

    What was answered once is answered so again, whatever was asked between.
    """
    last = start
    known: dict[float, float] = {}

    def profile(at: float) -> float:
        nonlocal last
        if at == 0 and not at_zero:
            return np.inf
        if at not in known:
            tried = [_least(held(at), x, bounds) for x in (last, start)]
            last, known[at] = min(tried, key=lambda found: found[1])
        return known[at]

    return profile


def _least(
    value: Callable[[np.ndarray], float], start: np.ndarray, bounds: Bounds
) -> tuple[np.ndarray, float]:
    from scipy.optimize import minimize

    if len(start) == 0:
        return start, value(start)
    # Away from 0, where every spread looks level.
    start = np.array([max(s, 1e-2) if low == 0.0 else s for s, (low, _) in zip(start, bounds, strict=True)])
    found = minimize(value, start, method="L-BFGS-B", bounds=bounds, options={"ftol": 1e-12, "gtol": 1e-5})
    at_zero = np.array([0.0 if low == 0.0 else s for s, (low, _) in zip(found.x, bounds, strict=True)])
    if (least := value(at_zero)) <= found.fun:
        return at_zero, least
    return np.asarray(found.x), float(found.fun)


def ends(profile: Profile, now: float, scale: float, best: float, cover: float) -> tuple[float, float]:
    """
    Return where a profile has risen by the chi-squared quantile on either side.

    `now` is where it is least, `scale` a size to start from where that is 0; 0 and infinity
    are ends where it does not rise so far.
    """
    from scipy import optimize, stats

    wanted = best + float(stats.chi2.ppf(cover, 1))

    def above(log_at: float) -> float:
        return min(profile(float(np.exp(log_at))) - wanted, 1e6)

    middle = float(np.log(now if now > 0 else 1e-6 * scale))
    low, high = 0.0, np.inf
    if now > 0 and profile(0.0) > wanted:
        a = middle
        while above(a - 1.0) < 0:
            a -= 1.0
        low = float(np.exp(optimize.brentq(above, a - 1.0, a, xtol=1e-7)))
    for b in middle + np.arange(40.0):
        if above(b + 1.0) > 0:
            high = float(np.exp(optimize.brentq(above, b, b + 1.0, xtol=1e-7)))
            break
    return low, high
