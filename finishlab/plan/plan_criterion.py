"""What a good plan is: much information on every effect that may matter, panels allowed for.

The model behind a plan is a rough one on purpose. Nothing is assumed about a constant, the
factors' main columns, and the squares of passes and seconds: working on always levels off,
so a plan needs few, some and many of them. Other squares and the products of two factors
may or may not matter and are held near zero with the weight of one trial each. A plan made
so tells the former apart for certain and as many of the latter as the trials allow, with
fewer trials than terms if need be. Here are that model and two measures of a plan: how well
it tells the settings apart (D), and how well it foretells the finish (I);
`exchange.py` searches, `trials.py` turns the answer into a sheet.

References
----------
DuMouchel, W. and Jones, B. (1994). A simple Bayesian modification of D-optimal designs to
reduce dependence on an assumed model. Technometrics 36, 37-47.
Atkinson, A. C., Donev, A. N. and Tobias, R. D. (2007). Optimum Experimental Designs, with
SAS. Oxford, ch. 10 (D and I; from memory).
"""

from __future__ import annotations

import itertools
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from finishlab.study import Study

#: Variance between panels (and between halves, where settings change by half panel) over that
#: between patches. Designs hardly depend on it; 1 says that panels differ as patches do.
RATIO = 1.0
#: Precision of effects about which nothing is assumed: next to none, but enough to invert.
_FLAT = 1e-6
#: Precision of effects that may matter, in trials.
_PRIOR = 1.0
#: Processes over which the squares and products are centred and scaled.
_CANDIDATES = 20_000
#: Draws of so many at most, and processes below which drawing has failed.
_DRAWS, _FEWEST = 20, 200


class Criterion:
    """
    The model of a plan over the factors of a study, and the information trials give on it.

    Parameters
    ----------
    study : Study

    Attributes
    ----------
    prior : ndarray, shape (columns, columns)
        Information on the coefficients before any trial.
    processes : ndarray, shape (any, factors)
        The admissible processes, or an even share of them where there are very many.
    differences : int
        Number of columns about which nothing is assumed, the constant not counted.
    readings : int
        Lines of the model matrix for each trial.

    Notes
    -----
    Terms that may matter are taken apart from the others by regression over the admissible
    processes, and scaled to a range of 1 there, as DuMouchel and Jones (1994) do. Settings of left-out steps never matter.
    """

    readings = 1

    def __init__(self, study: Study) -> None:
        self._basis = study.basis
        self.processes = processes = _processes(study)
        names = study.basis.columns(processes[:1])[1]
        level_off = {f"{s.amount.factor}^2" for s in study.steps if s.amount is not None}
        main = [name for columns in study.basis.main for name in columns]
        self._sure = np.array([True, *(name in main or name in level_off for name in names)])
        self.differences = int(self._sure.sum()) - 1

        raw = self._raw(processes)
        sure, perhaps = raw[:, self._sure], raw[:, ~self._sure]
        self._share = np.linalg.lstsq(sure, perhaps, rcond=None)[0]
        width = np.ptp(perhaps - sure @ self._share, axis=0)
        # A column without a range of its own says nothing that the sure ones do not say.
        self._kept = width > 1e-9
        self._width = width[self._kept]
        self.prior = np.diag([_FLAT] * (self.differences + 1) + [_PRIOR] * len(self._width))

    def _raw(self, values: np.ndarray) -> np.ndarray:
        columns = self._basis.columns(self._basis.canonical(values))[0]
        return np.column_stack([np.ones(len(values)), columns])

    def matrix(self, values: np.ndarray) -> np.ndarray:
        """Return the model matrix of processes, shape (rows, columns)."""
        raw = self._raw(values)
        sure, perhaps = raw[:, self._sure], raw[:, ~self._sure]
        return np.hstack([sure, (perhaps - sure @ self._share)[:, self._kept] / self._width])

    def information(self, values: np.ndarray, panels: np.ndarray) -> np.ndarray:
        """
        Return what trials tell about the coefficients, the prior apart.

        Parameters
        ----------
        values : ndarray, shape (trials, factors)
        panels : ndarray, shape (trials,)
            Which panel each trial is on.
        """
        return self._of_polynomial(self.matrix(values), panels)

    @staticmethod
    def _of_polynomial(x: np.ndarray, panels: np.ndarray) -> np.ndarray:
        labels, panel = np.unique(panels.astype(str), return_inverse=True)
        sums = np.zeros((len(labels), x.shape[1]))
        np.add.at(sums, panel, x)
        size = np.bincount(panel, minlength=len(labels))[:, None]
        # The same as x' weight_of(panel) x, without a matrix of trials by trials.
        return x.T @ x - sums.T @ (sums * RATIO / (1 + RATIO * size))

    def weight(self, *groups: np.ndarray) -> np.ndarray:
        """Return the inverse covariance of the lines of `matrix` for trials in these groups, as `weight_of`."""
        return weight_of(*groups)

    def log_det(self, values: np.ndarray, panels: np.ndarray) -> float:
        """Return the logarithm of the determinant of prior and trials: how well settings are told apart (D)."""
        return float(np.linalg.slogdet(self.prior + self.information(values, panels))[1])

    def moments(self) -> np.ndarray:
        """Return the mean of f f' over the processes, f their row of the model matrix: what is to be foretold."""
        x = self.matrix(self.processes)
        return x.T @ x / len(x)


def weight_of(*groups: np.ndarray) -> np.ndarray:
    """
    Return the inverse covariance of trials whose groups have an effect of their own.

    Parameters
    ----------
    *groups : ndarray of int, each of shape (trials,)
        Which panel, or half panel, each trial is on.

    Returns
    -------
    ndarray, shape (trials, trials)

    Examples
    --------
    Two trials on one panel tell more about their difference than about their mean:

    >>> weight = weight_of(np.array([0, 0]))
    >>> bool(np.isclose([1, -1] @ weight @ [1, -1], 2)), bool(np.isclose([1, 1] @ weight @ [1, 1], 2 / 3))
    (True, True)
    """
    covariance = np.eye(len(groups[0]))
    for group in groups:
        covariance += RATIO * (group[:, None] == group[None, :])
    return np.linalg.inv(covariance)


def _processes(study: Study) -> np.ndarray:
    """Return every admissible process, or an even share of them where there are very many."""
    basis = study.basis
    if basis.size <= _CANDIDATES:
        return np.vstack(list(basis.chunks()))
    rng = np.random.default_rng(0)
    found, left = [], _CANDIDATES
    for _ in range(_DRAWS):
        drawn = basis.canonical(np.column_stack([rng.choice(levels, _CANDIDATES) for levels in basis.levels]))
        drawn = drawn[basis.admissible(drawn)][:left]
        found.append(drawn)
        left -= len(drawn)
        if not left:
            break
    drawn = np.unique(np.vstack(found), axis=0)
    if len(drawn) < _FEWEST:
        # Nearly everything is avoided: what is left has to be walked to.
        walked = itertools.islice(basis.chunks(), _DRAWS)
        return np.vstack([drawn, *walked])[:_CANDIDATES]
    return drawn
