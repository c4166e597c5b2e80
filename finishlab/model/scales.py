"""The scale on which each response is straight, and back to the meter's own scale.

`z` is that scale; for gloss it is ln roughness up to a constant, so it falls as the finish
gets better. Each scale gives the reading for a `z`, its slope, and the `z` for a reading.
What `z` does over the settings belongs to `steps.py` and `surface.py`.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

import numpy as np

#: Readings closer to the ceiling than this carry no finite roughness.
_SMALLEST_SHARE_GAP = 1e-12
#: Beyond this `z` counts and haze are far above anything that occurs, and exponentials are kept small.
_HIGHEST = 8.0


class Scale(Protocol):
    """What the fit and the prediction need of a scale."""

    rising: bool
    metered: bool

    def reading(self, z: np.ndarray) -> np.ndarray:
        """Return the noise-free reading at `z`."""
        ...

    def slope(self, z: np.ndarray) -> np.ndarray:
        """Return d reading / d z."""
        ...

    def inverse(self, reading: np.ndarray) -> np.ndarray:
        """Return the `z` whose reading this is; infinite where there is none."""
        ...


@dataclass(frozen=True)
class GlossScale:
    """
    Gloss under a ceiling: reading = ceiling x exp(-exp(2 z)).

    Parameters
    ----------
    ceiling : float or ndarray
        Gloss of the perfectly smooth film, GU.
    shift : float or ndarray
        Added to `z`: ties another angle's readings to the same roughness.

    References
    ----------
    Bennett, H. E. & Porteus, J. O. (1961), J. Opt. Soc. Am. 51, 123 (from memory).

    Examples
    --------
    >>> scale = GlossScale(ceiling=88.0)
    >>> z = scale.inverse(np.array([40.0, 84.0, 90.0]))
    >>> z.round(2).tolist()
    [-0.12, -1.53, -inf]
    >>> scale.reading(z).round(3).tolist()
    [40.0, 84.0, 88.0]
    """

    ceiling: float | np.ndarray
    shift: float | np.ndarray = 0.0
    rising = False  # a larger z is a lower gloss
    metered = True

    def reading(self, z: np.ndarray) -> np.ndarray:
        """Return gloss in GU."""
        return self.ceiling * np.exp(-np.exp(2 * np.minimum(z + self.shift, 3.0)))

    def slope(self, z: np.ndarray) -> np.ndarray:
        """Return d gloss / d z, GU."""
        square = np.exp(2 * np.minimum(z + self.shift, 3.0))
        return -2 * square * self.ceiling * np.exp(-square)

    def inverse(self, reading: np.ndarray) -> np.ndarray:
        """Return ln roughness; -inf at or above the ceiling, +inf at or below zero."""
        share = np.asarray(reading, float) / self.ceiling
        with np.errstate(divide="ignore", invalid="ignore"):
            z = 0.5 * np.log(np.maximum(-np.log(np.maximum(share, 0.0)), 0.0))
        return np.where(share >= 1 - _SMALLEST_SHARE_GAP, -np.inf, z) - self.shift


@dataclass(frozen=True)
class HazeScale:
    """
    Haze: reading = 2 knee x sinh(z), in proportion to `z` near 0 and to its exponential far above.

    ISO 13803 is logarithmic already and may read 0, where a logarithm has no value; yet over the
    processes of a study haze runs from about 10 to several hundred, and what a pass takes
    away is a share of it. `knee` is the haze about which the one goes over into the other
    (common practice, no source).

    Examples
    --------
    >>> scale = HazeScale()
    >>> scale.reading(np.array([0.0, 1.0, 4.0])).round(1).tolist()
    [0.0, 11.8, 272.9]
    >>> scale.inverse(np.array([0.0, 272.9])).round(3).tolist()
    [0.0, 4.0]
    """

    knee: float = 5.0
    rising = True
    metered = True

    def reading(self, z: np.ndarray) -> np.ndarray:
        """Return haze."""
        return 2 * self.knee * np.sinh(np.clip(z, -_HIGHEST, _HIGHEST))

    def slope(self, z: np.ndarray) -> np.ndarray:
        """Return d haze / d z."""
        return 2 * self.knee * np.cosh(np.clip(z, -_HIGHEST, _HIGHEST))

    def inverse(self, reading: np.ndarray) -> np.ndarray:
        """Return z."""
        return np.arcsinh(np.asarray(reading, float) / (2 * self.knee))


@dataclass(frozen=True)
class CountScale:
    """
    Counts of faults: `z` is the log of the expected count; the count is Poisson about it.

    Examples
    --------
    >>> CountScale().reading(np.log([0.5, 3.0])).round(3).tolist()
    [0.5, 3.0]
    >>> float(CountScale().inverse(np.array(0.0)))
    -inf
    """

    rising = True
    metered = False

    def reading(self, z: np.ndarray) -> np.ndarray:
        """Return the expected count."""
        return np.exp(np.minimum(z, _HIGHEST))

    def slope(self, z: np.ndarray) -> np.ndarray:
        """Return d expected count / d z, the expected count itself."""
        return np.exp(np.minimum(z, _HIGHEST))

    def inverse(self, reading: np.ndarray) -> np.ndarray:
        """Return ln(count); -inf at zero."""
        with np.errstate(divide="ignore"):
            return np.log(np.asarray(reading, float))
