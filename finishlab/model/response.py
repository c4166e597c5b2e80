"""One response fitted: which scale, curve and priors it gets, and how well it held.

Gloss goes through its ceiling, haze through its knee, faults as counts; the step
model follows gloss through the process, the surface model takes any response. Several
responses, minutes and limits meet in `finish_model.py`.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Literal

import numpy as np
from scipy import linalg

from finishlab.errors import ModelError
from finishlab.model.assurance import drawn_probabilities, many_jobs_probability, reading_intervals
from finishlab.model.laplace import fit_posterior
from finishlab.model.latent import Curve, Observed, Posterior, Predicted, Rows, Spread, expected, predict
from finishlab.model.observed import MeterSpread, observe
from finishlab.model.pooling import Earlier
from finishlab.model.readings import refuse_all_alike
from finishlab.model.scales import CountScale, GlossScale, HazeScale, Scale
from finishlab.model.steps import PRIORS, StepCurve
from finishlab.model.surface import SurfaceCurve
from finishlab.study import RESPONSES, Condition, Job, Study
from finishlab.trade import optics

if TYPE_CHECKING:
    import pandas as pd

#: Weak prior of the resin's refractive index: 82 to 93 GU at 20 degrees (trade planning guess).
INDEX_PRIOR = (1.52, 0.015)
#: Spread of ln roughness by panel, patch and reading, of the meter in GU, and how far off
#: these may be (SD of their logs). Planning guesses, common practice, no source.
GLOSS_SPREADS = (
    Spread("panel", 0.04, 0.7),
    Spread("patch", 0.035, 0.7),
    Spread("reading", 0.02, 0.7),
    Spread("meter", 0.5, 0.7),
)
#: The same for haze, in terms of its scale; the meter in haze units.
_HAZE_SPREADS = (
    Spread("panel", 0.1, 1.0),
    Spread("patch", 0.1, 1.0),
    Spread("reading", 0.05, 1.0),
    Spread("meter", 1.0, 1.0),
)
#: The same for counts of faults, in ln of the expected count, and the typical size of its differences.
_COUNT_SPREADS = (Spread("panel", 0.2, 0.7), Spread("patch", 0.2, 0.7), Spread("reading", 0.05, 0.5))
_COUNT_SIZE = 0.7
#: A patch whose last reading falls this many spreads short of what the others say of it failed.
_FAILED_SPREADS = 4.5


@dataclass(frozen=True, eq=False)
class LeftOut:
    """Each trial's last reading beside what the other trials say of it."""

    row: np.ndarray
    y: np.ndarray
    expected: np.ndarray
    sd: np.ndarray

    @property
    def standardised(self) -> np.ndarray:
        """Return (reading - expected) / its spread."""
        return (self.y - self.expected) / self.sd


