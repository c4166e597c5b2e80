"""The engine under every response: a Gaussian model of z, read through a scale.

z = curve(parameters, settings) + panel + patch + reading + what the curve misses, and a
reading is the scale's value at z plus the meter's noise (counts: Poisson about it). The
parameters have stated priors; the spreads and the ceiling are not plugged in but drawn
from what the trials say of them, and every prediction is a mixture over those draws.

Here are its parts and its predictions; `laplace.py` finds the draws. Which curve, which
priors and which trials are other modules' business; so are goals.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import Literal, Protocol

import numpy as np
from scipy import linalg

from finishlab.model.scales import Scale
from finishlab.threads import one_thread


@dataclass(frozen=True)
class Rows:
    """
    Processes and the step after which each is looked at; one row each.

    Attributes
    ----------
    values : ndarray, shape (rows, factors)
        As `Basis.values`.
    step : ndarray, shape (rows,)
        Position of the step among the study's steps.
    start : ndarray, shape (rows,), or None
        z of the patch before any work; NaN where nobody read it.
    """

    values: np.ndarray
    step: np.ndarray
    start: np.ndarray | None = None

    def __len__(self) -> int:
        return len(self.step)


@dataclass(frozen=True)
class Spread:
    """A standard deviation that is not known: its prior median and the SD of its log."""

    name: str
    median: float
    log_sd: float


@dataclass(frozen=True, eq=False)
class Shared:
    """
    Something beside their panel that readings have in common, and that moves z alike.

    Attributes
    ----------
    spread : Spread
        How much z differs for it.
    alike : ndarray, shape (rows, rows)
        1 (or a likeness from 0 to 1) where two readings share it, else 0.
    next_job : {"new", "one of them", "not"}
        What the next job meets: another one, never seen (a half panel); one of those in
        the trials (a technician of the crew); or nothing of the kind (an earlier study).
    members : ndarray, shape (rows, members)
        1 where a reading belongs to a member whom the next job may meet; for "one of them".
    """

    spread: Spread
    alike: np.ndarray
    next_job: Literal["new", "one of them", "not"]
    members: np.ndarray


class Curve(Protocol):
    """What z is expected to do over the settings, and how alike two processes are."""

    prior_mean: np.ndarray
    prior_sd: np.ndarray

    @property
    def misses(self) -> tuple[Spread, ...]:
        """Return the amplitude of each part the curve misses."""
        ...

    def curve(self, theta: np.ndarray, rows: Rows) -> tuple[np.ndarray, np.ndarray]:
        """Return z, shape (rows,), and its derivatives, shape (rows, parameters)."""
        ...

    def likeness(self, a: Rows, b: Rows) -> list[np.ndarray]:
        """Return for each part in `misses` the correlation of rows of `a` with rows of `b`."""
        ...

    def own(self, rows: Rows) -> list[np.ndarray]:
        """Return for each part in `misses` the correlation of each row with itself."""
        ...


@dataclass(frozen=True, eq=False)
class Observed:
    """
    What was read, one row a patch and step.

    Attributes
    ----------
    rows : Rows
    y : ndarray
        Mean of the repeat readings (or a count).
    repeats : ndarray
        How many readings that mean holds.
    panel, trial : ndarray of int
    meter_ss, meter_df : float
        Sum of squares and degrees of freedom of repeats about their patch means.
    shared : tuple of Shared
        What else readings have in common.
    tied : ndarray of bool, or None
        Readings taken at another angle, tied to z by the optics.
    slack : ndarray, shape (rows, rows), or None
        Covariance of what that tie may be off by, in z.
    weight : ndarray or None
        What each reading counts for, 0 to 1; 1 when None. Below 1 are those of an earlier study.
    """

    rows: Rows
    y: np.ndarray
    repeats: np.ndarray
    panel: np.ndarray
    trial: np.ndarray
    meter_ss: float = 0.0
    meter_df: float = 0.0
    shared: tuple[Shared, ...] = ()
    tied: np.ndarray | None = None
    slack: np.ndarray | None = None
    weight: np.ndarray | None = None

    @property
    def present(self) -> np.ndarray:
        """Which readings are of the present study, shape (rows,)."""
        return np.ones(len(self.y), bool) if self.weight is None else self.weight == 1


@dataclass(frozen=True, eq=False)
class Draw:
    """One possible state of the world: a ceiling, spreads, and the mode that goes with them."""

    scale: Scale
    spreads: dict[str, float]
    theta: np.ndarray
    amplitudes: np.ndarray
    weights: np.ndarray  # K^-1-like vector: mean correction = covariance @ weights
    root: np.ndarray  # lower Cholesky factor of the readings' covariance
    slope: np.ndarray  # slope of the scale at each observed row


@dataclass(frozen=True, eq=False)
class Posterior:
    """Draws that stand for what is known after the trials; equal weight each."""

    curve: Curve
    observed: Observed
    draws: tuple[Draw, ...]
    log_evidence: float
    ceilings: np.ndarray = field(default_factory=lambda: np.empty(0))

    def spread(self, name: str) -> np.ndarray:
        """Return the drawn values of one spread."""
        return np.array([d.spreads[name] for d in self.draws])

    @cached_property
    def job_spread(self) -> np.ndarray:
        """Spread of what the sections of a next job share: its panel, and who and what it falls to."""
        square = self.spread("panel") ** 2
        for g in self.observed.shared:
            if g.next_job == "new":
                square = square + self.spread(g.spread.name) ** 2
            elif g.next_job == "one of them":
                square = square + np.array([_apart(d, g) for d in self.draws])
        return np.sqrt(square)


@dataclass(frozen=True, eq=False)
class ReadSection:
    """
    A section of a job that was read on the way: its z beside what all sections of the job share.

    With s what they share, about its mean m, its z is s + shift + follows x (s - m), with a spread of its own.

    Attributes
    ----------
    shift, follows, sd : ndarray, shape (draws, rows)
    """

    shift: np.ndarray
    follows: np.ndarray
    sd: np.ndarray


@dataclass(frozen=True, eq=False)
class Predicted:
    """
    z of new processes, per draw.

    Attributes
    ----------
    mean, sd_known : ndarray, shape (draws, rows)
        Mean of z of the process itself, and how well that is known.
    sd_panel, sd_section, sd_meter : ndarray, shape (draws,)
        Spread of a new panel with all else that a job has in common (the technician it
        falls to, say), of a patch on it, and of one meter reading.
    scales : tuple of Scale
    read : ReadSection or None
        One section of the job, where it was read on the way; the others are as predicted.
    """

    mean: np.ndarray
    sd_known: np.ndarray
    sd_panel: np.ndarray
    sd_section: np.ndarray
    sd_meter: np.ndarray
    scales: tuple[Scale, ...]
    read: ReadSection | None = None


@one_thread
def predict(posterior: Posterior, rows: Rows) -> Predicted:
    """Return z of new processes on a new panel, for every draw."""
    curve, observed = posterior.curve, posterior.observed
    likeness, own = curve.likeness(rows, observed.rows), curve.own(rows)
    known: dict[int, tuple[np.ndarray, np.ndarray, np.ndarray]] = {}
    means, sds = [], []
    for draw in posterior.draws:
        key = id(draw.theta)
        if key not in known:
            m, j = curve.curve(draw.theta, rows)
            _, j_old = curve.curve(draw.theta, observed.rows)
            scaled = j * curve.prior_sd
            known[key] = (
                m + j @ (curve.prior_mean - draw.theta),
                scaled @ (j_old * curve.prior_sd).T,
                (scaled**2).sum(1),
            )
        mean, prior_cov, prior_var = known[key]
        cov = prior_cov + sum(a**2 * g for a, g in zip(draw.amplitudes, likeness, strict=True))
        total = prior_var + sum(a**2 * g for a, g in zip(draw.amplitudes, own, strict=True))
        with_readings, own_part = crew_average(observed, draw)
        cov, total = cov + with_readings, total + own_part
        means.append(mean + cov @ draw.weights)
        v = linalg.solve_triangular(draw.root, (cov * draw.slope).T, lower=True, check_finite=False)
        sds.append(np.sqrt(np.maximum(total - (v**2).sum(0), 1e-12)))
    metered = "meter" in posterior.draws[0].spreads
    return Predicted(
        mean=np.array(means),
        sd_known=np.array(sds),
        sd_panel=posterior.job_spread,
        sd_section=np.hypot(posterior.spread("patch"), posterior.spread("reading")),
        sd_meter=posterior.spread("meter") if metered else np.zeros(len(posterior.draws)),
        scales=tuple(d.scale for d in posterior.draws),
    )


@one_thread
def expected(posterior: Posterior, rows: Rows) -> np.ndarray:
    """Return the mean of z that `predict` gives, shape (draws, rows), in a fraction of its time."""
    curve, observed = posterior.curve, posterior.observed
    likeness = curve.likeness(rows, observed.rows)
    out = np.empty((len(posterior.draws), len(rows)))
    followed: dict[int, tuple[np.ndarray, np.ndarray, np.ndarray]] = {}
    for d, draw in enumerate(posterior.draws):
        if id(draw.theta) not in followed:
            m, j = curve.curve(draw.theta, rows)
            followed[id(draw.theta)] = m, j, curve.curve(draw.theta, observed.rows)[1]
        m, j, j_old = followed[id(draw.theta)]
        out[d] = m + mean_correction(posterior, draw, j, j_old)
        for amplitude, alike in zip(draw.amplitudes, likeness, strict=True):
            out[d] += amplitude**2 * (alike @ draw.weights)
    return out


def mean_correction(posterior: Posterior, draw: Draw, j: np.ndarray, j_old: np.ndarray) -> np.ndarray:
    """Return what the readings add to the curve's z by its parameters and the crew, `j` its derivatives."""
    curve, with_readings = posterior.curve, crew_average(posterior.observed, draw)[0]
    told = curve.prior_sd**2 * (j_old.T @ draw.weights)
    return j @ (curve.prior_mean - draw.theta + told) + with_readings @ draw.weights


