"""Intervals of spreads and shares by the profile likelihood, their boundary at 0 included."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from finishlab.errors import ModelError
from finishlab.statistics.likelihood import Problem

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