@dataclass(frozen=True, eq=False)
class ResponseFit:
    """
    One response, fitted.

    Attributes
    ----------
    name : str
    kind : {"steps", "surface"}
    posterior : Posterior
    left_out : LeftOut
    failed, counted : int
        Patches that failed outright, and patches in all.
    cautions : tuple of str
    """

    name: str
    kind: Literal["steps", "surface"]
    study: Study
    posterior: Posterior
    left_out: LeftOut
    failed: int
    counted: int
    cautions: tuple[str, ...]

    def predicted(self, values: np.ndarray, more_trials: float = 0.0) -> Predicted:
        """
        Return z of processes after the last step.

        With `more_trials`, as well as each process would be known had it been worked that
        many times more, four patches a new panel; infinity stands for perfect knowledge.
        """
        last = len(self.study.steps) - 1
        p = predict(self.posterior, Rows(values, np.full(len(values), last)))
        if more_trials == 0:
            return p
        noise = ((4 * p.sd_panel**2 + p.sd_section**2) / more_trials)[:, None]
        return replace(p, sd_known=np.sqrt(p.sd_known**2 * noise / (p.sd_known**2 + noise)))

    @property
    def metered(self) -> bool:
        """Whether a meter reads it; faults are counted."""
        return self.posterior.draws[0].scale.metered

    @property
    def failure_share(self) -> float:
        """Expected share of patches that fail outright, 0 when none has been seen to."""
        return (self.failed + 0.5) / (self.counted + 1) if self.failed else 0.0

    def probability(self, values: np.ndarray, condition: Condition, more_trials: float = 0.0) -> np.ndarray:
        """Return the probability that the next job meets a condition, shape (rows,)."""
        return self.chance(self.predicted(values, more_trials), condition)

    def chance(self, predicted: Predicted, condition: Condition, job: Job | None = None) -> np.ndarray:
        """As `probability`, for what is predicted already, of the study's job or another."""
        return np.asarray(self.chances(predicted, condition, job).mean(axis=0))

    def chances(self, predicted: Predicted, condition: Condition, job: Job | None = None) -> np.ndarray:
        """As `chance`, under each of the draws, shape (draws, rows)."""
        job = self.study.job if job is None else job
        p = drawn_probabilities(predicted, condition, self.study.reading.spots, job)
        return p * (1 - self.failure_share) ** job.sections

    def mean_probability(self, values: np.ndarray, condition: Condition) -> np.ndarray:
        """Return the probability that the mean of very many jobs meets a condition, shape (rows,)."""
        return many_jobs_probability(self.predicted(values), condition)

    def typical(self, values: np.ndarray) -> np.ndarray:
        """Return about what each process reads, from one draw; quick over very many."""
        one = replace(self.posterior, draws=self.posterior.draws[:1])
        last = len(self.study.steps) - 1
        z = expected(one, Rows(values, np.full(len(values), last)))[0]
        return one.draws[0].scale.reading(z)

    def intervals(self, values: np.ndarray) -> dict[str, np.ndarray]:
        """Return the typical reading and its named intervals."""
        return reading_intervals(self.predicted(values), self.study.reading.spots)


def asked_response(study: Study, response: str | None) -> str:
    """
    Return the response asked for, the first of the goal when none is.

    Raises
    ------
    ModelError
        It is nothing that is read; the known ones are named.
    """
    response = response or next(iter(study.goal))
    if response not in RESPONSES:
        raise ModelError(f"{response!r} is nothing that is read. Known are: {', '.join(RESPONSES)}.")
    return response


def scale_of(response: str, parameter: float) -> Scale:
    """Return the scale of a response; `parameter` is the refractive index for gloss."""
    if response.startswith("gloss_"):
        return GlossScale(float(optics.ceiling_gloss(parameter, int(response.removeprefix("gloss_")))))
    return CountScale() if response == "faults" else HazeScale()


def fit_response(
    study: Study,
    trials: pd.DataFrame,
    response: str,
    kind: Literal["steps", "surface"],
    seed: int,
    *,
    meter: MeterSpread | None = None,
    earlier: Earlier | None = None,
) -> ResponseFit:
    """Fit one response; `kind` "steps" is for gloss, others take the surface model."""
    gloss = response.startswith("gloss_")
    steps = kind == "steps" and gloss
    spreads = _spreads(response)
    seen = observe(
        trials,
        study,
        response,
        every_step=steps,
        panel_spread=spreads[0].median,
        meter=meter,
        earlier=earlier,
    )
    observed, row, cautions = seen.observed, seen.row, seen.cautions
    refuse_all_alike(response, observed.y[: len(row)][observed.rows.step[: len(row)] == len(study.steps) - 1])
    curve = _curve(study, observed, response, steps)

    def posterior_of(observed: Observed) -> Posterior:
        return fit_posterior(
            curve,
            observed,
            spreads,
            lambda c: scale_of(response, c),
            INDEX_PRIOR if gloss else None,
            seed,
            None if observed.tied is None else lambda c: _tied_scale(c, observed.tied),  # type: ignore[arg-type]
        )

    posterior = posterior_of(observed)
    left_out = _left_out(posterior, study, row)
    counted = len(left_out.y)
    failed = 0
    if gloss and (bad := left_out.standardised < -_FAILED_SPREADS).any() and bad.mean() < 0.2:
        # The failure itself is counted in the promise; it must not bend the curve as well.
        failed = int(bad.sum())
        lost = np.zeros(len(observed.y), bool)
        lost[: len(row)] = np.isin(row, left_out.row[bad])
        lost &= observed.rows.step == len(study.steps) - 1
        posterior = posterior_of(replace(observed, repeats=np.where(lost, 1e-4, observed.repeats)))
        where = ", ".join(str(r) for r in left_out.row[bad])
        cautions += (
            f"{failed} of {counted} patches read far below what the other trials say of them (rows {where}). They "
            "stay in as failures and lower every assurance by their share; look at those patches under the lamp.",
        )
    return ResponseFit(
        response, "steps" if steps else "surface", study, posterior, left_out, failed, counted, cautions
    )


