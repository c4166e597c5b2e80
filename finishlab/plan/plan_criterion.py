"""What a good plan is: much information on every effect that may matter, or on the steps' roughness."""

from __future__ import annotations

import itertools
from typing import TYPE_CHECKING

import numpy as np

from finishlab.model.latent import Rows
from finishlab.model.response import GLOSS_SPREADS, INDEX_PRIOR, scale_of
from finishlab.model.scales import GlossScale, Scale
from finishlab.model.steps import MISSES, StepCurve
from finishlab.trade import optics

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


_SPREAD = {s.name: s.median for s in (*GLOSS_SPREADS, *MISSES)}
#: Spread of ln roughness from reading to reading, the meter's own apart; the unit of the others.
_UNIT = float(np.hypot(_SPREAD["reading"], _SPREAD["final"]))
_PANEL, _PATCH = (_SPREAD["panel"] / _UNIT) ** 2, (_SPREAD["patch"] / _UNIT) ** 2
#: Refractive indexes, evenly spread over their prior, at which the goal's edge is found.
_CEILINGS = 16


def criterion_of(study: Study) -> Criterion:
    """Return the measure of plans for the model that `fit` takes of itself for a study."""
    from finishlab.model.fitting import kind_of

    return StepCriterion(study) if kind_of(study) == "steps" else Criterion(study)


