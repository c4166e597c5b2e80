"""How often the next job of an invented shop meets a goal: integrals, nothing drawn at random.

`bench` asks `job_probability`; `optical` and `reading_sd`, what the meters see of a patch, serve
the trial log (`_bench_log.py`) too, so that the log and the probability are of one truth.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from finishlab._bench_truths import STRAY_DEPTHS, THIN_CLEAR_UM, FloatArray, Shop, Typical
from finishlab.optics import log_roughness_shift
from finishlab.study import Condition, Job

#: Responses that a practice bench reads.
RESPONSES = ("gloss_20", "gloss_60", "haze", "faults")
#: Meters show tenths: a mean of spots shows 84.0 from half a tenth over the spots below it.
RESOLUTION = 0.1
_HAZE_KNEE = 0.55
#: Points over the sections of a job, where their mean counts.
_POINTS = 1024


def optical(
    shop: Shop,
    z: FloatArray,
    haze_weight: FloatArray,
    *,
    stray: FloatArray | float = 0.0,
    slack: FloatArray | float = 0.0,
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray, FloatArray]:
    """
    Return 20- and 60-degree gloss, haze, and how fast each gloss falls with ln(roughness).

    `z` is ln(roughness), `stray` what deep scratches add to -ln(gloss share), `slack` a shift
    of ln(roughness) at 60 degrees; all broadcast.
    """
    lost_20 = np.exp(2 * z) + stray
    tie = np.exp(2 * (log_roughness_shift(20, 60) + slack))
    # Sanded films read below the optics at 60 degrees: the rougher, the more.
    lost_60 = lost_20 * tie * (1 + shop.slack * lost_20)
    gloss_20 = shop.ceiling_20 * np.exp(-lost_20)
    gloss_60 = shop.ceiling_60 * np.exp(-lost_60)
    # A logarithmic scale in the manner of ISO 13803; its constants are invented.
    haze = shop.haze_gain * np.log1p(haze_weight * -np.expm1(-lost_20) / _HAZE_KNEE)
    return gloss_20, gloss_60, haze, 2 * lost_20 * gloss_20, 2 * lost_60 * gloss_60


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
    reach = 5 * (shop.panel_sd + local)
    u, du = np.linspace(-reach, reach, 321, retstep=True)
    panel, width = np.linspace(-5, 5, 61, retstep=True)
    around = _bell((u - panel[:, None] * shop.panel_sd) / local) * du / local
    section = whole[:, None] * (_section_meets(shop, t, goal, spots, u) @ around.T)
    return np.clip(section**job.sections @ (_bell(panel) * width), 0, 1)


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
        gloss_20, gloss_60, haze, slope_20, slope_60 = optical(shop, z, t.haze_weight[:, None], stray=stray)
        values = {"gloss_20": gloss_20, "gloss_60": gloss_60, "haze": haze}
        variances = _variances(shop, slope_20, slope_60, spots)
        p = _all_within(goal, values, variances, RESOLUTION / 2 / spots)
        return p * _count_within(goal["faults"], faults, add=float(stray > 0)) if "faults" in goal else p

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

    Panel, patches and stray scratches run over an even lattice of points; meter and haze spread and
    the count of faults are integrated at each point.
    """
    from scipy.special import ndtri

    lattice = _lattice(1 + 2 * sections)
    normal = ndtri(lattice[:, : 1 + sections])
    u = shop.panel_sd * normal[:, :1] + np.hypot(shop.patch_sd, shop.step_sd) * normal[:, 1:]
    out = np.empty(len(t.faults))
    for i in range(len(out)):
        # A uniform below q is a failed patch; where below q says how deep.
        place = lattice[:, 1 + sections :] / max(t.stray[i], 1e-12)
        failed = place < 1
        stray = np.where(failed, STRAY_DEPTHS[np.minimum(place * 3, 2).astype(int)], 0.0)
        z = t.log_roughness[i, -1] + u
        gloss_20, gloss_60, haze, slope_20, slope_60 = optical(shop, z, t.haze_weight[i], stray=stray)
        values = {"gloss_20": gloss_20, "gloss_60": gloss_60, "haze": haze}
        variances = _variances(shop, slope_20, slope_60, spots)
        p = _all_within(
            goal,
            {name: v.mean(axis=1) for name, v in values.items()},
            {name: np.mean(v, axis=-1) / sections for name, v in variances.items()},
            RESOLUTION / 2 / spots / sections,
        )
        if "faults" in goal:
            total = (t.faults[i] * np.exp(u)).sum(axis=1)
            p = p * _count_within(goal["faults"], total, add=failed.sum(axis=1), share=sections)
        out[i] = p.mean()
    return out


def _lattice(dimensions: int) -> FloatArray:
    """Even points in the unit cube, shape (_POINTS, dimensions): multiples of powers of a root (R sequence)."""
    root = 2.0
    for _ in range(40):
        root = (1 + root) ** (1 / (dimensions + 1))
    steps = root ** -np.arange(1.0, dimensions + 1)
    return (0.5 + np.outer(np.arange(1, _POINTS + 1), steps)) % 1


def _variances(shop: Shop, slope_20: FloatArray, slope_60: FloatArray, spots: int) -> dict[str, FloatArray]:
    """Variance of a section's mean reading about what its roughness gives."""
    return {
        "gloss_20": reading_sd(shop, slope_20) ** 2 / spots,
        "gloss_60": reading_sd(shop, slope_60) ** 2 / spots + (shop.slack_sd * slope_60) ** 2,
        "haze": np.full_like(slope_20, shop.haze_sd**2 + shop.haze_meter_sd**2 / spots),
    }


def _all_within(
    goal: Mapping[str, Condition],
    mean: Mapping[str, FloatArray],
    variance: Mapping[str, FloatArray],
    margin: float,
) -> FloatArray:
    """Probability that every metered quantity shows within its condition; faults are counted apart."""
    from scipy.special import ndtr

    p = np.ones_like(mean["gloss_20"])
    for name, condition in goal.items():
        if name == "faults":
            continue
        sd = np.sqrt(variance[name])
        if condition.at_least is not None and condition.at_most is not None:
            upper = ndtr((condition.at_most + margin - mean[name]) / sd)
            p = p * (upper - ndtr((condition.at_least - margin - mean[name]) / sd))
        elif condition.at_least is not None:
            p = p * ndtr((mean[name] - condition.at_least + margin) / sd)
        elif condition.at_most is not None:
            p = p * ndtr((condition.at_most + margin - mean[name]) / sd)
    return p


def _count_within(
    condition: Condition, mean: FloatArray, *, add: FloatArray | float, share: int = 1
) -> FloatArray:
    """Probability that a Poisson count plus `add`, divided by `share`, meets the condition."""
    from scipy.special import pdtr

    def up_to(count: FloatArray | float) -> FloatArray:
        return np.where(np.asarray(count) < 0, 0.0, pdtr(np.maximum(count, 0), mean))

    p = np.ones_like(mean)
    if condition.at_most is not None:
        p = up_to(np.floor(condition.at_most * share + 1e-9) - add)
    if condition.at_least is not None:
        p = p - up_to(np.ceil(condition.at_least * share - 1e-9) - 1 - add)
    return np.maximum(p, 0)
