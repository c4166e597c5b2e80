"""From what is known of z to what the next job will do: probabilities and intervals.

A job is a new panel with one patch a section; a section's reading is the mean of the spots
that the study file asks for, meter noise included. One section of the job may have been read
on the way; the job then is that section and the others. Every probability is an average over
the draws, so it counts all that the trials leave open. Searching is not done here.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence

import numpy as np
from scipy import special, stats

from finishlab.model.latent import Predicted
from finishlab.model.scales import CountScale, Scale
from finishlab.study import Condition, Job

#: Share that intervals hold.
COVER = 0.90
#: Rows worked at a time, for memory.
_ROWS = 2_000


def _bell(points: int, reach: float) -> tuple[np.ndarray, np.ndarray]:
    """Return equally spaced points of a standard normal and their weights."""
    x = np.linspace(-reach, reach, points)
    w = np.exp(-(x**2) / 2)
    return x, w / w.sum()


#: A table of Poisson shares has twenty points to this much of the log of the mean.
_COUNT_SCALE = 0.04
#: Points of a table beyond which working every value itself is as quick.
_MOST_POINTS = 20_000

# Evenly spaced rather than Gauss-Hermite points: what is averaged is often nearly a step,
# which 15 Gauss-Hermite points get wrong by 3 % where these are within 0.2 %.
_SHARED, _METER, _NEIGHBOUR = _bell(25, 4.0), _bell(15, 3.5), _bell(9, 3.0)


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

    Examples
    --------
    A process whose z spreads by 0.3 from panel to panel and 0.4 from patch to patch, and a
    goal half a unit above its mean: one section stays below as a standard normal stays
    below 0.5 / 0.5.

    >>> from finishlab.model.scales import GlossScale
    >>> clear, one = GlossScale(88.0), np.ones(1)
    >>> p = Predicted(np.zeros((1, 1)), np.zeros((1, 1)), 0.3 * one, 0.4 * one, 0 * one, (clear,))
    >>> goal = Condition(at_least=float(clear.reading(np.array(0.5))))
    >>> job_probability(p, goal, 3, Job()).round(3).tolist()
    [0.841]

    Six such sections share their panel, so all of them pass more often than 0.841^6 = 0.354:

    >>> job_probability(p, goal, 3, Job(sections=6)).round(2).tolist()
    [0.5]
    """
    return np.asarray(drawn_probabilities(p, condition, spots, job).mean(axis=0))


def drawn_probabilities(p: Predicted, condition: Condition, spots: int, job: Job) -> np.ndarray:
    """As `job_probability` under each of the draws, shape (draws, rows)."""
    rows = p.mean.shape[1]
    out = np.empty(p.mean.shape)
    for start in range(0, rows, _ROWS):
        part = slice(start, min(start + _ROWS, rows))
        for d, scale in enumerate(p.scales):
            shared = np.hypot(p.sd_known[d, part], p.sd_panel[d])
            out[d, part] = _drawn_probability(
                p.mean[d, part],
                shared,
                p.sd_section[d],
                p.sd_meter[d] / np.sqrt(spots),
                p.sd_meter[d],
                scale,
                condition,
                job,
                None if p.read is None else tuple(x[d, part] for x in vars(p.read).values()),
            )
    return out


def many_jobs_probability(p: Predicted, condition: Condition) -> np.ndarray:
    """
    Probability that the mean reading of very many jobs meets a condition.

    Panels, patches and the meter average out, bent as the scale bends them; what is left is
    what is not known of the process.

    Examples
    --------
    A process known to half a unit of z, and a goal that its mean just meets:

    >>> from finishlab.model.scales import HazeScale
    >>> one = np.ones(1)
    >>> p = Predicted(np.ones((1, 1)), 0.5 * np.ones((1, 1)), 0 * one, 0 * one, one, (HazeScale(),))
    >>> goal = Condition(at_most=float(HazeScale().reading(np.array(1.0))))
    >>> many_jobs_probability(p, goal).round(1).tolist()
    [0.5]
    """
    x, w = _bell(201, 4.0)
    luck, share = _SHARED
    out = np.zeros(p.mean.shape[1])
    for d, scale in enumerate(p.scales):
        spread = np.hypot(p.sd_panel[d], p.sd_section[d])
        for known, weight in zip(x, w, strict=True):
            z = p.mean[d] + known * p.sd_known[d]
            out += weight * condition.met(scale.reading(z[:, None] + spread * luck) @ share)
    return out / len(p.scales)