class StepCriterion(Criterion):
    """
    The step model and the polynomial of everything else, together.

    Parameters
    ----------
    study : Study
        Its goal names a gloss.

    Notes
    -----
    Each trial gives a line of the model matrix for every step that is read, and one for the
    polynomial. What the curves miss counts as reading noise here: likeness between
    processes is left to the fit.
    """

    def __init__(self, study: Study) -> None:
        super().__init__(study)
        self.curve = StepCurve(study.basis)
        last = len(study.steps) - 1
        self._steps = [i for i, s in enumerate(study.steps) if s.name in study.reading.after or i == last]
        self._gloss = gloss = next(name for name in study.goal if name.startswith("gloss_"))
        self._goal = study.goal[gloss]
        self._others = sum(not name.startswith("gloss_") for name in study.goal)
        scale = scale_of(gloss, INDEX_PRIOR[0])
        self._scales: dict[int, list[Scale]] = {i: [scale] for i in self._steps}
        # Before the last step 60 degrees are read too, which see more of a sanded surface than 20 do.
        angle = np.radians(float(gloss.removeprefix("gloss_")))
        wide = GlossScale(
            float(optics.ceiling_gloss(INDEX_PRIOR[0], 60)),
            shift=float(np.log(np.cos(np.radians(60)) / np.cos(angle))),
        )
        for i in self._steps[:-1]:
            self._scales[i].append(wide)
        self.meter = _SPREAD["meter"] / np.sqrt(study.reading.spots)
        self.readings = len(self._steps) + 1
        self._polynomial = self.prior
        parameters = len(self.curve.prior_sd)
        self.prior = np.zeros((parameters + len(self._polynomial),) * 2)
        self.prior[:parameters, :parameters] = np.eye(parameters)
        self.prior[parameters:, parameters:] = self._polynomial

    def matrix(self, values: np.ndarray) -> np.ndarray:
        """Return the model matrix, a line for each reading and one for the polynomial, trial by trial."""
        polynomial = super().matrix(values)
        _, slopes, noise = self.read(self.curve.prior_mean, self._basis.canonical(values))
        n, m, parameters = len(values), self.readings - 1, len(self.curve.prior_sd)
        x = np.zeros((n, self.readings, len(self.prior)))
        scaled = slopes * self.curve.prior_sd / noise[:, None]
        x[:, :m, :parameters] = scaled.reshape(n, m, parameters)
        x[:, m, parameters:] = polynomial
        return x.reshape(-1, len(self.prior))

    def read(self, theta: np.ndarray, values: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """
        Return what is read of processes: z, its derivatives by the parameters, SD of the reading's own noise.

        Each has a line for every step that is read, trial by trial.
        """
        n, m = len(values), len(self._steps)
        z, noise = np.empty((n, m)), np.empty((n, m))
        slopes = np.empty((n, m, len(theta)))
        for k, step in enumerate(self._steps):
            z[:, k], slopes[:, k] = self.curve.curve(theta, Rows(values, np.full(n, step)))
            steepest = np.max([np.abs(scale.slope(z[:, k])) for scale in self._scales[step]], axis=0)
            noise[:, k] = np.hypot(_UNIT, self.meter / np.maximum(steepest, 1e-6))
        return z.ravel(), slopes.reshape(n * m, len(theta)), noise.ravel()

    def finish(self, theta: np.ndarray, values: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Return z after the last step, and its derivatives."""
        return self.curve.curve(theta, Rows(values, np.full(len(values), self._steps[-1])))

    def moments(self) -> np.ndarray:
        """As `Criterion.moments`, of every response of the goal, each in its own units and where the gloss may decide."""
        values = self._basis.canonical(self.processes)
        z, slopes = self.finish(self.curve.prior_mean, values)
        slopes = slopes * self.curve.prior_sd
        share = self._at_edge(z, np.linalg.norm(slopes, axis=1))
        parameters = len(self.curve.prior_sd)
        out = np.zeros_like(self.prior)
        out[:parameters, :parameters] = slopes.T @ (slopes * share[:, None]) / _UNIT**2
        x = super().matrix(values)
        out[parameters:, parameters:] = self._others * x.T @ (x * share[:, None])
        return out

    def _at_edge(self, z: np.ndarray, sd: np.ndarray) -> np.ndarray:
        """Return each process's share in what is to be foretold; the ceiling is as little known as the curve."""
        from scipy.special import ndtri

        indexes = INDEX_PRIOR[0] + INDEX_PRIOR[1] * ndtri((np.arange(_CEILINGS) + 0.5) / _CEILINGS)
        ends = [end for end in (self._goal.at_least, self._goal.at_most) if end is not None]
        edges = np.array([scale_of(self._gloss, i).inverse(np.array(end)) for i in indexes for end in ends])
        edges = edges[np.isfinite(edges)]
        density = np.exp(-0.5 * ((z[:, None] - edges) / sd[:, None]) ** 2).sum(axis=1) / sd
        # A goal above every ceiling that the priors allow has no edge: then all processes count alike.
        return density / density.sum() if len(edges) else np.full(len(z), 1 / len(z))

    def weight(self, *groups: np.ndarray) -> np.ndarray:
        """Return the inverse covariance of the lines of `matrix` for trials in these groups."""
        n, m = len(groups[0]), self.readings - 1
        shared = _PATCH * np.eye(n) + _PANEL * sum((g[:, None] == g[None, :]).astype(float) for g in groups)
        finish = np.linalg.inv(np.kron(shared, np.ones((m, m))) + np.eye(n * m))
        whole = np.zeros((n, m + 1, n, m + 1))
        whole[:, :m, :, :m] = finish.reshape(n, m, n, m)
        whole[:, m, :, m] = weight_of(*groups)
        return whole.reshape(n * (m + 1), -1)

    def information(self, values: np.ndarray, panels: np.ndarray) -> np.ndarray:
        """As `Criterion.information`."""
        parameters, m = len(self.curve.prior_sd), self.readings - 1
        x = self.matrix(values).reshape(len(values), self.readings, len(self.prior))
        finish, sums = x[:, :m, :parameters], x[:, :m, :parameters].sum(axis=1)
        # The same as x' V^-1 x with patches and panels shared, without a matrix of trials by trials.
        share = 1 + m * _PATCH
        told = np.einsum("rmi,rmj->ij", finish, finish) - _PATCH / share * sums.T @ sums
        labels, panel = np.unique(panels.astype(str), return_inverse=True)
        by_panel = np.zeros((len(labels), parameters))
        np.add.at(by_panel, panel, sums / share)
        size = np.bincount(panel, minlength=len(labels))[:, None] * m / share
        told -= by_panel.T @ (by_panel * _PANEL / (1 + _PANEL * size))
        out = np.zeros_like(self.prior)
        out[:parameters, :parameters] = told
        out[parameters:, parameters:] = self._of_polynomial(x[:, -1, parameters:], panels)
        return out
