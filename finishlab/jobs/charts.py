"""Control charts as a handbook has them: limits, run rules, and how far a steady process stays within its ends.

Plain arithmetic on arrays in the order of work: single values with their moving ranges, and averages with ranges where each job was read
in several places. What a signal means for a shop, and what to do, is `monitor.py`'s.

References
----------
NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2 (control charts and their run rules), 6.3.2.1 (ranges) and 6.3.2.2
(individuals charts); constants as ASTM E2587 and ISO 7870-2 table them, here computed.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np

from finishlab.errors import RecordsError

#: Fewest values that can draw limits.
FEWEST = 5
#: Confidence of the interval of a capability.
CONFIDENCE = 0.95


@dataclass(frozen=True)
class Chart:
    """
    Centre and limits of a chart.

    Attributes
    ----------
    centre, sigma : float
        Mean of what is plotted, and the spread that luck gives it.
    low, high : float
        Three sigma about the centre; a range has no limit below 0.
    """

    centre: float
    sigma: float
    low: float
    high: float


@dataclass(frozen=True)
class EvenSpread:
    """
    A scale of readings on which single values spread alike, high or low, and back.

    A scale of the fit alone would make a meter's noise near the ceiling, where the smoothest of films differ by nothing that it tells, look
    like values that stand out.

    Attributes
    ----------
    reading, at : ndarray, shape (points,)
        Both rising.
    """

    reading: np.ndarray
    at: np.ndarray

    @classmethod
    def of(cls, reading: np.ndarray, spread: np.ndarray) -> EvenSpread:
        """Return the scale that counts the way from reading to reading in the spread that values have there."""
        steps = (1 / spread[1:] + 1 / spread[:-1]) / 2 * np.diff(reading)
        return cls(reading, np.r_[0.0, np.cumsum(steps)])

    def on(self, reading: np.ndarray) -> np.ndarray:
        """Return readings on the scale."""
        return np.interp(reading, self.reading, self.at)

    def back(self, at: float) -> float:
        """Return the reading at a place on the scale; at most what can occur."""
        return float(np.interp(at, self.at, self.reading))

    def across(self, at: float, spread: float) -> float:
        """Return a spread about a place on the scale as a difference of readings."""
        return self.back(at + spread / 2) - self.back(at - spread / 2)


@cache
def range_constants(n: int) -> tuple[float, float]:
    """
    Return the mean and the SD of the range of `n` normal readings, in their SD: d2 and d3.

    Notes
    -----
    By the distribution of the studentized range with infinitely many degrees of freedom; mean and mean square are integrals of what
    it leaves above.

    Examples
    --------
    >>> [round(c, 3) for c in range_constants(2)], [round(c, 3) for c in range_constants(5)]
    ([1.128, 0.853], [2.326, 0.864])
    """
    from scipy import integrate, special, stats

    # P(range <= w) of n standard normals: n times the integral of phi(x) (Phi(x + w) - Phi(x))^(n - 1).
    x, weight = np.polynomial.legendre.leggauss(200)
    x, weight = 8.5 * x, 8.5 * weight * stats.norm.pdf(8.5 * x)

    def above(w: float) -> float:
        return 1 - n * float(weight @ (special.ndtr(x + w) - special.ndtr(x)) ** (n - 1))

    d2 = integrate.quad(above, 0, 14, epsabs=1e-10)[0]
    square = integrate.quad(lambda w: 2 * w * above(w), 0, 14, epsabs=1e-10)[0]
    return d2, float(np.sqrt(square - d2**2))


def individuals(values: np.ndarray) -> Chart:
    """
    Return the limits of a chart of single values, by the mean of their moving ranges.

    Parameters
    ----------
    values : ndarray, shape (jobs,)
        In the order of work; two at least.

    Returns
    -------
    Chart

    Examples
    --------
    The flow rates of the NIST handbook, 6.3.2.2:

    >>> flow = np.array([49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1])
    >>> chart = individuals(flow)
    >>> round(chart.centre, 2), round(chart.low, 2), round(chart.high, 2)
    (50.81, 45.82, 55.8)
    """
    centre = float(values.mean())
    sigma = float(np.abs(np.diff(values)).mean()) / range_constants(2)[0]
    return Chart(centre, sigma, centre - 3 * sigma, centre + 3 * sigma)


def ranges(values: np.ndarray, n: int) -> Chart:
    """
    Return the limits of a chart of ranges.

    Parameters
    ----------
    values : ndarray, shape (jobs,)
        Range of each job's readings; or of a value and the one before it, with `n` of 2.
    n : int
        Readings that a range is of.

    Returns
    -------
    Chart

    Examples
    --------
    Of two readings the upper limit is 3.267 times the mean range (D4 of the tables):

    >>> round(ranges(np.array([1.0, 1.0]), 2).high, 3)
    3.267
    """
    d2, d3 = range_constants(n)
    centre = float(values.mean())
    sigma = centre * d3 / d2
    return Chart(centre, sigma, max(centre - 3 * sigma, 0.0), centre + 3 * sigma)


def run_signals(values: np.ndarray, chart: Chart) -> list[tuple[int, str]]:
    """
    Return where a run of values is not what luck gives, and by which rule.

    The four rules of the NIST handbook, 6.3.2: a value beyond three sigma; two of three beyond two on one side; four of five
    beyond one on one side; eight in a row on one side of the centre.

    Parameters
    ----------
    values : ndarray, shape (jobs,)
    chart : Chart

    Returns
    -------
    list of (int, str)
        Position of the value that completes the pattern, and the rule in words.

    Examples
    --------
    >>> quiet, chart = np.array([0.1, -0.2, 0.3, -0.1]), Chart(0.0, 1.0, -3.0, 3.0)
    >>> run_signals(quiet, chart), run_signals(np.r_[quiet, 3.4], chart)
    ([], [(4, 'beyond three sigma')])
    """
    u = (values - chart.centre) / max(chart.sigma, 1e-300)
    found = []
    for i in range(len(u)):
        for side in (1, -1):
            v = side * u[: i + 1]
            if v[-1] > 3:
                found.append((i, "beyond three sigma"))
            elif i >= 2 and v[-1] > 2 and (v[-3:] > 2).sum() >= 2:
                found.append((i, "two of three beyond two sigma"))
            elif i >= 4 and v[-1] > 1 and (v[-5:] > 1).sum() >= 4:
                found.append((i, "four of five beyond one sigma"))
            elif i >= 7 and (v[-8:] > 0).all():
                found.append((i, "eight in a row on one side"))
    return found


def capability(
    values: np.ndarray, *, low: float | None = None, high: float | None = None
) -> tuple[float, float, float]:
    """
    Return how far a steady process stays within its ends, with the 95 % interval of that.

    Parameters
    ----------
    values : ndarray, shape (jobs,)
        Normal about a steady mean: on the scale of the fit, with no signal among them.
    low, high : float, optional
        Ends. With both, Cp: their distance over six SDs; with one, the distance of the mean from it over three.

    Returns
    -------
    index, index_low, index_high : float

    Raises
    ------
    RecordsError
        There are no ends, or fewer than five values.

    Notes
    -----
    The interval is that of a two-sided Cp by the chi-squared of the SD (Montgomery, Introduction to
    Statistical Quality Control, from memory); with one end Bissell's approximation (1990, Applied Statistics 39, 331; from memory).

    Examples
    --------
    Twenty values with an SD of 1.75 between 38 and 62: Montgomery's 2.29, up to 3.01.

    >>> z = np.linspace(-1, 1, 20)
    >>> cp, _, most = capability(50 + 1.75 * z / z.std(ddof=1), low=38, high=62)
    >>> round(cp, 2), round(most, 2)
    (2.29, 3.01)
    """
    from scipy import stats

    n = len(values)
    if n < FEWEST or (low is None and high is None):
        raise RecordsError(
            f"{n} values and {'no end' if low is None and high is None else 'an end'}: give {FEWEST} values at least, and an end."
        )
    mean, sd = float(np.mean(values)), float(np.std(values, ddof=1))
    if low is not None and high is not None:
        cp = (high - low) / (6 * sd)
        ends = np.sqrt(stats.chi2.ppf([(1 - CONFIDENCE) / 2, (1 + CONFIDENCE) / 2], n - 1) / (n - 1))
        return cp, float(cp * ends[0]), float(cp * ends[1])
    cp = (mean - low) / (3 * sd) if low is not None else (high - mean) / (3 * sd)  # type: ignore[operator]
    reach = float(stats.norm.ppf((1 + CONFIDENCE) / 2)) * np.sqrt(1 / (9 * n) + cp**2 / (2 * (n - 1)))
    return cp, float(cp - reach), float(cp + reach)