def crew_average(observed: Observed, draw: Draw) -> tuple[np.ndarray, float]:
    """
    Return what "as the whole crew works it on average" adds to what is not known of a process.

    Returns
    -------
    with_readings : ndarray, shape (readings,)
        Covariance with each reading.
    own : float
        Variance; the same is the covariance with any other process.
    """
    with_readings, own = np.zeros(len(observed.y)), 0.0
    for crew in observed.shared:
        if crew.next_job == "one of them":
            share = draw.spreads[crew.spread.name] ** 2 / crew.members.shape[1]
            with_readings, own = with_readings + share * crew.members.sum(axis=1), own + share
    return with_readings, own


def _apart(draw: Draw, crew: Shared) -> float:
    """Return the mean square of one member of a crew about the crew's average, as far as is known."""
    each, square = crew.members, draw.spreads[crew.spread.name] ** 2
    mean = square * (each.T @ draw.weights)
    v = linalg.solve_triangular(draw.root, draw.slope[:, None] * each, lower=True, check_finite=False)
    cov = square * np.eye(len(mean)) - square**2 * (v.T @ v)
    return float(mean.var() + max(np.trace(cov) / len(mean) - cov.mean(), 0.0))


#: Draws of the processes for each draw of spreads and ceiling. Even: each comes with its mirror
#: image, so that averages are exact on a straight scale.
EACH = 32
_SEED = 20
#: Draws of spreads and ceiling that speak for all where only the middle is asked.
_FEW = 4
#: Share of the average variance added to all, so that alike processes still have a root.
_JITTER = 1e-8


