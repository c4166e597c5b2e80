"""What a gloss meter can read: refractive index, roughness, gloss and haze.

Plain functions of arrays, tied to no study and no table: the reflectance of a smooth film, the
ceiling that its resin sets on gloss (both written in `_fresnel`), the share of it that roughness
leaves, and the scale on which that share becomes a straight line. Anything that learns from trials
belongs in `model`; anything about sanding grades belongs in `abrasives`.

Two rules hold throughout. A constant of the set-up that cannot be (an angle of 95 degrees, a
ceiling of -3 GU) raises `StudyError`. A reading that a formula cannot turn into a number (gloss at
or above the ceiling, gloss of 0 GU) gives nan in its place, so that one such reading in a column
does not stop the others; nan in gives nan out. Scalars give scalars, and arrays broadcast.
"""

import numpy as np
from numpy.typing import ArrayLike, NDArray

from finishlab.trade.fresnel import (
    ANGLES,
    REFERENCE_INDEX,
    FloatArray,
    ceiling_gloss,
    highest_clear_gloss,
    index_from_ceiling,
    radians_from_normal,
    reflectance,
    refuse,
)

__all__ = [
    "ANGLES",
    "REFERENCE_INDEX",
    "WAVELENGTH_UM",
    "angle_to_use",
    "ceiling_gloss",
    "gloss_from_roughness",
    "haze_index",
    "highest_clear_gloss",
    "index_from_ceiling",
    "log_roughness",
    "log_roughness_shift",
    "reflectance",
    "roughness_from_gloss",
    "share_from_log_roughness",
]

# At which roughness is stated: near the eye's peak of 555 nm, by which gloss meters weight their light
# (from memory). Another choice rescales every roughness alike and changes no gloss.
WAVELENGTH_UM = 0.55

# ASTM D523 (public summary; the same in ISO 2813, from memory) and, for haze, ASTM D4039.
_HIGH_GLOSS_60 = 70.0
_LOW_GLOSS_60 = 10.0


def gloss_from_roughness(sigma_um: ArrayLike, *, ceiling: ArrayLike, angle: ArrayLike = 20) -> FloatArray:
    """
    Gloss of a slightly rough film.

    Parameters
    ----------
    sigma_um : array_like
        Root-mean-square roughness, micrometres.
    ceiling : array_like
        Gloss of the same film when smooth, GU at the same angle. Positive.
    angle : array_like
        Degrees from the normal, from 0 to below 90.

    Returns
    -------
    float or ndarray
        Gloss, GU, from 0 to `ceiling`; nan where the roughness is negative.

    Raises
    ------
    StudyError
        A ceiling that is not positive, or an angle outside 0 to 90 degrees.

    Notes
    -----
    gloss = ceiling exp(-(4 pi sigma cos(angle) / lambda)^2), lambda = 0.55 micrometres.

    It holds in the smooth limit, sigma much smaller than lambda: a few hundredths of a micrometre.
    Beyond, sigma is only a name for the gloss: what the meter collects then also depends on the
    width and lay of the scratches (Simonsen et al. 2005, phys. stat. sol. (b) 242, 2995, abstract),
    and sanded films read lower than this, above all at 60 degrees against their own 20-degree
    reading (common practice, no source). Never put a profilometer's Ra in its place: pooled dental
    data show over 55 GU at Ra 0.2 micrometres, where this formula leaves under 1 GU (Operative
    Dentistry 2022, 47(3), E131, abstract).

    References
    ----------
    Bennett & Porteus (1961), J. Opt. Soc. Am. 51, 123-129 (normal incidence; abstract read, formula
    from memory); the angle as in Beckmann & Spizzichino (from memory).

    Examples
    --------
    >>> gloss_from_roughness([0.0, 0.01, 0.03, 0.1], ceiling=87).round(1)
    array([87. , 83.1, 57.5,  0.9])
    >>> float(gloss_from_roughness(-0.01, ceiling=87))
    nan
    """
    sigma = np.asarray(sigma_um, dtype=float)
    sigma = np.where(sigma >= 0, sigma, np.nan)
    return _ceiling(ceiling) * np.exp(-((sigma * _phase_per_um(angle)) ** 2))


def roughness_from_gloss(gloss: ArrayLike, *, ceiling: ArrayLike, angle: ArrayLike = 20) -> FloatArray:
    """
    Roughness that explains a gloss reading: the inverse of `gloss_from_roughness`, with its limits.

    Parameters
    ----------
    gloss : array_like
        Gloss, GU.
    ceiling, angle : array_like
        As for `gloss_from_roughness`.

    Returns
    -------
    float or ndarray
        Root-mean-square roughness, micrometres. nan where gloss is at or above the ceiling (the film
        is smoother than the meter can tell, or the ceiling is set too low) and where it is 0 or less
        (rougher than it can tell).

    Raises
    ------
    StudyError
        A ceiling that is not positive, or an angle outside 0 to 90 degrees.

    References
    ----------
    Bennett & Porteus (1961), J. Opt. Soc. Am. 51, 123-129, solved for the roughness.

    Examples
    --------
    At the ceiling, and at nothing, there is no answer.

    >>> round(float(roughness_from_gloss(57.5, ceiling=87)), 3)
    0.03
    >>> roughness_from_gloss([87, 0], ceiling=87)
    array([nan, nan])
    """
    share = np.asarray(gloss, dtype=float) / _ceiling(ceiling)
    return np.exp(log_roughness(share)) / _phase_per_um(angle)


