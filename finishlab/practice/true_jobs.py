"""How often the next job of an invented shop meets a goal: integrals, nothing drawn at random.

`bench` asks `job_probability`. What the meters see of a patch serves the trial log (`trial_log.py`)
too, so that the log and the probability are of one truth.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator, Mapping

import numpy as np

from finishlab.practice.truths import STRAY_DEPTHS, THIN_CLEAR_UM, FloatArray, Shop, Typical
from finishlab.study import Condition, Job
from finishlab.trade.optics import log_roughness_shift

#: Responses that a practice bench reads.
RESPONSES = ("gloss_20", "gloss_60", "haze", "faults")
#: Meters show tenths: a mean of spots shows 84.0 from half a tenth over the spots below it.
RESOLUTION = 0.1
_HAZE_KNEE = 0.55


def lost_at_20(z: FloatArray, stray: FloatArray | float = 0.0) -> FloatArray:
    """Return -ln(gloss share) at 20 degrees; `z` is ln(roughness), `stray` what deep scratches add."""
    return np.exp(2 * z) + stray


def gloss_at_20(shop: Shop, lost: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return 20-degree gloss, and how fast it falls with ln(roughness), GU."""
    gloss = shop.ceiling_20 * np.exp(-lost)
    return gloss, 2 * lost * gloss


def gloss_at_60(
    shop: Shop, lost: FloatArray, slack: FloatArray | float = 0.0
) -> tuple[FloatArray, FloatArray]:
    """Return the same at 60 degrees; `slack` shifts ln(roughness) there, patch by patch."""
    # Sanded films read below the optics at 60 degrees: the rougher, the more.
    lost_60 = lost * np.exp(2 * (log_roughness_shift(20, 60) + slack)) * (1 + shop.slack * lost)
    gloss = shop.ceiling_60 * np.exp(-lost_60)
    return gloss, 2 * lost_60 * gloss


def haze_units(shop: Shop, lost: FloatArray, weight: FloatArray) -> FloatArray:
    """Return haze on a logarithmic scale in the manner of ISO 13803; its constants are invented."""
    return shop.haze_gain * np.log1p(weight * -np.expm1(-lost) / _HAZE_KNEE)


def reading_sd(shop: Shop, slope: FloatArray) -> FloatArray:
    """SD of one gloss reading about its patch, GU: the meter's own and that of the spot."""
    return np.hypot(shop.meter_sd, shop.spot_sd * slope)


def job_probability(
    shop: Shop, t: Typical, goal: Mapping[str, Condition], job: Job, spots: int
) -> FloatArray:
    """
    Probability that a job on a new panel meets `goal`, shape (n,).

    Panel and patch both shift ln(roughness), so a section depends on their sum u alone: the
    patch is integrated over a grid of u around each panel, then the sections over panels.
    """
    whole = 1 - _burning(shop, t.removed_um.sum(axis=1))
    if job.sections > 1 and job.accept == "mean of sections":
        return whole**job.sections * _mean_meets(shop, t, goal, job.sections, spots)
    local = np.hypot(shop.patch_sd, shop.step_sd)
    shifts = shop.job_shifts
    reach = 5 * (shop.between_jobs_sd + local) + np.abs(shifts).max()
    u, du = np.linspace(-reach, reach, 161, retstep=True)
    panel, width = np.linspace(-5, 5, 41, retstep=True)
    meets = _section_meets(shop, t, goal, spots, u)
    p = np.zeros(len(whole))
    for shift in shifts:
        around = _bell((u - shift - panel[:, None] * shop.between_jobs_sd) / local) * du / local
        p += (whole[:, None] * (meets @ around.T)) ** job.sections @ (_bell(panel) * width)
    return np.clip(p / len(shifts), 0, 1)


def _bell(x: FloatArray) -> FloatArray:
    return np.exp(-(x**2) / 2) / np.sqrt(2 * np.pi)


def _burning(shop: Shop, removed: FloatArray) -> FloatArray:
    """Probability that a patch burns through: only thin spots can."""
    nodes, width = np.linspace(-5, 5, 101, retstep=True)
    taken = removed[:, None] * np.exp(shop.removal_sd * nodes)
    thinnest, thickest = THIN_CLEAR_UM
    gone = np.clip((taken - thinnest) / (thickest - thinnest), 0, 1)
    return shop.thin_share * (gone @ (_bell(nodes) * width))


def _section_meets(
    shop: Shop, t: Typical, goal: Mapping[str, Condition], spots: int, u: FloatArray
) -> FloatArray:
    """Probability, shape (n, u), that an unburned section meets the goal when ln(roughness) shifts by u."""
    z = t.log_roughness[:, -1, None] + u
    faults = t.faults[:, None] * np.exp(u)

    def given(stray: float) -> FloatArray:
        p = _all_within(goal, _seen(shop, t, goal, z, spots, stray), RESOLUTION / 2 / spots)
        return p * _count_within(goal["faults"], faults, add=int(stray > 0)) if "faults" in goal else p

    sound = given(0.0)
    if shop.stray == 0:
        return sound
    q = t.stray[:, None]
    return (1 - q) * sound + q * np.mean([given(depth) for depth in STRAY_DEPTHS], axis=0)


