"""Many comparisons at once: intervals that all hold together, and tests that none is found by luck.

All pairs of means take Tukey's studentized range. Tests of different things take Holm's steps, which
statsmodels has; `finishlab.model.differences` calls them.
"""

from __future__ import annotations

import itertools
from functools import lru_cache

import numpy as np

from finishlab.statistics.freedom import Contrasts


def all_pairs(count: int) -> np.ndarray:
    """
    Return the weights of all differences of two of some means, the first less the second.

    Examples
    --------
    >>> all_pairs(3).tolist()
    [[1.0, -1.0, 0.0], [1.0, 0.0, -1.0], [0.0, 1.0, -1.0]]
    """
    out = np.zeros((count * (count - 1) // 2, count))
    for row, (a, b) in zip(out, itertools.combinations(range(count), 2), strict=True):
        row[a], row[b] = 1, -1
    return out


@lru_cache(maxsize=512)
def tukey_reach(count: int, df: float, cover: float) -> float:
    """
    Return how many standard errors hold all differences of two of `count` means together.

    References
    ----------
    Tukey, J. W. (1953); Kramer, C. Y. (1956), Biometrics 12, 307, for means known unequally
    well (both from memory). Any table of the studentized range has 3.77 for three means on 12
    degrees of freedom at 95 % (from memory), hence 3.77 / sqrt(2).

    Examples
    --------
    >>> round(tukey_reach(3, 12.0, 0.95), 2), round(3.773 / 2**0.5, 2)
    (2.67, 2.67)

    Of two means it is Student's own:

    >>> round(tukey_reach(2, 12.0, 0.95), 3)
    2.179
    """
    from scipy import optimize, special, stats

    if count == 2:
        return float(special.stdtrit(df, (1 + cover) / 2))
    # statsmodels has a table's interpolation of it (`libqsturng`), off by 0.14 % at three means and 5 df;
    # scipy's own quantile asks for six times as many of its slow integrals. Bonferroni's
    # reach lies a little above, whence a few steps on the log of what is left suffice.
    above = np.sqrt(2) * float(special.stdtrit(df, 1 - (1 - cover) / (count * (count - 1))))

    def left(q: float) -> float:
        return float(np.log(stats.studentized_range.sf(q, count, df) / (1 - cover)))

    found = optimize.root_scalar(left, x0=above, x1=0.98 * above, method="secant", rtol=1e-9)
    return float(found.root / np.sqrt(2))


def together(pairs: Contrasts, count: int, cover: float) -> tuple[np.ndarray, np.ndarray]:
    """Return the ends of intervals of all pairs of `count` means that hold together."""
    # Nine digits: what rounding makes of equal degrees of freedom is asked once.
    reach = np.array([tukey_reach(count, float(f"{df:.9g}"), cover) for df in pairs.df]) * pairs.se
    return pairs.value - reach, pairs.value + reach


def tukey_p(pairs: Contrasts, count: int) -> np.ndarray:
    """Return the probability that any pair of `count` equal means would differ so much."""
    # statsmodels (`psturng`) says nothing above 0.9, and nothing below 0.001.
    from scipy import stats

    with np.errstate(divide="ignore", invalid="ignore"):
        ratio = np.abs(pairs.value / pairs.se)
    if count == 2:
        return pairs.p()
    return np.asarray(stats.studentized_range.sf(ratio * np.sqrt(2), count, pairs.df))