def _drawn_probability(
    mean: np.ndarray,
    shared: np.ndarray,
    own: float,
    meter: float,
    meter_one: float,
    scale: Scale,
    condition: Condition,
    job: Job,
    read: tuple[np.ndarray, ...] | None = None,
) -> np.ndarray:
    """
    Return the job's probability under one draw, shape (rows,).

    `shared` is the spread of z that the sections of a job have in common, `own` each
    section's, `meter` the spread of a section's reading and `meter_one` of a single one; `read`
    is what `ReadSection` says of the one section that was read, each of shape (rows,).
    """
    if condition.neighbour_readings:
        # The neighbour's value was read with the same meter, and all sections are held against it.
        off = meter_one / np.sqrt(condition.neighbour_readings)
        return sum(
            w
            * _drawn_probability(
                mean, shared, own, meter, meter_one, scale, _moved(condition, x * off), job, read
            )
            for x, w in zip(*_NEIGHBOUR, strict=True)
        )
    k = job.sections
    shift, follows, own_read = (0.0, 0.0, own) if read is None else read
    if k == 1:
        sd = np.hypot(shared * (1 + follows), own_read)
        return _meets((mean + shift)[:, None], sd[:, None], meter, scale, condition)[:, 0]
    x, w = _SHARED
    z = mean[:, None] + shared[:, None] * x[None, :]
    if read is None:
        if job.accept == "mean of sections":
            return _tabled(lambda at: _mean_meets([(k, at, own)], meter, scale, condition), z, own) @ w
        return _tabled(lambda at: _meets(at, np.array(own), meter, scale, condition) ** k, z, own) @ w
    z_read = z + np.asarray(shift)[:, None] + (shared * follows)[:, None] * x[None, :]
    sd_read = np.asarray(own_read)[:, None]
    if job.accept == "mean of sections":
        return _mean_meets([(k - 1, z, own), (1, z_read, sd_read)], meter, scale, condition) @ w
    others = _tabled(lambda at: _meets(at, np.array(own), meter, scale, condition) ** (k - 1), z, own)
    return (others * _meets(z_read, sd_read, meter, scale, condition)) @ w


def _moved(condition: Condition, by: float) -> Condition:
    """Return a band moved by what its neighbour was misread."""
    return Condition(condition.at_least + by, condition.at_most + by)  # type: ignore[operator]


def _tabled(f: Callable[[np.ndarray], np.ndarray], z: np.ndarray, own: float) -> np.ndarray:
    """
    Return `f` of every z, from a table where that is quicker.

    What sections do depends on z alone, smoothly over a patch's own spread: twenty points
    to that spread keep straight lines between them within 0.0003 k of the truth. The points
    lie at whole multiples of their distance, so that no row changes another's.
    """
    step = max(own, 1e-12) / 20
    first, last = z.min() // step, z.max() // step + 1
    if not last - first < _MOST_POINTS:  # no spread to speak of
        return f(z)
    grid = step * np.arange(first, last + 1)
    return np.interp(z, grid, f(grid))


def _mean_meets(
    sections: Sequence[tuple[int, np.ndarray, np.ndarray | float]],
    meter: float,
    scale: Scale,
    condition: Condition,
) -> np.ndarray:
    """
    Probability that the mean of sections meets the condition; each lot is how many, about which z, how far spread.

    The mean is normal about the readings' own mean, which a curved scale puts below the
    reading of the mean roughness; a sum of counts is Poisson, a little guarded.
    """
    x, w = _METER
    k, total, variance = 0, np.zeros(()), np.zeros(())
    for count, z, own in sections:
        readings = scale.reading(z[..., None] + np.asarray(own)[..., None] * x)
        mean = readings @ w
        k, total = k + count, total + count * mean
        variance = variance + count * ((readings - mean[..., None]) ** 2 @ w + meter**2)
    if isinstance(scale, CountScale):
        return _count_meets(total, condition, k)
    mean, sd = total / k, np.sqrt(np.maximum(variance / k**2, 1e-24))
    low, high = _ends(condition)
    return special.ndtr((high - mean) / sd) - special.ndtr((low - mean) / sd)


def _ends(condition: Condition) -> tuple[float, float]:
    low = -np.inf if condition.at_least is None else condition.at_least
    return low, np.inf if condition.at_most is None else condition.at_most


def _count_meets(rate: np.ndarray, condition: Condition, patches: int) -> np.ndarray:
    """Probability that a Poisson sum over `patches` meets a condition on their mean."""
    low, high = (patches * end for end in _ends(condition))
    # Counts are whole, so "at most 0.5" is "none".
    p = special.pdtr(np.floor(high), rate) if np.isfinite(high) else np.ones_like(rate)
    return p - special.pdtr(np.ceil(low) - 1, rate) if np.ceil(low) > 0 else p


def _meets(z: np.ndarray, sd: np.ndarray, meter: float, scale: Scale, condition: Condition) -> np.ndarray:
    """Probability that one reading about `z` meets the condition."""
    total = np.zeros_like(z)
    if isinstance(scale, CountScale):
        x, w = _SHARED
        spread = z[..., None] + np.asarray(sd)[..., None] * x
        return _tabled(lambda at: _count_meets(scale.reading(at), condition, 1), spread, _COUNT_SCALE) @ w
    sd = np.maximum(sd, 1e-12)
    for weight, low, high in meter_points(scale, meter, condition):
        below = special.ndtr((high - z) / sd) if high < np.inf else 1.0
        above = special.ndtr((low - z) / sd) if low > -np.inf else 0.0
        total += weight * (below - above)
    return total


def meter_points(scale: Scale, meter: float, condition: Condition) -> Iterator[tuple[float, float, float]]:
    """Yield weights of the meter's error with the ends between which z must then lie, -inf and inf where open."""
    least, most = _ends(condition)
    for x, w in zip(*_METER, strict=True):
        at_least, at_most = (
            float(scale.inverse(np.array(v - meter * x))) if np.isfinite(v) else v for v in (least, most)
        )
        if scale.rising:
            yield float(w), at_least, at_most
        else:  # an open end stays open, now on the other side
            yield (
                float(w),
                at_most if np.isfinite(most) else -np.inf,
                at_least if np.isfinite(least) else np.inf,
            )


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
    grid /= grid.std()  # middles of slices spread a little less than the whole
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