def _tied_scale(index: float, tied: np.ndarray) -> Scale:
    """Return the scale of each reading, those at 60 degrees tied to 20 by the optics."""
    at_20, at_60 = (float(optics.ceiling_gloss(index, angle)) for angle in (20, 60))
    shift = float(optics.log_roughness_shift(20, 60))
    return GlossScale(np.where(tied, at_60, at_20), np.where(tied, shift, 0.0))


def _spreads(response: str) -> tuple[Spread, ...]:
    if response.startswith("gloss_"):
        return GLOSS_SPREADS
    return _COUNT_SPREADS if response == "faults" else _HAZE_SPREADS


def _curve(study: Study, observed: Observed, response: str, steps: bool) -> Curve:
    if steps:
        starts = observed.rows.start
        if starts is None or not np.isfinite(starts).any():
            return StepCurve(study.basis)
        # What the next job starts from is about what these patches started from.
        z = starts[np.isfinite(starts)]
        share = float(optics.share_from_log_roughness(float(z.mean())))
        return StepCurve(study.basis, replace(PRIORS, fresh_share=share, fresh_sd=max(float(z.std()), 0.1)))
    if response == "faults":
        return SurfaceCurve(
            study.basis, float(np.log((observed.y.sum() + 0.5) / len(observed.y))), _COUNT_SIZE
        )
    z = scale_of(response, INDEX_PRIOR[0] + INDEX_PRIOR[1]).inverse(observed.y)
    z = z[np.isfinite(z)]
    return SurfaceCurve(study.basis, float(np.median(z)), max(float(z.std()), 0.1))


def _left_out(posterior: Posterior, study: Study, row: np.ndarray) -> LeftOut:
    """
    Predict each trial's last reading from the other trials, under one typical draw.

    Uses the block form of leave-one-out for Gaussian models: with C the covariance of the
    readings and a = C^-1 e, what the others say of block B is y_B - (C^-1_BB)^-1 a_B.
    """
    observed = posterior.observed
    draw = posterior.draws[len(posterior.draws) // 2]
    inverse = linalg.cho_solve((draw.root, True), np.eye(len(observed.y)))
    # weights = slope * C^-1 e; where the slope vanishes the reading says nothing of z.
    a = draw.weights / np.where(np.abs(draw.slope) > 1e-12, draw.slope, 1e-12)
    last = len(study.steps) - 1
    rows, y, expected, sd = [], [], [], []
    for i in np.flatnonzero(observed.rows.step[: len(row)] == last):  # earlier studies' readings come after
        block = np.flatnonzero(observed.trial == observed.trial[i])
        cov = np.linalg.inv(inverse[np.ix_(block, block)])
        at = int(np.flatnonzero(block == i)[0])
        rows.append(row[i])
        y.append(observed.y[i])
        expected.append(observed.y[i] - float((cov @ a[block])[at]))
        sd.append(float(np.sqrt(cov[at, at])))
    return LeftOut(np.array(rows, dtype=object), np.array(y), np.array(expected), np.array(sd))
