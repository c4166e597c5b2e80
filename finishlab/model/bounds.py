"""Which of very many processes can be sure enough: bounds that are cheap, and never too low.

Asked exactly, a process costs all draws of every response. Most of very many fall so far short
that a few draws prove it: every draw has its share of the probability, so a process that
misses the goal under draws of more than 1 - `wanted` in all is out, whatever the others say.
Two stages, each of which only ever drops what is proved to fall short:

1. Loosely, over a few draws: the mean of z as it is, its spread no smaller than it is. A
   Gaussian process known from some of the readings alone is known no better than from all of
   them, so the spread given 16 readings is an upper bound; and where the mean misses the
   goal, a larger spread makes the chance larger. Where the mean meets it the chance is taken as 1.
2. Exactly, some draws at a time, dropped as soon as the share missed is too large.

What is left is for `FinishModel.probability_of` to ask. Goals together are no likelier than the
least likely of them, however they go together.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import numpy as np
from scipy import linalg, special

from finishlab.model.assurance import meter_points
from finishlab.model.latent import Draw, Posterior, Predicted, Rows, crew_average, mean_correction
from finishlab.model.response import ResponseFit
from finishlab.study import Condition
from finishlab.threads import one_thread

#: Readings that the spread is bounded from.
_READINGS = 16
#: Rounding must not drop what is just sure enough.
_SLACK = 1e-9


def can_be_sure(
    fits: Mapping[str, ResponseFit], goal: Mapping[str, Condition], values: np.ndarray, wanted: float
) -> tuple[np.ndarray, np.ndarray]:
    """
    Return which processes may meet every goal with a probability of `wanted`, and about how probable each is.

    Parameters
    ----------
    fits : mapping of response -> ResponseFit
    goal : mapping of response -> Condition
    values : ndarray, shape (rows, factors)
    wanted : float

    Returns
    -------
    possible : ndarray of bool, shape (rows,)
        False only where the probability is proved to be below `wanted`.
    about : ndarray, shape (rows,)
        The draws that were asked speak for all, and each goal for itself: of use only to order those that are not possible.
    """
    asked = [(fits[name], condition, _by_mode(fits[name].posterior)) for name, condition in goal.items()]
    turns = max(len(groups) for _, _, groups in asked)
    possible = np.ones(len(values), bool)
    about = np.ones(len(values))
    for loosely in (True, False):
        missed, met, seen = (np.zeros((len(asked), len(values))) for _ in range(3))
        for turn in range(1 if loosely else turns):
            rows = np.flatnonzero(possible)
            if not len(rows):
                break
            for k, (fit, condition, groups) in enumerate(asked):
                if turn >= len(groups):
                    continue
                draws, chance = groups[turn], _exactly
                if loosely:
                    few = int(np.ceil(len(fit.posterior.draws) * (1 - wanted))) + 1
                    draws = max(groups, key=len)[:few]
                    chance = _loosely if _bounded(fit, condition) else _exactly
                share = len(draws) / len(fit.posterior.draws)
                p = chance(fit, draws, values[rows], condition)
                missed[k, rows] += share * (1 - p)
                met[k, rows] += share * p
                seen[k, rows] += share
            about[rows] = (met[:, rows] / seen[:, rows]).prod(axis=0)
            possible[rows] = (1 - missed[:, rows] >= wanted - _SLACK).all(axis=0)
    return possible, about


def _by_mode(posterior: Posterior) -> list[tuple[Draw, ...]]:
    """Return the draws sorted by the mode they share, whose curve is then followed once for all of them."""
    groups: dict[int, list[Draw]] = {}
    for draw in posterior.draws:
        groups.setdefault(id(draw.theta), []).append(draw)
    return [tuple(some) for some in groups.values()]


def _bounded(fit: ResponseFit, condition: Condition) -> bool:
    """Return whether one section that misses is a job that misses, its reading the scale's value at z, the band fixed."""
    if condition.neighbour_readings:
        return False
    return fit.metered and fit.study.job.accept == "every section"


def _exactly(
    fit: ResponseFit, draws: tuple[Draw, ...], values: np.ndarray, condition: Condition
) -> np.ndarray:
    """Return the mean probability under some of the draws."""
    return replace(fit, posterior=replace(fit.posterior, draws=draws)).probability(values, condition)


def _loosely(
    fit: ResponseFit, draws: tuple[Draw, ...], values: np.ndarray, condition: Condition
) -> np.ndarray:
    """Return a mean over some of the draws that is no smaller than the probability that one section meets the goal."""
    last = len(fit.study.steps) - 1
    known = _known_no_worse(
        replace(fit.posterior, draws=draws), Rows(values, np.full(len(values), last)), last
    )
    total = np.zeros(len(values))
    for d, scale in enumerate(known.scales):
        spread = np.sqrt(known.sd_known[d] ** 2 + known.sd_panel[d] ** 2 + known.sd_section[d] ** 2)
        for weight, low, high in meter_points(
            scale, known.sd_meter[d] / np.sqrt(fit.study.reading.spots), condition
        ):
            # Only one end can be missed at a time; an open one is infinitely far.
            beyond = np.maximum(low - known.mean[d], known.mean[d] - high) / spread
            total += weight * np.where(beyond > 0, special.ndtr(-beyond), 1.0)
    return total / len(known.scales)


@one_thread
def _known_no_worse(posterior: Posterior, rows: Rows, last: int) -> Predicted:
    """Return what `predict` does, with the spread of what is known from some of the readings only."""
    curve, observed = posterior.curve, posterior.observed
    some = np.flatnonzero(observed.rows.step == last)
    some = some[np.unique(np.linspace(0, len(some) - 1, _READINGS).round().astype(int))]
    likeness, own = curve.likeness(rows, observed.rows), curve.own(rows)
    weights = np.array([draw.weights for draw in posterior.draws]).T
    by_weight = [g @ weights for g in likeness]
    few = [g[:, some] for g in likeness]
    theta = posterior.draws[0].theta
    m, j = curve.curve(theta, rows)
    _, j_old = curve.curve(theta, observed.rows)
    scaled, scaled_old = j * curve.prior_sd, j_old * curve.prior_sd
    prior_cov, prior_var = scaled @ scaled_old[some].T, (scaled**2).sum(axis=1)
    means, sds = [], []
    for d, draw in enumerate(posterior.draws):
        squares = draw.amplitudes**2
        with_readings, own_part = crew_average(observed, draw)
        missing = sum(a * g[:, d] for a, g in zip(squares, by_weight, strict=True))
        means.append(m + mean_correction(posterior, draw, j, j_old) + missing)
        cov = prior_cov + sum(a * g for a, g in zip(squares, few, strict=True)) + with_readings[some]
        total = prior_var + sum(a * g for a, g in zip(squares, own, strict=True)) + own_part
        root = linalg.cholesky(draw.root[some] @ draw.root[some].T, lower=True, check_finite=False)
        v = linalg.solve_triangular(root, (cov * draw.slope[some]).T, lower=True, check_finite=False)
        sds.append(np.sqrt(np.maximum(total - (v**2).sum(axis=0), 1e-12)))
    return Predicted(
        mean=np.array(means),
        sd_known=np.array(sds),
        sd_panel=posterior.job_spread,
        sd_section=np.hypot(posterior.spread("patch"), posterior.spread("reading")),
        sd_meter=posterior.spread("meter"),
        scales=tuple(d.scale for d in posterior.draws),
    )
