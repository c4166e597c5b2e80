"""The perfectly smooth film: what its refractive index lets a gloss meter read.

Half of `optics`, which gives out every name of this page; import them from there. Here stand the
Fresnel reflectance, the ceiling that a resin sets on gloss and the ways back and forth, and the
checks of angles that both halves use. Roughness, haze and readings belong in `optics`.
"""

import numpy as np
from numpy.typing import ArrayLike, NDArray

from finishlab.errors import StudyError

FloatArray = NDArray[np.float64]

# Angles of a gloss meter, degrees from the normal (ASTM D523, ISO 2813).
ANGLES = (20, 60, 85)

# Refractive index of the glass that reads 100 GU at every angle (ISO 2813, ASTM D523).
REFERENCE_INDEX = 1.567

# A generous bound for clear coats: 1.48 to 1.56 is common practice, no source.
_HIGHEST_CLEAR_INDEX = 1.60

# ISO 2813 tables gloss for indices 1.40 to 1.80. Below is room for fluorinated resins (about 1.36, from
# memory); above, gloss at 85 degrees peaks (at 1.93) and no longer tells one index from another.
_INDEX_RANGE = (1.30, 1.80)


def reflectance(index: ArrayLike, angle: ArrayLike) -> FloatArray:
    """
    Share of unpolarised light that a smooth, lossless film in air mirrors (Fresnel).

    Parameters
    ----------
    index : array_like
        Refractive index, at least 1.
    angle : array_like
        Degrees from the normal, from 0 to below 90.

    Returns
    -------
    float or ndarray
        Reflected share, 0 to 1. Of the front surface only: what a base coat or a flake below the
        film sends back is not in it.

    Raises
    ------
    StudyError
        An index below 1, or an angle outside 0 to 90 degrees.

    References
    ----------
    Born & Wolf, Principles of Optics, section 1.5 (from memory).

    Examples
    --------
    At normal incidence it is ((n - 1) / (n + 1)) squared; the index of air cannot be seen.

    >>> round(float(reflectance(1.5, 0)), 9)
    0.04
    >>> float(reflectance(1.0, 60))
    0.0
    """
    index = np.asarray(index, dtype=float)
    refuse(
        (index < 1) | np.isinf(index),
        index,
        "a refractive index of {value:g} cannot be: a film in air has 1 or more. "
        "Clear coats lie near 1.48 to 1.56 (common practice, no source).",
    )
    radians = radians_from_normal(angle)
    cos_in = np.cos(radians)
    n_cos_inside = np.sqrt(index**2 - np.sin(radians) ** 2)  # Snell's law
    across = ((cos_in - n_cos_inside) / (cos_in + n_cos_inside)) ** 2
    along = ((index**2 * cos_in - n_cos_inside) / (index**2 * cos_in + n_cos_inside)) ** 2
    return (across + along) / 2


def ceiling_gloss(index: ArrayLike, angle: ArrayLike = 20) -> FloatArray:
    """
    Gloss of the perfectly smooth film: the ceiling that its resin sets.

    Parameters
    ----------
    index : array_like
        Refractive index of the film, at least 1.
    angle : array_like
        20, 60 or 85 degrees.

    Returns
    -------
    float or ndarray
        Gloss, GU: 100 R(index) / R(1.567) at the angle, not clipped at 100. For a dark, non-metallic
        base; metallic ones were found to read 3.8 to 6.2 GU higher at 60 degrees (Kirchner et al.,
        abstract).

    Raises
    ------
    StudyError
        An index below 1, or an angle that no gloss meter has.

    References
    ----------
    ISO 2813 (1994) Table 2 and ASTM D523 Table 1 (table from memory; reproduced to 0.06 GU).

    Examples
    --------
    The reference glass reads 100 at any angle.

    >>> ceiling_gloss(1.52, [20, 60, 85]).round(1)
    array([87.3, 92.4, 99.3])
    >>> float(ceiling_gloss(1.567, 85))
    100.0
    """
    angle = _gloss_angle(angle)
    return 100 * (reflectance(index, angle) / reflectance(REFERENCE_INDEX, angle))