def _mean_meets(
    shop: Shop, t: Typical, goal: Mapping[str, Condition], sections: int, spots: int
) -> FloatArray:
    """
    Probability, shape (n,), that the mean of unburned sections meets the goal.

    Panel and the mean of the patches shift all sections by v, which is integrated over; what the
    patches differ by about their mean enters through its expectation, since its own chance moves
    the mean of the sections by hundredths of a unit only.
    """
    local = np.hypot(shop.patch_sd, shop.step_sd)
    v, width = np.linspace(-5, 5, 61, retstep=True)
    shift = v * np.hypot(shop.between_jobs_sd, local / np.sqrt(sections))
    return np.mean(
        [_mean_meets_about(shop, t, goal, sections, spots, shift + s) for s in shop.job_shifts], axis=0
    ) @ (_bell(v) * width)


def _mean_meets_about(
    shop: Shop, t: Typical, goal: Mapping[str, Condition], sections: int, spots: int, shift: FloatArray
) -> FloatArray:
    """Return the same, shape (n, shifts), where the patches lie about a known shift of ln(roughness)."""
    local = np.hypot(shop.patch_sd, shop.step_sd)
    nodes, weights = np.polynomial.hermite_e.hermegauss(7)
    apart = local * np.sqrt(1 - 1 / sections) * nodes
    weights = weights / weights.sum()
    z = t.log_roughness[:, -1, None] + shift
    faults = sections * t.faults[:, None] * np.exp(shift) * (weights @ np.exp(apart))

    depths = (0.0, *STRAY_DEPTHS) if shop.stray else (0.0,)
    seen = np.array(
        [
            sum(w * _seen(shop, t, goal, z + e, spots, depth) for w, e in zip(weights, apart, strict=True))
            for depth in depths
        ]
    )
    p = np.zeros_like(z)
    for counts, chance in _failures(sections, t.stray, len(depths)):
        mean, variance = np.tensordot(np.array(counts) / sections, seen, axes=1)
        met = _all_within(goal, np.stack([mean, variance / sections]), RESOLUTION / 2 / spots / sections)
        if "faults" in goal:
            met = met * _count_within(goal["faults"], faults, add=sum(counts[1:]), share=sections)
        p += chance[:, None] * met
    return p


def _failures(sections: int, stray: FloatArray, classes: int) -> Iterator[tuple[tuple[int, ...], FloatArray]]:
    """Yield how many sections are sound and how many failed by each depth, with the chance of it, shape (n,)."""
    for failed in itertools.product(range(sections + 1), repeat=classes - 1):
        sound = sections - sum(failed)
        if sound < 0:
            continue
        ways = math.factorial(sections) / math.prod(math.factorial(c) for c in (sound, *failed))
        chance = ways * (1 - stray) ** sound * (stray / max(classes - 1, 1)) ** sum(failed)
        if chance.max() > 1e-5:
            yield (sound, *failed), chance


def _seen(
    shop: Shop, t: Typical, goal: Mapping[str, Condition], z: FloatArray, spots: int, stray: float
) -> FloatArray:
    """
    Return mean and variance of a section's readings at a known ln(roughness) `z`.

    Shape (2, metered, *z.shape): the metered quantities of the goal in the goal's order.
    """
    lost = lost_at_20(z, stray)
    seen = []
    for name in goal:
        if name == "gloss_20":
            mean, slope = gloss_at_20(shop, lost)
            seen.append([mean, reading_sd(shop, slope) ** 2 / spots])
        elif name == "gloss_60":
            mean, slope = gloss_at_60(shop, lost)
            seen.append([mean, reading_sd(shop, slope) ** 2 / spots + (shop.slack_sd * slope) ** 2])
        elif name == "haze":
            mean = haze_units(shop, lost, t.haze_weight[:, None])
            seen.append([mean, np.full_like(mean, shop.haze_sd**2 + shop.haze_meter_sd**2 / spots)])
    return np.array(seen).reshape(len(seen), 2, *z.shape).swapaxes(0, 1)


def _all_within(goal: Mapping[str, Condition], seen: FloatArray, margin: float) -> FloatArray:
    """Probability that every metered quantity shows within its condition; faults are counted apart."""
    from scipy.special import ndtr

    p = np.ones(seen.shape[2:])
    metered = [condition for name, condition in goal.items() if name != "faults"]
    for condition, mean, variance in zip(metered, *seen, strict=True):
        sd = np.sqrt(variance)
        if condition.at_least is not None and condition.at_most is not None:
            upper = ndtr((condition.at_most + margin - mean) / sd)
            p = p * np.maximum(upper - ndtr((condition.at_least - margin - mean) / sd), 0)
        elif condition.at_least is not None:
            p = p * ndtr((mean - condition.at_least + margin) / sd)
        elif condition.at_most is not None:
            p = p * ndtr((condition.at_most + margin - mean) / sd)
    return p


def _count_within(condition: Condition, mean: FloatArray, *, add: int, share: int = 1) -> FloatArray:
    """Probability that a Poisson count plus `add`, divided by `share`, meets the condition."""
    from scipy.special import pdtr

    def up_to(count: float) -> FloatArray:
        return pdtr(count, mean) if count >= 0 else np.zeros_like(mean)

    p = np.ones_like(mean)
    if condition.at_most is not None:
        p = up_to(math.floor(condition.at_most * share + 1e-9) - add)
    if condition.at_least is not None:
        p = p - up_to(math.ceil(condition.at_least * share - 1e-9) - 1 - add)
    return np.maximum(p, 0)
