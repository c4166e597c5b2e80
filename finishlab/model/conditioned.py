"""What a reading after an earlier step tells of this very patch, on this very panel.

A patch that reads rougher than expected after cutting is, as far as panel and patch go, rougher at the end
too. The reading and the finish to come are two unknowns of one Gaussian model: what the trials leave open of
each process, the panel's and the patch's own luck, which both share, and what each reading has for itself. Given the
reading, the finish follows by linear conditioning under every draw, and draws that foretold the reading
better count for more. Which settings to ask about is `finishlab.solve`'s.

References
----------
Conditioning of a Gaussian: Rasmussen & Williams (2006), Gaussian Processes for Machine Learning, A.2 (from memory).
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from scipy import linalg, special

from finishlab import optics
from finishlab._threads import one_thread
from finishlab.model.latent import Posterior, Predicted, Rows, crew_average, predict
from finishlab.model.observed import TIE_SLACK
from finishlab.model.response import ResponseFit
from finishlab.model.scales import GlossScale, Scale
from finishlab.study import Condition


@dataclass(frozen=True, eq=False)
class OnThisPatch:
    """
    The finish to come of some processes on a patch that was read after a step.

    Attributes
    ----------
    predicted : Predicted
        z after the last step: what is left open of process, panel and patch together in
        ``sd_known``; none of it in ``sd_panel``, each reading's own in ``sd_section``.
    weight : ndarray, shape (draws,)
        What each draw counts for, given the reading; sums to one.
    """

    predicted: Predicted
    weight: np.ndarray


@one_thread
def on_this_patch(
    fit: ResponseFit,
    values: np.ndarray,
    so_far: np.ndarray,
    step: int,
    reading: float,
    count: int,
    angle: int,
) -> OnThisPatch:
    """
    Return what processes come to on this patch, given a reading of it.

    Parameters
    ----------
    fit : ResponseFit
        Of gloss, by the step model.
    values : ndarray, shape (rows, factors)
        Processes that go on from here, as `Basis.values`.
    so_far : ndarray, shape (1, factors)
        What was worked up to the step; later settings have no say.
    step : int
        Position of the step that was just worked.
    reading : float
        Mean of the readings, GU.
    count : int
        How many.
    angle : {20, 60}
        Of the meter. Another than the fit's own is tied to it by the optics, with slack.
    """
    posterior, last = fit.posterior, len(fit.study.steps) - 1
    final = Rows(values, np.full(len(values), last))
    now = Rows(so_far, np.array([step]))
    there, here = predict(posterior, final), predict(posterior, now)
    cross = _known_together(posterior, final, now)
    own = posterior.spread("reading")
    shared = there.sd_panel**2 + posterior.spread("patch") ** 2
    meter = posterior.spread("meter")
    means, sds, log_odds = [], [], np.empty(len(posterior.draws))
    for d, scale in enumerate(there.scales):
        read = _scale_at(fit, scale, angle)
        z, slope = _seen(read, reading, float(here.mean[d, 0]))
        noise = (meter[d] / np.sqrt(count) / slope) ** 2 + (0.0 if read is scale else TIE_SLACK**2)
        spread = here.sd_known[d, 0] ** 2 + shared[d] + own[d] ** 2 + noise
        gain = (cross[d] + shared[d]) / spread
        off = z - here.mean[d, 0]
        means.append(there.mean[d] + gain * off)
        left = there.sd_known[d] ** 2 + shared[d] - gain * (cross[d] + shared[d])
        sds.append(np.sqrt(np.maximum(left, 1e-12)))
        log_odds[d] = -0.5 * off**2 / spread - 0.5 * np.log(spread) - np.log(slope)
    weight = np.exp(log_odds - special.logsumexp(log_odds))
    none = np.zeros_like(there.sd_panel)
    predicted = replace(there, mean=np.array(means), sd_known=np.array(sds), sd_panel=none, sd_section=own)
    return OnThisPatch(predicted, weight)


def chance_here(fit: ResponseFit, on_patch: OnThisPatch, condition: Condition) -> np.ndarray:
    """Return the probability that this section meets a condition at the end, shape (rows,)."""
    one = replace(fit, study=replace(fit.study, job=replace(fit.study.job, sections=1)))
    return np.asarray(on_patch.weight @ one.chances(on_patch.predicted, condition))


def _scale_at(fit: ResponseFit, scale: Scale, angle: int) -> Scale:
    """Return the scale of a reading at an angle: the fit's own, or one tied to it by the optics."""
    mine = int(fit.name.removeprefix("gloss_"))
    if angle == mine:
        return scale
    index = np.linspace(1.40, 1.80, 401)
    ceiling = np.interp(float(scale.ceiling), optics.ceiling_gloss(index, mine), index)  # type: ignore[attr-defined]
    return GlossScale(
        float(optics.ceiling_gloss(ceiling, angle)), float(optics.log_roughness_shift(mine, angle))
    )


