"""From what is known of z to what the next job will do: probabilities and intervals.

A job is a new panel with one patch a section; a section's reading is the mean of the spots
that the study file asks for, meter noise included. Every probability is an average over
the draws, so it counts all that the trials leave open. Searching is not done here.
"""

from __future__ import annotations

import numpy as np
from numpy.polynomial.hermite_e import hermegauss
from scipy import special, stats

from finishlab.model.latent import Predicted
from finishlab.model.scales import CountScale, Scale
from finishlab.study import Condition, Job

#: Share that intervals hold.
COVER = 0.90
_SHARED = hermegauss(15)
_METER = hermegauss(5)
_SECTION = hermegauss(9)
#: Rows worked at a time, for memory.
_ROWS = 2_000


def job_probability(p: Predicted, condition: Condition, spots: int, job: Job) -> np.ndarray:
    """
    Probability that the next job meets one condition.

    Parameters
    ----------
    p : Predicted
    condition : Condition
    spots : int
        Readings averaged in each section.
    job : Job

    Returns
    -------
    ndarray, shape (rows,)
    """
    rows = p.mean.shape[1]
    out = np.zeros(rows)
    sections, readings = job.sections, float(spots)
    if job.accept == "mean of sections":
        # The mean of k sections spreads like one section with k times the patches and readings.
        shrink, readings, sections = 1 / np.sqrt(job.sections), readings * job.sections, 1
    else:
        shrink = 1.0
    x, w = _SHARED[0], _SHARED[1] / _SHARED[1].sum()
    for start in range(0, rows, _ROWS):
        part = slice(start, min(start + _ROWS, rows))
        for d, scale in enumerate(p.scales):
            shared = np.hypot(p.sd_known[d, part], p.sd_panel[d])
            z = p.mean[d, part][:, None] + shared[:, None] * x[None, :]
            one = _section_probability(z, scale, condition, p.sd_section[d] * shrink, p.sd_meter[d] / np.sqrt(readings))
            out[part] += (one**sections) @ w
    return out / len(p.scales)


def _section_probability(z: np.ndarray, scale: Scale, condition: Condition, sd: float, meter: float) -> np.ndarray:
    """Probability that one section meets the condition, its panel's z being known."""
    low = -np.inf if condition.at_least is None else condition.at_least
    high = np.inf if condition.at_most is None else condition.at_most
    total = np.zeros_like(z)
    if isinstance(scale, CountScale):
        for x, w in zip(*_SECTION, strict=True):
            rate = scale.reading(z + sd * x)
            # Counts are whole, so "at most 0.5" is "none".
            p = special.pdtr(np.floor(high), rate) if np.isfinite(high) else np.ones_like(z)
            if np.ceil(low) > 0:
                p = p - special.pdtr(np.ceil(low) - 1, rate)
            total += w * p
        return total / _SECTION[1].sum()
    for x, w in zip(*_METER, strict=True):
        ends = [scale.inverse(np.array(v - meter * x)) if np.isfinite(v) else None for v in (low, high)]
        if not scale.rising:
            ends = ends[::-1]
        below = special.ndtr((ends[1] - z) / sd) if ends[1] is not None else 1.0
        above = special.ndtr((ends[0] - z) / sd) if ends[0] is not None else 0.0
        total += w * (below - above)
    return total / _METER[1].sum()


def reading_intervals(p: Predicted, spots: int) -> dict[str, np.ndarray]:
    """
    Typical reading of each process, with the interval of its mean and of the next job's section.

    Returns
    -------
    dict
        ``value`` (median of the process's own reading), ``mean_low``, ``mean_high`` (what the process itself
        reads on average panels), ``job_low``, ``job_high`` (the next job's section), each
        shape (rows,); intervals hold 90 %.
    """
    rows = p.mean.shape[1]
    grid = stats.norm.ppf((np.arange(32) + 0.5) / 32)
    rng = np.random.default_rng(20)  # only shuffles fixed quantiles against each other
    other = np.array([rng.permutation(grid) for _ in p.scales])
    chance = np.array([rng.permutation((np.arange(32) + 0.5) / 32) for _ in p.scales])
    names = ("value", "mean_low", "mean_high", "job_low", "job_high")
    out = {name: np.empty(rows) for name in names}
    ends = [(1 - COVER) / 2, (1 + COVER) / 2]
    for start in range(0, rows, _ROWS):
        part = slice(start, min(start + _ROWS, rows))
        own, job = [], []
        for d, scale in enumerate(p.scales):
            m, k = p.mean[d, part][None, :], p.sd_known[d, part][None, :]
            own.append(scale.reading(m + k * grid[:, None]))
            spread = np.sqrt(k**2 + p.sd_panel[d] ** 2 + p.sd_section[d] ** 2)
            reading = scale.reading(m + spread * grid[:, None])
            if isinstance(scale, CountScale):
                reading = stats.poisson.ppf(chance[d][:, None], reading)
            else:
                reading = reading + p.sd_meter[d] / np.sqrt(spots) * other[d][:, None]
            job.append(reading)
        owns, jobs = np.concatenate(own), np.concatenate(job)
        out["value"][part] = np.median(owns, axis=0)
        out["mean_low"][part], out["mean_high"][part] = np.quantile(owns, ends, axis=0)
        out["job_low"][part], out["job_high"][part] = np.quantile(jobs, ends, axis=0)
    return out
