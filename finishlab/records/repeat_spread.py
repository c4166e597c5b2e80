"""The meter's spread, from repeat readings of the same patch.

One slip of the hand must not widen what all later readings are judged by, so the spread is
taken from the middle of many patches. What a reading far from its neighbours means is for
those who call.
"""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np

#: Largest range of n readings in spreads of one, that 99 in 100 patches stay within: upper 1 %
#: points of the studentized range with its spread known (handbook table, from memory; the tests
#: hold them against a general-purpose library).
_RANGE = {2: 3.643, 3: 4.120, 4: 4.403, 5: 4.603, 6: 4.757, 7: 4.882, 8: 4.987, 9: 5.078, 10: 5.157}


def robust_spread(values: Iterable[np.ndarray]) -> float:
    """
    Return the standard deviation of repeats about their patch mean.

    Parameters
    ----------
    values : iterable of ndarray
        The readings of each patch; those read once say nothing.

    Returns
    -------
    float
        From the median of the patch variances; 0 when no patch was read twice.

    Examples
    --------
    >>> patches = [np.array([84.0, 84.4]), np.array([80.0, 80.4]), np.array([82.0, 9.0])]
    >>> round(robust_spread(patches), 2)
    0.42
    >>> robust_spread([np.array([84.0])])
    0.0
    """
    from scipy.special import gammaincinv

    variances, dfs = [], []
    for v in values:
        if len(v) > 1:
            variances.append(v.var(ddof=1))
            dfs.append(len(v) - 1)
    if not variances:
        return 0.0
    df = float(np.median(dfs))
    # The median of a chi-squared variable with df degrees of freedom.
    return float(np.sqrt(np.median(variances) * df / (2 * gammaincinv(df / 2, 0.5))))


def widest_range(count: int) -> float:
    """
    Return how many spreads the range of `count` readings of one patch stays within, 99 times in 100.

    Examples
    --------
    >>> widest_range(3)
    4.12
    >>> widest_range(40) == widest_range(10)
    True
    """
    return _RANGE[min(count, max(_RANGE))]