def _seen(scale: Scale, reading: float, about: float) -> tuple[float, float]:
    """
    Return the z of a reading and the scale's slope there, where the reading says anything of z.

    At the ends of the scale a reading says only that z is beyond: then it stands at the end.
    """
    ceiling = float(scale.ceiling)  # type: ignore[attr-defined]
    inside = float(np.clip(reading, 0.002 * ceiling, 0.998 * ceiling))
    z = float(scale.inverse(np.array(inside)))
    return z, max(abs(float(scale.slope(np.array(z)))), 1e-6)


def _known_together(posterior: Posterior, final: Rows, now: Rows) -> np.ndarray:
    """Return how what is not known of each process goes with what is not known of the state so far, shape (draws, rows)."""
    curve, observed = posterior.curve, posterior.observed
    among = curve.likeness(final, now)
    of_final, of_now = curve.likeness(final, observed.rows), curve.likeness(now, observed.rows)
    out = []
    followed: dict[int, tuple[np.ndarray, np.ndarray, np.ndarray]] = {}
    for draw in posterior.draws:
        if id(draw.theta) not in followed:
            followed[id(draw.theta)] = tuple(
                curve.curve(draw.theta, rows)[1] * curve.prior_sd for rows in (final, now, observed.rows)
            )
        j, j_now, j_old = followed[id(draw.theta)]
        squares = draw.amplitudes**2
        with_readings, own = crew_average(observed, draw)
        a = j @ j_old.T + sum(s * g for s, g in zip(squares, of_final, strict=True)) + with_readings
        b = j_now @ j_old.T + sum(s * g for s, g in zip(squares, of_now, strict=True)) + with_readings
        prior = (j @ j_now.T)[:, 0] + sum(s * g[:, 0] for s, g in zip(squares, among, strict=True)) + own
        solved = [
            linalg.solve_triangular(draw.root, (c * draw.slope).T, lower=True, check_finite=False)
            for c in (a, b)
        ]
        out.append(prior - solved[0].T @ solved[1][:, 0])
    return np.array(out)


def state_so_far(
    fit: ResponseFit, so_far: np.ndarray, step: int, angle: int, reach: float
) -> tuple[float, float, float]:
    """
    Return what a patch is expected to read after a step, and the readings that lie so many spreads off either way, GU.

    Parameters
    ----------
    fit : ResponseFit
    so_far : ndarray, shape (1, factors)
    step : int
    angle : {20, 60}
    reach : float
    """
    here = predict(fit.posterior, Rows(so_far, np.array([step])))
    d = len(here.scales) // 2
    scale = _scale_at(fit, here.scales[d], angle)
    spread = float(np.sqrt(np.mean(here.sd_known**2) + np.mean(here.sd_panel**2 + here.sd_section**2)))
    z = float(here.mean.mean()) + spread * np.array([0.0, reach, -reach])
    middle, low, high = (float(v) for v in scale.reading(z))
    return middle, low, high
