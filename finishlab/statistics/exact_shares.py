"""What a count of successes says of a share, exactly: no normal approximation for a dozen jobs.

References
----------
Clopper, C. J. & Pearson, E. S. (1934). The use of confidence or fiducial limits illustrated in the case of the
binomial. Biometrika 26, 404-413 (from memory).
"""

from __future__ import annotations


def exact_share(met: int, of: int, confidence: float) -> tuple[float, float]:
    """
    Return the exact interval of a share.

    Parameters
    ----------
    met, of : int
    confidence : float

    Returns
    -------
    low, high : float

    Examples
    --------
    Twelve of twelve cannot tell 90 % from 75 %:

    >>> low, high = exact_share(12, 12, 0.95)
    >>> round(low, 3), high
    (0.735, 1.0)
    """
    from scipy import stats

    tail = (1 - confidence) / 2
    low = float(stats.beta.ppf(tail, met, of - met + 1)) if met else 0.0
    high = float(stats.beta.ppf(1 - tail, met + 1, of - met)) if met < of else 1.0
    return low, high
