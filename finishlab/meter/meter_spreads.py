"""What spreads make of readings: the meter's share, differences it can tell, means of several readings.

Plain functions of variance components by name, numbers or arrays of draws alike; `Components`
holds both and gives an estimate with its interval for any such function.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from finishlab.meter.anova import REST

PANEL, PATCH, TECHNICIAN, INTERACTION = "panel", "patch", "technician", "technician_by_patch"
SPOT, LAY = "spot", "direction_by_patch"
#: Every source of spread in words, in the order shown: the meter's own first.
SOURCES: dict[str, str] = {
    REST: "repeatability: same technician, same patch, again",
    TECHNICIAN: "between technicians",
    INTERACTION: "technicians unlike from patch to patch",
    SPOT: "from spot to spot within a patch",
    LAY: "along and across unlike from patch to patch",
    PATCH: "from patch to patch",
    PANEL: "from panel to panel",
}
_METER = (REST, TECHNICIAN, INTERACTION)
_OF_PATCHES = (PATCH, PANEL)

Variances = Mapping[str, Any]  # name -> float, or array of draws


def source_variance(name: str) -> Callable[[Variances], Any]:
    """Return the function that gives the variance of one source, not below zero."""
    return lambda v: np.maximum(v[name], 0.0)


def meter_variance(v: Variances) -> Any:
    """Return the variance of single readings of one spot in any technician's hands."""
    return _sum(v, _METER)


def patch_variance(v: Variances) -> Any:
    """Return the variance of true values over patches, panels included."""
    return _sum(v, _OF_PATCHES)


def total_variance(v: Variances) -> Any:
    """Return the variance of single readings of any patch."""
    return _sum(v, tuple(v))


def share_of(variance: Callable[[Variances], Any]) -> Callable[[Variances], Any]:
    """Return the function that gives a variance as a share of that of single readings, 0 to 1."""

    def share(v: Variances) -> Any:
        with np.errstate(invalid="ignore", divide="ignore"):
            return np.minimum(variance(v) / total_variance(v), 1.0)

    return share


def mean_variance(
    v: Variances, readings: int, spots: int | None = None, *, same_technician: bool = True
) -> Any:
    """
    Return the variance of the mean of several readings about the true value of its patch.

    Parameters
    ----------
    v : mapping of str -> float or ndarray
    readings : int
        Readings averaged, all by one technician.
    spots : int, optional
        Spots they are spread over; every reading at a spot of its own when left out.
    same_technician : bool, optional
        Whether it is only compared with means of the same technician, so that what he or
        she reads too high everywhere does not count.

    Examples
    --------
    >>> round(float(mean_variance({"repeatability": 0.9, "technician": 0.5}, 3)), 2)
    0.3
    >>> round(float(mean_variance({"repeatability": 0.9, "technician": 0.5}, 3, same_technician=False)), 2)
    0.8
    """
    found = (
        v[REST] / readings
        + v.get(SPOT, 0.0) / (readings if spots is None else spots)
        + v.get(INTERACTION, 0.0)
    )
    return np.maximum(found if same_technician else found + v.get(TECHNICIAN, 0.0), 0.0)


def _sum(v: Variances, names: tuple[str, ...]) -> Any:
    """Return a sum of variances, not below zero: draws of its parts may be."""
    return np.maximum(sum(v[k] for k in names if k in v), 0.0)


def normal_factor(cover: float) -> float:
    """Return how many SD either side of the mean hold a share of a normal spread: 1.96 for 0.95."""
    from scipy.special import ndtri

    return float(ndtri((1 + cover) / 2))


@dataclass(frozen=True)
class Interval:
    """An estimate with the ends of its confidence interval; NaN where it cannot be told."""

    value: float
    low: float
    high: float


def plain_fields(result: object) -> dict[str, Any]:
    """Return the fields of a result by name, intervals as plain Python."""
    return {k: vars(v).copy() if isinstance(v, Interval) else v for k, v in vars(result).items()}


def mean_interval(values: np.ndarray, confidence: float) -> Interval:
    """
    Return a mean with Student's interval; its ends are not known from a single value.

    Examples
    --------
    >>> i = mean_interval(np.array([1.0, 2.0, 3.0]), 0.95)
    >>> print(f"{i.value:.0f} {i.low:.2f} {i.high:.2f}")
    2 -0.48 4.48
    >>> mean_interval(np.array([1.0]), 0.95)
    Interval(value=1.0, low=nan, high=nan)
    """
    from scipy.special import stdtrit

    n, mean, half = len(values), float(values.mean()), math.nan
    if n > 1:
        half = float(stdtrit(n - 1, (1 + confidence) / 2) * values.std(ddof=1) / math.sqrt(n))
    return Interval(mean, mean - half, mean + half)


@dataclass(frozen=True, eq=False)
class Components:
    """
    Variance components with draws of what they may be.

    Attributes
    ----------
    estimate : dict of str -> float
    draws : dict of str -> ndarray
        Of the same names.
    confidence : float
        What share of studies the intervals hold the truth in.
    """

    estimate: dict[str, float]
    draws: dict[str, np.ndarray]
    confidence: float

    def of(self, function: Callable[[Variances], Any]) -> Interval:
        """Return a function of the components with its interval, which never leaves the estimate out."""
        value = float(function(self.estimate))
        drawn = np.asarray(function(self.draws), float)
        drawn = drawn[np.isfinite(drawn)]
        if math.isnan(value) or not len(drawn):
            return Interval(math.nan, math.nan, math.nan)
        low, high = np.quantile(drawn, [(1 - self.confidence) / 2, (1 + self.confidence) / 2])
        return Interval(value, min(float(low), value), max(float(high), value))