def log_roughness(share: ArrayLike) -> FloatArray:
    """
    Log roughness z = ln sqrt(-ln share), the scale on which gloss models are fitted.

    Parameters
    ----------
    share : array_like
        Gloss divided by its ceiling at the same angle.

    Returns
    -------
    float or ndarray, shape of `share`
        z, larger is rougher; nan where `share` is not inside 0 to 1, ends excluded.

    Notes
    -----
    In the smooth limit z is ln(roughness) plus a constant that belongs to the angle
    (`log_roughness_shift`). So it falls in a straight line where each pass takes the same share of
    the roughness, and nothing predicted on it lies above the ceiling.

    References
    ----------
    Bennett & Porteus (1961), J. Opt. Soc. Am. 51, 123-129, solved for the roughness.

    Examples
    --------
    >>> log_roughness([0.05, 0.5, 0.95]).round(3)
    array([ 0.549, -0.183, -1.485])
    >>> float(log_roughness(1.0))
    nan
    """
    share = np.asarray(share, dtype=float)
    share = np.where((share > 0) & (share < 1), share, np.nan)
    return 0.5 * np.log(-np.log(share))


def share_from_log_roughness(z: ArrayLike) -> FloatArray:
    """
    Share of the ceiling at a log roughness: exp(-exp(2 z)), the inverse of `log_roughness`.

    Parameters
    ----------
    z : array_like
        Log roughness of the angle asked for.

    Returns
    -------
    float or ndarray, shape of `z`
        Share, 0 to 1; the ends are met by rounding where |z| is large.

    References
    ----------
    Bennett & Porteus (1961), J. Opt. Soc. Am. 51, 123-129.

    Examples
    --------
    >>> share_from_log_roughness([-1.485, -0.183, 0.549]).round(2)
    array([0.95, 0.5 , 0.05])
    >>> share_from_log_roughness([1000.0, -1000.0])
    array([0., 1.])
    """
    with np.errstate(over="ignore", under="ignore"):
        return np.exp(-np.exp(2 * np.asarray(z, dtype=float)))


def log_roughness_shift(from_angle: ArrayLike, to_angle: ArrayLike) -> FloatArray:
    """
    What to add to the log roughness of one angle to get that of another.

    Parameters
    ----------
    from_angle, to_angle : array_like
        Degrees from the normal, from 0 to below 90.

    Returns
    -------
    float or ndarray
        ln(cos(to) / cos(from)), so that z(to) = z(from) + shift. Exact in the smooth limit; sanded
        films keep to it roughly, so a model leaves it some slack.

    Raises
    ------
    StudyError
        An angle outside 0 to 90 degrees.

    References
    ----------
    Angle form of the smooth-limit formula, Beckmann & Spizzichino (from memory).

    Examples
    --------
    A film looks smoother at 60 degrees than at 20.

    >>> round(float(log_roughness_shift(20, 60)), 4)
    -0.6309
    >>> float(log_roughness_shift(60, 60))
    0.0
    """
    return np.log(np.cos(radians_from_normal(to_angle)) / np.cos(radians_from_normal(from_angle)))


def haze_index(gloss_60: ArrayLike, gloss_20: ArrayLike) -> FloatArray:
    """
    Haze index of ASTM D4039: 60-degree gloss less 20-degree gloss.

    Parameters
    ----------
    gloss_60, gloss_20 : array_like
        Gloss of the same spots, GU. Of a non-metallic finish: the method covers no other, and the
        caller answers for it.

    Returns
    -------
    float or ndarray
        Haze index, GU; nan where the 60-degree gloss is not above 70, which the method requires.
        Not the haze of ISO 13803 or ASTM E430, which other sensors read on another scale, and not 0
        on a perfect film: a smooth clear of refractive index 1.50 has 7.1.

    References
    ----------
    ASTM D4039-09, scope and sections 3.2.3 and 4.2 (public summaries).

    Examples
    --------
    >>> round(float(haze_index(88.5, 71.2)), 1)
    17.3
    >>> haze_index([92.0, 70.0], [84.0, 35.0])
    array([ 8., nan])
    """
    gloss_60 = np.asarray(gloss_60, dtype=float)
    return np.where(gloss_60 > _HIGH_GLOSS_60, gloss_60, np.nan) - np.asarray(gloss_20, dtype=float)


def angle_to_use(gloss_60: ArrayLike) -> NDArray[np.int64]:
    """
    Angle at which a finish should be read, from its 60-degree gloss.

    Parameters
    ----------
    gloss_60 : array_like
        Gloss at 60 degrees, GU.

    Returns
    -------
    int or ndarray of int, shape of `gloss_60`
        20 above 70 GU, 85 below 10 GU, else 60; 60 too where the reading is missing (nan), since
        that is the angle to begin with.

    References
    ----------
    ASTM D523 (public summary); ISO 2813:2014, 9.1 (from memory).

    Examples
    --------
    >>> angle_to_use([92.0, 45.0, 6.0])
    array([20, 60, 85])
    >>> angle_to_use([70.0, 10.0])
    array([60, 60])
    """
    gloss_60 = np.asarray(gloss_60, dtype=float)
    return np.where(gloss_60 > _HIGH_GLOSS_60, 20, np.where(gloss_60 < _LOW_GLOSS_60, 85, 60))[()]


def _phase_per_um(angle: ArrayLike) -> FloatArray:
    """4 pi cos(angle) / lambda, per micrometre of roughness."""
    return 4 * np.pi * np.cos(radians_from_normal(angle)) / WAVELENGTH_UM


def _ceiling(ceiling: ArrayLike) -> FloatArray:
    ceiling = np.asarray(ceiling, dtype=float)
    refuse(
        ceiling <= 0,
        ceiling,
        "a ceiling of {value:g} GU cannot be: give the gloss of the smooth film, 82 to 93 GU at 20 degrees "
        "for refractive indices from 1.50 to 1.54.",
    )
    return ceiling
