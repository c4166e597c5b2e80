"""Do readings lie together as a forecast says? A test by rounds drawn from the forecast.

Readings of one panel go together, and what is not known of the process moves all of them,
so intervals one by one do not tell. Rounds with the same panels and patches are drawn from
the forecast; how far the real one lies from it, in level and in scatter, is ranked among them.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from scipy import linalg

from finishlab.solve.forecast import Forecast, Readings
from finishlab.study import Condition

#: Share of rounds that are called unlike the forecast when it is right, and that are called hardly luck.
RATE, RARE = 0.10, 0.01
#: Rounds drawn.
_ROUNDS = 16_000
#: A level that is off hurts the promise and is what changes at a bench; scatter is asked beside
#: it at a third of its rate.
_SCATTER = 3.0


@dataclass(frozen=True)
class Together:
    """
    How readings lie together.

    Attributes
    ----------
    share : float
        Share of rounds drawn from the forecast that lie at least as far from it; 1 without readings.
    off_by : dict of response -> float
        Average of reading less prediction, in units of the response.
    failed : float
        The largest share of patches that the forecast expects to fail outright.
    """

    share: float
    off_by: dict[str, float]
    failed: float


def read_together(forecast: Forecast, readings: Mapping[str, Readings], *, seed: int = 20) -> Together:
    """
    Hold readings together against a forecast.

    The level is asked toward the side that misses the goal (both sides for a band), the
    scatter about it upwards; the smaller of both ranks, over all responses, is ranked again
    among the rounds drawn, so that the share is what it says however many were asked.

    Parameters
    ----------
    forecast : Forecast
    readings : mapping of response -> Readings
    seed : int
        Of the rounds drawn.

    Examples
    --------
    >>> import numpy as np
    >>> from finishlab.solve.forecast import ResponseForecast
    >>> from finishlab.study import Condition, Job
    >>> one = np.ones(48)
    >>> gloss = ResponseForecast("gloss_20", -1.5 * one, 0.02 * one, 0.04 * one, 0.04 * one, 0.5 * one, 88 * one, 0.0)
    >>> forecast = Forecast({}, {"gloss_20": Condition(at_least=82)}, Job(), 3, (gloss,), ())
    >>> typical = np.full(4, forecast.intervals()["gloss_20"])
    >>> panel, three = np.array(["5", "5", "6", "6"]), np.full(4, 3.0)
    >>> read_together(forecast, {"gloss_20": Readings(typical, three, panel)}).share > 0.5
    True
    >>> read_together(forecast, {"gloss_20": Readings(typical - 2, three, panel)}).share < 0.05
    True
    """
    ranks = np.full(_ROUNDS + 1, np.inf)  # the real round first
    off: dict[str, float] = {}
    for i, (name, read) in enumerate(readings.items()):
        if not len(read.value):
            continue
        response = forecast.response(name)
        drawn = response.drawn(read.panel, read.repeats, _ROUNDS, seed + i)
        rows = np.vstack([read.value, drawn])
        level, scatter = _level_and_scatter(rows, drawn, forecast.goal[name])
        off[name] = float((read.value - drawn.mean(axis=0)).mean())
        ranks = np.minimum(ranks, np.minimum(_rank(level), _SCATTER * _rank(scatter)))
    share = float((ranks <= ranks[0]).mean()) if off else 1.0
    return Together(share, off, max((r.failure_share for r in forecast.responses), default=0.0))


def share_as_few(forecast: Forecast, panel: np.ndarray, met: int, *, seed: int = 21) -> float:
    """
    Return the share of rounds in which as few patches meet every goal, or fewer, when the forecast is right.

    Patches of one panel go together, and what is not known of the process moves all of them; patches that fail
    outright are among them by their share. What two responses of one patch have in common beside that is left out.

    Parameters
    ----------
    forecast : Forecast
    panel : ndarray, shape (patches,)
        Panel of each patch.
    met : int
        Patches that met every goal.
    seed : int
        Of the rounds drawn.

    Examples
    --------
    >>> import numpy as np
    >>> from finishlab.solve.forecast import ResponseForecast
    >>> from finishlab.study import Condition, Job
    >>> one, none = np.ones(48), np.zeros(48)
    >>> gloss = ResponseForecast("gloss_20", -1.5 * one, none, none, 0.04 * one, 1e-6 * one, 88 * one, 0.0)
    >>> typical = 88 * np.exp(-np.exp(-3.0))
    >>> forecast = Forecast({}, {"gloss_20": Condition(at_least=typical)}, Job(), 3, (gloss,), ())

    Patches that have nothing in common and meet the goal in half of cases: none of four in 1 of 16 rounds.

    >>> round(share_as_few(forecast, np.array(["5", "6", "7", "8"]), 0), 2)
    0.06
    >>> share_as_few(forecast, np.array(["5", "6", "7", "8"]), 4)
    1.0
    """
    good = np.ones((_ROUNDS, len(panel)), bool)
    for i, response in enumerate(forecast.responses):
        repeats = np.full(len(panel), float(forecast.spots))
        drawn = response.drawn(panel, repeats, _ROUNDS, seed + i)
        whole = np.random.default_rng([seed, i]).random(drawn.shape) >= response.failure_share
        good &= forecast.goal[response.name].met(drawn) & whole
    return float((good.sum(axis=1) <= met).mean())


def _level_and_scatter(
    rows: np.ndarray, drawn: np.ndarray, condition: Condition
) -> tuple[np.ndarray, np.ndarray]:
    """Return how far each round's level is on the wrong side, and how its readings scatter about it."""
    mean = drawn.mean(axis=0)
    cov = np.atleast_2d(np.cov(drawn, rowvar=False))
    # Counts may be 0 in every round drawn.
    cov = cov + np.eye(len(mean)) * (1e-6 * np.trace(cov) / len(mean) + 1e-9)
    root = linalg.cholesky(cov, lower=True)
    white = linalg.solve_triangular(root, (rows - mean).T, lower=True)
    along = linalg.solve_triangular(root, np.ones(len(mean)), lower=True)
    along /= math.sqrt(float(along @ along))
    level = along @ white
    scatter = ((white - np.outer(along, level)) ** 2).sum(axis=0)
    if condition.at_least is not None and condition.at_most is not None:
        level = np.abs(level)
    elif condition.at_least is not None:
        level = -level
    return level, scatter


def _rank(statistic: np.ndarray) -> np.ndarray:
    """Return for each the share that is at least as large, ties counted, to a rounding error."""
    tidy = np.round(statistic, 9)
    order = np.sort(tidy)
    return (len(tidy) - np.searchsorted(order, tidy, side="left")) / len(tidy)