def index_from_ceiling(gloss: ArrayLike, angle: int = 20) -> FloatArray:
    """
    Refractive index of the smooth film that reads a given gloss: the inverse of `ceiling_gloss`.

    Parameters
    ----------
    gloss : array_like
        Gloss of the perfectly smooth film, GU.
    angle : int
        20, 60 or 85 degrees, one for all. Ask at 20: near index 1.5 a meter error of 1 GU is 0.004
        of index there and 0.055 at 85.

    Returns
    -------
    float or ndarray, shape of `gloss`
        Refractive index, 1.30 to 1.80, right to 1e-9.

    Raises
    ------
    StudyError
        A gloss that no index from 1.30 to 1.80 gives, or an angle that no gloss meter has.

    References
    ----------
    As `ceiling_gloss`, solved by Newton's method.

    Examples
    --------
    >>> round(float(index_from_ceiling(87.3177585919)), 6)
    1.52
    >>> index_from_ceiling(12.0)
    Traceback (most recent call last):
        ...
    finishlab.errors.StudyError: a ceiling of 12 GU at 20 degrees belongs to no film: ...
    """
    gloss = np.asarray(gloss, dtype=float)
    indices = np.linspace(*_INDEX_RANGE, 256)
    table = ceiling_gloss(indices, angle)
    slack = 1e-9  # GU: rounding must not refuse the ends themselves
    lowest, highest = np.ceil(table[0] * 10) / 10, np.floor(table[-1] * 10) / 10
    refuse(
        (gloss < table[0] - slack) | (gloss > table[-1] + slack),
        gloss,
        f"a ceiling of {{value:g}} GU at {angle} degrees belongs to no film: refractive indices from "
        f"{_INDEX_RANGE[0]:.2f} to {_INDEX_RANGE[1]:.2f} give {lowest:.1f} to {highest:.1f} GU. "
        "Check the reading and its angle.",
    )
    # The table is right to about 1e-5; each Newton step squares that, so three reach rounding error.
    index = np.interp(gloss, table, indices)
    step = 1e-5
    for _ in range(3):
        slope = (ceiling_gloss(index + step, angle) - ceiling_gloss(index - step, angle)) / (2 * step)
        index = index - (ceiling_gloss(index, angle) - gloss) / slope
    return np.clip(index, *_INDEX_RANGE)


def highest_clear_gloss(angle: ArrayLike) -> FloatArray:
    """
    Highest gloss that a clear coat can plausibly read: a bound for checking sheets.

    Parameters
    ----------
    angle : array_like
        20, 60 or 85 degrees.

    Returns
    -------
    float or ndarray, shape of `angle`
        Gloss, GU.

    Raises
    ------
    StudyError
        An angle that no gloss meter has.

    Notes
    -----
    A plausibility bound, not a measured limit and not the ceiling of a shop's own clear: gloss of a
    perfectly smooth film of refractive index 1.60, chosen generously above the 1.48 to 1.56 of clear
    coats (common practice, no source). A reading above it points to a slip, a dirty tile or a wrong
    column; one below it may still be wrong. A metallic base, found to read up to 6.2 GU high at 60
    degrees (Kirchner et al., abstract), may pass it under a clear of high index.

    References
    ----------
    ISO 2813 (1994) Table 2, row 1.60 (from memory): 109.1, 105.2, 100.4.

    Examples
    --------
    >>> highest_clear_gloss(ANGLES).round(1)
    array([109.1, 105.2, 100.4])
    >>> highest_clear_gloss(45)
    Traceback (most recent call last):
        ...
    finishlab.errors.StudyError: 45 degrees is no angle of a gloss meter: use 20, 60 or 85.
    """
    return ceiling_gloss(_HIGHEST_CLEAR_INDEX, angle)


def radians_from_normal(angle: ArrayLike) -> FloatArray:
    """Degrees from the normal in radians; raises `StudyError` outside 0 to below 90 degrees."""
    angle = np.asarray(angle, dtype=float)
    refuse(
        ~((angle >= 0) & (angle < 90)),
        angle,
        "an angle of {value:g} degrees cannot be: count from the normal, from 0 to below 90.",
    )
    return np.radians(angle)


def _gloss_angle(angle: ArrayLike) -> FloatArray:
    angle = np.asarray(angle, dtype=float)
    refuse(
        ~np.isin(angle, ANGLES), angle, "{value:g} degrees is no angle of a gloss meter: use 20, 60 or 85."
    )
    return angle


def refuse(bad: NDArray[np.bool_], values: FloatArray, message: str) -> None:
    """Raise `StudyError` for the first value that cannot be, and say how many there are."""
    if np.any(bad):
        wrong = np.extract(bad, values)
        count = f" {wrong.size} of {values.size} values are like this." if values.size > 1 else ""
        raise StudyError(message.format(value=wrong[0]) + count)
