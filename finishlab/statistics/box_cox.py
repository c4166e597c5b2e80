"""Box and Cox's question: on which power of a quantity do the terms of a linear model add up?

Arithmetic only; which quantity and which terms are asked in `finishlab.model.check_questions`. scipy and statsmodels
have Box and Cox's power of a single sample, without terms: for the published cycles of wool yarn they find -0.05 and
-0.84, where -0.06 belongs to the terms, and neither has the interval for them.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from finishlab.errors import ModelError

#: Powers that are looked at; beyond them the answer is no scale that anybody would use.
_POWERS = (-5.0, 5.0)


@dataclass(frozen=True)
class PowerFound:
    """The likeliest power, and the interval of powers that the readings allow."""

    power: float
    low: float
    high: float


def box_cox(matrix: np.ndarray, y: np.ndarray, *, cover: float = 0.95) -> PowerFound:
    """
    Return the power of `y` on which a linear model fits it best; 0 stands for its logarithm.

    Parameters
    ----------
    matrix : ndarray, shape (rows, columns)
        Model matrix, its constant included; columns may depend on each other.
    y : ndarray, shape (rows,)
        Positive.
    cover : float
        Of the interval, by the profile of the likelihood.

    Returns
    -------
    PowerFound
        An end of -5 or 5 means that the interval runs on.

    Raises
    ------
    ModelError
        A value is not positive, or there are no more rows than terms.

    References
    ----------
    Box, G. E. P. & Cox, D. R. (1964), J. R. Stat. Soc. B 26, 211, section 3 (from memory).

    Examples
    --------
    Squares of evenly spaced numbers want their root taken:

    >>> x = np.arange(1.0, 10.0)
    >>> luck = np.array([1, -1, 0, 1, 0, -1, 0, 1, -1]) * 0.01
    >>> found = box_cox(np.column_stack([np.ones(9), x]), (x + luck) ** 2)
    >>> round(found.power, 2)
    0.5
    >>> box_cox(np.ones((2, 1)), np.array([1.0, 0.0]))
    Traceback (most recent call last):
        ...
    finishlab.errors.ModelError: a power needs values above 0; the smallest is 0.
    """
    from scipy import optimize, stats

    y = np.asarray(y, float)
    if y.min() <= 0:
        raise ModelError(f"a power needs values above 0; the smallest is {y.min():g}.")
    u, size, _ = np.linalg.svd(np.asarray(matrix, float), full_matrices=False)
    base = u[:, size > 1e-10 * size[0]]
    if len(y) <= base.shape[1]:
        raise ModelError(f"{len(y)} values cannot fit {base.shape[1]} terms and leave a spread to judge by.")
    logs = np.log(y / np.exp(np.log(y).mean()))  # about the geometric mean the Jacobian is 1

    def worse(power: float) -> float:
        z = np.expm1(power * logs) / power if abs(power) > 1e-8 else logs
        rest = z - base @ (base.T @ z)
        return 0.5 * len(y) * float(np.log(max(float(rest @ rest), 1e-300)))

    best = optimize.minimize_scalar(worse, bounds=_POWERS, method="bounded", options={"xatol": 1e-7})
    allowed = best.fun + 0.5 * float(stats.chi2.ppf(cover, 1))

    def end(far: float) -> float:
        if worse(far) < allowed:
            return far
        return float(optimize.brentq(lambda p: worse(p) - allowed, best.x, far))

    return PowerFound(float(best.x), end(_POWERS[0]), end(_POWERS[1]))
