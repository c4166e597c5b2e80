"""What a reading after an earlier step tells of this very patch, on this very panel.

A patch that reads rougher than expected after cutting is, as far as panel and patch go, rougher at the end
too. Its state when it was read and the finish to come are two unknowns of one Gaussian model: what the trials
leave open of each process, the panel's and the patch's own luck, which both share, and what each reading has for
itself. What a reading says of the state is worked out under every draw on the reading's own scale, meter and
ceiling as they are; the finish follows from the state by linear conditioning, and draws that foretold the reading
better count for more. The other sections of the job share the process and the panel with this one: of those the
reading tells too. Which settings to ask about is `finishlab.solve`'s.

References
----------
Conditioning of a Gaussian: Rasmussen & Williams (2006), Gaussian Processes for Machine Learning, A.2 (from memory).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy import linalg, special

from finishlab.model.latent import Posterior, Predicted, ReadSection, Rows, crew_average, predict
from finishlab.model.observed import TIE_SLACK
from finishlab.model.response import ResponseFit
from finishlab.model.scales import GlossScale
from finishlab.study import Condition, Job
from finishlab.threads import one_thread
from finishlab.trade import optics

#: Points over which a state is averaged, how often they close in on it, and their reach in its spreads.
_POINTS, _ROUNDS, _REACH = 161, 4, 6.0


@dataclass(frozen=True)
class GlossRead:
    """
    Gloss of a patch, read after a step.

    Attributes
    ----------
    angle : {20, 60}
        Of the meter. Another than the fit's own is tied to it by the optics, with slack.
    gu : float
        Mean of the readings, GU.
    count : int
        How many.
    """

    angle: int
    gu: float
    count: int = 1


@dataclass(frozen=True, eq=False)
class OnThisPatch:
    """
    The finish to come of some processes on a patch that was read after a step, and on the job it belongs to.

    Attributes
    ----------
    predicted : Predicted
        z of this patch after the last step: what is left open of process, panel and patch together in
        ``sd_known``; none of it in ``sd_panel``, each reading's own in ``sd_section``.
    job : Predicted
        z of a job whose sections are all worked alike, this one among them (``read``): what is left open of process
        and panel together in ``sd_known``, none of it in ``sd_panel``.
    weight : ndarray, shape (draws,)
        What each draw counts for, given the readings; sums to one.
    """

    predicted: Predicted
    job: Predicted
    weight: np.ndarray


class ThisPatch:
    """
    Processes that go on from a state of one patch: foretold once, conditioned on any reading of it.

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
    unchanged : ndarray of bool, shape (rows,)
        Processes that do nothing more: their finish is the state itself.
    """

    @one_thread
    def __init__(
        self, fit: ResponseFit, values: np.ndarray, so_far: np.ndarray, step: int, unchanged: np.ndarray
    ) -> None:
        posterior, last = fit.posterior, len(fit.study.steps) - 1
        final = Rows(values, np.full(len(values), last))
        now = Rows(so_far, np.array([step]))
        here, there = predict(posterior, now), predict(posterior, final)
        self._fit = fit
        self._there = replace(
            there,
            mean=np.where(unchanged, here.mean, there.mean),
            sd_known=np.where(unchanged, here.sd_known, there.sd_known),
        )
        self._own, self._meter = posterior.spread("reading"), posterior.spread("meter")
        # The sections of a job share its panel; the steps of a patch share that and the patch.
        self._panel, self._patch = self._there.sd_panel**2, posterior.spread("patch") ** 2
        self._shared = self._panel + self._patch
        known = np.where(unchanged, here.sd_known**2, known_together(posterior, final, now))
        self._together = known + self._shared[:, None]
        self._mean = here.mean[:, 0]
        self._variance = here.sd_known[:, 0] ** 2 + self._shared + self._own**2

    def given(self, reads: Sequence[GlossRead]) -> OnThisPatch:
        """Return the finish to come, given readings of this state."""
        state, left, log_odds = self._state(reads)
        weight = np.exp(log_odds - special.logsumexp(log_odds))
        off, told = (state - self._mean)[:, None], (self._variance - left)[:, None]
        # What the sections share (process and panel) and the patch's own luck, each as far as the state tells of it.
        patch = self._patch[:, None]
        gain = self._together / self._variance[:, None]
        of_patch = patch / self._variance[:, None]
        of_shared = gain - of_patch
        whole = self._there.sd_known**2 + self._panel[:, None]
        shared = np.maximum(whole - of_shared**2 * told, 1e-12)
        with_patch = -of_shared * of_patch * told
        luck = np.maximum(patch - of_patch**2 * told - with_patch**2 / shared, 0.0)
        none = np.zeros_like(self._shared)
        alone = replace(
            self._there,
            mean=self._there.mean + gain * off,
            sd_known=np.sqrt(np.maximum(whole + patch - gain**2 * told, 1e-12)),
            sd_panel=none,
            sd_section=self._own,
        )
        job = replace(
            self._there,
            mean=self._there.mean + of_shared * off,
            sd_known=np.sqrt(shared),
            sd_panel=none,
            read=ReadSection(
                shift=of_patch * off, follows=with_patch / shared, sd=np.sqrt(luck + self._own[:, None] ** 2)
            ),
        )
        return OnThisPatch(alone, job, weight)

    def chance(
        self, reads: Sequence[GlossRead], condition: Condition, job: Job
    ) -> tuple[np.ndarray, Predicted]:
        """
        Return the probability that a job meets a condition at the end, shape (rows,), and what it is of.

        The job is this section and, where it has more, others of the same panel, all worked alike; of those only the panel
        and the process are known better for the reading.
        """
        here = self.given(reads)
        predicted = here.predicted if job.sections == 1 else here.job
        return np.asarray(here.weight @ self._fit.chances(predicted, condition, job)), predicted

    def reads(self, angle: int, count: int, spreads: float) -> tuple[float, float, float]:
        """Return what this state is expected to read, and the readings so many spreads off either way, GU."""
        scale = self._scale(angle)
        tie = 0.0 if angle == self._angle else TIE_SLACK**2
        z, sd = self._mean, np.sqrt(self._variance + tie)
        low, high = (scale.reading(z + side * spreads * sd) for side in (1, -1))
        noise = spreads * self._meter / np.sqrt(count)
        return (
            float(np.mean(scale.reading(z))),
            max(float(np.mean(low - noise)), 0.0),
            float(np.mean(high + noise)),
        )

    @property
    def _angle(self) -> int:
        return int(self._fit.name.removeprefix("gloss_"))

    def _scale(self, angle: int) -> GlossScale:
        """Return the scale of readings at an angle under every draw: the fit's own, or one tied to it by the optics."""
        ceiling = np.array([float(s.ceiling) for s in self._there.scales])  # type: ignore[attr-defined]
        if angle == self._angle:
            return GlossScale(ceiling)
        index = np.linspace(1.40, 1.80, 401)
        index_here = np.interp(ceiling, optics.ceiling_gloss(index, self._angle), index)
        shift = float(optics.log_roughness_shift(self._angle, angle))
        return GlossScale(np.asarray(optics.ceiling_gloss(index_here, angle), float), shift)

    def _state(self, reads: Sequence[GlossRead]) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """
        Return mean and variance of the state under each draw, given the readings, and the log odds of these.

        Averaged over points that close in on the state, since near the ceiling and near the floor of
        the meter a reading is far from straight in z.
        """
        sd = np.sqrt(self._variance)
        low, high = self._mean - _REACH * sd, self._mean + _REACH * sd
        for read in reads:
            # A reading far off what was foretold pulls the points along; at the ends of the scale z has no end.
            scale = self._scale(read.angle)
            z = scale.inverse(np.clip(read.gu, 0.002 * scale.ceiling, 0.998 * scale.ceiling))
            low, high = np.minimum(low, z), np.maximum(high, z)
        for _ in range(_ROUNDS):
            at = np.linspace(low, high, _POINTS)
            log_p = self._log_density(at, reads)
            top = log_p.max(axis=0)
            p = np.exp(log_p - top)
            total = p.sum(axis=0)
            mean = (p * at).sum(axis=0) / total
            variance = (p * (at - mean) ** 2).sum(axis=0) / total
            spacing = (high - low) / (_POINTS - 1)
            log_odds = top + np.log(total * spacing)
            reach = _REACH * np.maximum(np.sqrt(variance), spacing)
            low, high = mean - reach, mean + reach
        return mean, variance, log_odds

    def _log_density(self, z: np.ndarray, reads: Sequence[GlossRead]) -> np.ndarray:
        """Return ln of the density of the readings with the state `z`, shape (points, draws)."""
        out = -0.5 * ((z - self._mean) ** 2 / self._variance + np.log(2 * np.pi * self._variance))
        for read in reads:
            scale = self._scale(read.angle)
            noise = np.broadcast_to(self._meter**2 / read.count, z.shape)
            if read.angle != self._angle:
                noise = noise + (TIE_SLACK * scale.slope(z)) ** 2
            off = read.gu - scale.reading(z)
            out = out - 0.5 * (off**2 / noise + np.log(2 * np.pi * noise))
        return out


@one_thread
def known_together(posterior: Posterior, final: Rows, now: Rows) -> np.ndarray:
    """
    Return how what is not known of each process goes with what is not known of one state.

    Parameters
    ----------
    posterior : Posterior
    final : Rows
    now : Rows
        One row.

    Returns
    -------
    ndarray, shape (draws, rows)
        Covariances of z.
    """
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
