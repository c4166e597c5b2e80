"""A fitted model seen as linear least squares: trials left out, repeats, influence.

Made straight at one typical draw, the readings are normal about what the priors expect, and
everything that textbooks compute of least squares has its like here: with priors so wide
that they say nothing these are the textbook's own figures, which is how they are tested.
What a figure means, and when it is bad, is said in `checks.py`.

The least squares of statsmodels (`OLS`, `OLSInfluence`) has neither random panels nor a curve with priors. On 24 trials
of a practice bench (kind 1, seed 3) its 13 columns of settings and panels leave 11 degrees of freedom, and how far each
trial lies from the others then has a correlation of 0.2 with what the model finds.

Whether a figure is odd is judged against the same figure of readings drawn from the model
itself, so that small studies, panels and shrunk terms need no tables of their own.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from scipy import linalg

from finishlab.model.latent import Posterior

#: Draws from the model itself that a figure is judged against.
SIMULATED = 999
#: A slope smaller than this says that a reading tells nothing of z.
_FLAT = 1e-12


@dataclass(frozen=True, eq=False)
class LinearView:
    """
    Readings as ``y = expected + process + panel + noise``, each part normal.

    Attributes
    ----------
    residual : ndarray, shape (readings,)
        Readings minus what the priors expect.
    total, process, panel : ndarray, shape (readings, readings)
        Covariance of the readings, and what the process and the panel have in it.
    trial, panels, last : ndarray, shape (readings,)
        Trial and panel of each reading, and whether it is the last of its trial.
    same : ndarray, shape (readings,)
        A number for each process, the same where two trials worked the same one.
    """

    residual: np.ndarray
    total: np.ndarray
    process: np.ndarray
    panel: np.ndarray
    trial: np.ndarray
    panels: np.ndarray
    last: np.ndarray
    same: np.ndarray

    @cached_property
    def inverse(self) -> np.ndarray:
        """Inverse of `total`."""
        return linalg.cho_solve((self._root, True), np.eye(len(self.residual)))

    @cached_property
    def _root(self) -> np.ndarray:
        return np.asarray(linalg.cholesky(self.total, lower=True))

    @cached_property
    def simulated(self) -> np.ndarray:
        """Residuals of readings drawn from the model itself, shape (readings, SIMULATED)."""
        rng = np.random.default_rng(20)
        return self._root @ rng.standard_normal((len(self.residual), SIMULATED))

    @cached_property
    def at(self) -> np.ndarray:
        """Positions of the last readings, one a trial."""
        return np.flatnonzero(self.last)

    def _without(self, block: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Return what turns residuals into how far a block lies from what the others say, and its covariance."""
        cov = np.linalg.inv(self.inverse[np.ix_(block, block)])
        return cov @ self.inverse[block], cov

    @cached_property
    def _trials_left_out(self) -> tuple[np.ndarray, np.ndarray]:
        """Each trial left out in turn: (trials, readings) and the spread of its last reading."""
        rows, sds = [], []
        for i in self.at:
            block = np.flatnonzero(self.trial == self.trial[i])
            far, cov = self._without(block)
            k = int(np.flatnonzero(block == i)[0])
            rows.append(far[k])
            sds.append(np.sqrt(cov[k, k]))
        return np.array(rows), np.array(sds)

    @cached_property
    def _panels_left_out(self) -> tuple[np.ndarray, np.ndarray]:
        """The same, each whole panel left out in turn."""
        rows = np.zeros((len(self.at), len(self.residual)))
        sds = np.zeros(len(self.at))
        for name in np.unique(self.panels):
            block = np.flatnonzero(self.panels == name)
            far, cov = self._without(block)
            mine = np.flatnonzero(self.last[block])
            where = np.searchsorted(self.at, block[mine])
            rows[where], sds[where] = far[mine], np.sqrt(np.diag(cov)[mine])
        return rows, sds

    def missed(self, residual: np.ndarray, *, panels: bool = False) -> np.ndarray:
        """Return how far each last reading lies from what the others say, in units of the reading."""
        return (self._panels_left_out if panels else self._trials_left_out)[0] @ residual

    def standardised(self, residual: np.ndarray, *, panels: bool = False) -> np.ndarray:
        """Return the same in units of its own spread, which the model says is 1."""
        sd = (self._panels_left_out if panels else self._trials_left_out)[1]
        far = self.missed(residual, panels=panels)
        return far / (sd if far.ndim == 1 else sd[:, None])

    @cached_property
    def _own(self) -> np.ndarray:
        """What turns residuals into each trial's own luck in units of its spread; (trials, readings)."""
        noise = self.total - self.process - self.panel
        return (noise @ self.inverse)[self.at] / np.sqrt(np.diag(noise)[self.at])[:, None]

    @cached_property
    def panel_part(self) -> np.ndarray:
        """What the model makes of each last reading's panel, in units of the reading; shape (trials,)."""
        return (self.panel @ self.inverse @ self.residual)[self.at]

    @cached_property
    def process_part(self) -> np.ndarray:
        """What the model makes of each last reading's process, beyond what the priors expect; shape (trials,)."""
        return (self.process @ self.inverse @ self.residual)[self.at]

    @cached_property
    def to_spare(self) -> int:
        """Trials less processes: how many repeats tell luck from misfit."""
        return len(self.at) - len(np.unique(self.same[self.at]))

    def lack_of_fit(self, residual: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """
        Return sums of squares of the misfit and of the repeats, and F, the ratio of what each is to its due.

        Parameters
        ----------
        residual : ndarray, shape (readings, draws)

        Returns
        -------
        ndarray, shape (draws,), three times
            In units of the noise's variance. With priors that say nothing F is the textbook's.
        """
        alike = self.same[self.at][:, None] == self.same[self.at][None, :]
        between = (alike / alike.sum(axis=1)) @ self._own
        within = self._own - between
        misfit, luck = ((part @ residual) ** 2 for part in (between, within))
        due = [float(np.sum(part * (part @ self.total))) for part in (between, within)]
        misfit, luck = misfit.sum(axis=0), luck.sum(axis=0)
        return misfit, luck, (misfit / due[0]) / (luck / due[1])

    def _each_trial(self, residual: np.ndarray) -> Iterator[tuple[np.ndarray, np.ndarray]]:
        """Yield how the trials' fitted values answer to each trial's readings, and how far those lie from the others."""
        reach = self.process[self.at] @ self.inverse
        for i in self.at:
            block = np.flatnonzero(self.trial == self.trial[i])
            far, _ = self._without(block)
            yield reach[:, block], far @ residual

    def moves(self) -> np.ndarray:
        """
        Return how far each trial moves what the model says of the trials' processes.

        Returns
        -------
        ndarray, shape (trials, trials)
            Row i, column j: the model's reading of trial j's process, with trial i less without it.
        """
        return np.array([answer @ far for answer, far in self._each_trial(self.residual)])

    def influence(self, residual: np.ndarray, among: np.ndarray) -> np.ndarray:
        """
        Return the root mean square of each trial's `moves` of some trials' processes.

        Parameters
        ----------
        residual : ndarray, shape (readings, draws)
        among : ndarray of bool, shape (trials,)

        Returns
        -------
        ndarray, shape (trials, draws)
        """
        squares = []
        for answer, far in self._each_trial(residual):
            size = answer[among].T @ answer[among] / among.sum()
            squares.append(np.einsum("is,ij,js->s", far, size, far))
        return np.sqrt(np.array(squares))

    def odd(self, figure: Callable[[np.ndarray], np.ndarray]) -> tuple[float, float]:
        """
        Return a figure of the residuals, and the share of the model's own draws that reach it.

        Parameters
        ----------
        figure : callable
            From residuals, shape (readings, draws), to one number a draw, large when odd.
        """
        found = float(figure(self.residual[:, None])[0])
        return found, float((1 + (figure(self.simulated) >= found).sum()) / (1 + SIMULATED))


def linear_view(posterior: Posterior, last_step: int) -> LinearView:
    """Return the linear view of one response's fit, at one typical draw."""
    observed, curve = posterior.observed, posterior.curve
    draw = posterior.draws[len(posterior.draws) // 2]
    # weights = slope * C^-1 e; where the slope vanishes the reading says nothing of z.
    slope = np.where(np.abs(draw.slope) > _FLAT, draw.slope, _FLAT)
    total = draw.root @ draw.root.T
    _, jacobian = curve.curve(draw.theta, observed.rows)
    scaled = jacobian * curve.prior_sd
    z = scaled @ scaled.T
    for amplitude, alike in zip(draw.amplitudes, curve.likeness(observed.rows, observed.rows), strict=True):
        z = z + amplitude**2 * alike
    together = observed.panel[:, None] == observed.panel[None, :]
    slopes = slope[:, None] * slope[None, :]
    _, same = np.unique(np.nan_to_num(observed.rows.values, nan=-1.0), axis=0, return_inverse=True)
    return LinearView(
        residual=total @ (draw.weights / slope),
        total=total,
        process=slopes * z,
        panel=slopes * draw.spreads["panel"] ** 2 * together,
        trial=observed.trial,
        panels=observed.panel,
        last=(observed.rows.step == last_step) & observed.present,
        same=same.ravel(),
    )
