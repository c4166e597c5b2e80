"""The textbook's ways of answering the same question, to be scored beside ours.

Each takes the trials that were worked and names a process for the goal: a quadratic of the
raw readings by its point prediction or by its predictive spread, and a Gaussian process of
a general-purpose library. They are here to be compared with, not to be used: a choice by
point prediction keeps its promise hardly ever.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import TYPE_CHECKING

import numpy as np

from finishlab.study import Condition, Study

if TYPE_CHECKING:
    import pandas as pd

#: Mean, spread and degrees of freedom (infinite: normal) of the next reading of each process.
_Told = tuple[np.ndarray, np.ndarray, float]
#: Readings differ in the last digit shown; a target met on paper is met.
_CLOSE = 1e-9


def quadratic(study: Study, x: np.ndarray, y: np.ndarray, new: np.ndarray) -> _Told:
    """Return what a full quadratic of the raw reading says of new processes, by least squares."""
    old, grid = (np.hstack([np.ones((len(v), 1)), study.basis.columns(v)[0]]) for v in (x, new))
    coef, _, rank, _ = np.linalg.lstsq(old, y, rcond=None)
    df = max(len(y) - int(rank), 1)
    s = np.sqrt(((y - old @ coef) ** 2).sum() / df)
    inverse = np.linalg.pinv(old.T @ old)
    return grid @ coef, s * np.sqrt(1 + np.einsum("ij,jk,ik->i", grid, inverse, grid)), float(df)


def gaussian_process(study: Study, x: np.ndarray, y: np.ndarray, new: np.ndarray) -> _Told:
    """Return what scikit-learn's Gaussian process of the raw reading says of new processes."""
    import warnings

    from sklearn.exceptions import ConvergenceWarning
    from sklearn.gaussian_process import GaussianProcessRegressor
    from sklearn.gaussian_process.kernels import RBF, ConstantKernel, WhiteKernel

    old, grid = (_coded(study, v) for v in (x, new))
    size = old.shape[1]
    kernel = ConstantKernel(1.0, (1e-2, 1e2)) * RBF(np.ones(size), (0.1, 30.0)) + WhiteKernel(
        0.05, (1e-4, 1.0)
    )
    model = GaussianProcessRegressor(kernel, normalize_y=True, n_restarts_optimizer=1, random_state=1)
    with warnings.catch_warnings():
        # A length scale at its bound says that a setting hardly matters; that is its answer.
        warnings.simplefilter("ignore", ConvergenceWarning)
        mean, sd = model.fit(old, y).predict(grid, return_std=True)
    return mean, sd, np.inf


def _coded(study: Study, values: np.ndarray) -> np.ndarray:
    """Return numbers over their studied range and one column for each other level."""
    columns = []
    for j, factor in enumerate(study.basis.factors):
        v = values[:, j]
        if factor.numeric:
            low, high = float(factor.levels[0]), float(factor.levels[-1])
            columns.append(np.nan_to_num((v - low) / (high - low))[:, None])
        else:
            columns.append((v[:, None] == np.arange(len(factor.levels))).astype(float))
    return np.hstack(columns)


def _by_point(told: _Told, condition: Condition) -> np.ndarray:
    mean = told[0]
    low = -np.inf if condition.at_least is None else condition.at_least
    high = np.inf if condition.at_most is None else condition.at_most
    return ((mean >= low - _CLOSE) & (mean <= high + _CLOSE)).astype(float)


def _by_chance(told: _Told, condition: Condition) -> np.ndarray:
    from scipy import special

    mean, sd, df = told
    cdf = special.ndtr if np.isinf(df) else (lambda t: special.stdtr(df, t))
    p = np.ones(len(mean))
    if condition.at_most is not None:
        p = cdf((condition.at_most - mean) / sd)
    if condition.at_least is not None:
        p = p - cdf((condition.at_least - mean) / sd)
    return np.clip(p, 0, 1)


_Predicts = Callable[[Study, np.ndarray, np.ndarray, np.ndarray], _Told]
_Judges = Callable[[_Told, Condition], np.ndarray]

#: Way -> what it predicts by, and how it judges a goal by that.
RIVALS: dict[str, tuple[_Predicts, _Judges]] = {
    "quadratic, point prediction": (quadratic, _by_point),
    "quadratic, predictive bound": (quadratic, _by_chance),
    "Gaussian process, predictive probability": (gaussian_process, _by_chance),
}


def recommended(
    way: str,
    study: Study,
    trials: pd.DataFrame,
    minutes: np.ndarray,
    goal: Mapping[str, Condition],
    assurance: float,
) -> np.ndarray | None:
    """
    Return the quickest process that a way holds sure enough, as a row of `Basis.values`, or None.

    Parameters
    ----------
    way : str
        One of `RIVALS`.
    study : Study
    trials : DataFrame
        As logged; a trial without a response counts for nothing there.
    minutes : ndarray
        Of the job by every admissible process, in the order of ``Basis.chunks``.
    goal : mapping of response -> Condition
    assurance : float
        Several goals are taken to go their own ways, so their chances are multiplied.
    """
    import pandas as pd

    predicts, judges = RIVALS[way]
    grid = np.concatenate(list(study.basis.chunks()))
    chance = np.ones(len(grid))
    for name, condition in goal.items():
        y = pd.to_numeric(trials[name], errors="coerce").to_numpy(float)
        read = np.isfinite(y)
        chance *= judges(predicts(study, study.basis.values(trials[read]), y[read], grid), condition)
    sure = np.flatnonzero(chance >= assurance)
    return grid[sure[np.argmin(minutes[sure])]] if len(sure) else None