@one_thread
def joint_readings(posterior: Posterior, rows: Rows) -> np.ndarray:
    """
    Return draws of what processes read on a panel like the average, in units of the reading.

    Parameters
    ----------
    posterior : Posterior
    rows : Rows
        A few hundred at most: time grows with the cube of their number.

    Returns
    -------
    ndarray, shape (draws x EACH, rows)
    """
    rng = np.random.default_rng(_SEED)
    curve, observed = posterior.curve, posterior.observed
    to_old, among = curve.likeness(rows, observed.rows), curve.likeness(rows, rows)
    out = []
    for draw in posterior.draws:
        m, j = curve.curve(draw.theta, rows)
        _, j_old = curve.curve(draw.theta, observed.rows)
        scaled = j * curve.prior_sd
        cov_old = scaled @ (j_old * curve.prior_sd).T
        cov = scaled @ scaled.T
        for amplitude, old, new in zip(draw.amplitudes, to_old, among, strict=True):
            cov_old += amplitude**2 * old
            cov += amplitude**2 * new
        with_readings, own = crew_average(observed, draw)
        cov_old, cov = cov_old + with_readings, cov + own
        mean = m + j @ (curve.prior_mean - draw.theta) + cov_old @ draw.weights
        v = linalg.solve_triangular(draw.root, (cov_old * draw.slope).T, lower=True, check_finite=False)
        cov -= v.T @ v
        luck = rng.standard_normal((EACH // 2, len(rows))) @ _root(cov).T
        out.append(draw.scale.reading(np.concatenate([mean + luck, mean - luck])))
    return np.concatenate(out)


@one_thread
def middling_readings(posterior: Posterior, rows: Rows) -> np.ndarray:
    """Return about what processes read, from a few of the draws; quick over thousands. Shape (rows,)."""
    pick = np.linspace(0, len(posterior.draws) - 1, _FEW).round().astype(int)
    few = replace(posterior, draws=tuple(posterior.draws[i] for i in pick))
    return np.mean([d.scale.reading(z) for d, z in zip(few.draws, expected(few, rows), strict=True)], axis=0)


def _root(cov: np.ndarray) -> np.ndarray:
    """Return a matrix whose square is a covariance, though some processes be as good as one."""
    eye = np.eye(len(cov)) * max(np.trace(cov) / len(cov), 1e-300)
    try:
        return np.asarray(linalg.cholesky(cov + _JITTER * eye, lower=True, check_finite=False))
    except linalg.LinAlgError:
        values, vectors = linalg.eigh(cov)
        return np.asarray(vectors * np.sqrt(np.maximum(values, 0.0)))
