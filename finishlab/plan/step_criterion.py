"""What a good plan is where the fit follows roughness through the steps.

The finish is then not a polynomial of the settings but a curve a step, with priors. A trial
tells of that curve by a reading after every step that the study reads; it tells of minutes,
haze and faults, which stay polynomials, as in `criterion.py`. Settings are told apart (D) by
both together. What the goal names is foretold (I), gloss by the curve and the others by the
polynomial, each process counting by how likely its finish lies at the edge of the goal,
for there the shortest process that reaches it is found. The curve is made linear at its
priors' centre; the curve itself is `model/steps.py`'s.

References
----------
Chaloner, K. and Verdinelli, I. (1995). Bayesian experimental design: a review. Statistical
Science 10, 273-304 (a nonlinear model made linear at its prior; from memory).
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from finishlab.model.latent import Rows
from finishlab.model.response import GLOSS_SPREADS, INDEX_PRIOR, scale_of
from finishlab.model.scales import GlossScale, Scale
from finishlab.model.steps import MISSES, StepCurve
from finishlab.plan.plan_criterion import Criterion, weight_of
from finishlab.trade import optics

if TYPE_CHECKING:
    from finishlab.study import Study

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
