"""The surface model: z as a shrunk polynomial of the coded settings.

Main effects and squares have wide priors; all two-factor terms are kept and shrunk
together by an amount that is learnt, rather than chosen; what even these miss is left to
the likeness of processes. Fits any response on its scale; for gloss with readings after
each step the step model says more. Fitting is `latent.py`'s.
"""

from __future__ import annotations

import numpy as np

from finishlab.model.latent import Rows, Spread
from finishlab.model.similarity import Likeness
from finishlab.study.basis import Basis


class SurfaceCurve:
    """
    z of the finished surface as a polynomial of the settings.

    Parameters
    ----------
    basis : Basis
    centre, size : float
        Typical z of the trials and the size of its differences; the priors are in their terms.
    """

    def __init__(self, basis: Basis, centre: float, size: float) -> None:
        self._basis = basis
        self._likeness = Likeness(basis)
        _, names = basis.columns(np.empty((0, len(basis.factors))), pairs=False)
        self.names = ["constant", *names]
        self.prior_mean = np.array([centre, *[0.0] * len(names)])
        self.prior_sd = np.array([3 * size, *[2 * size] * len(names)])
        self.misses = (Spread("pairs", 0.3 * size, 0.8), Spread("final", 0.15 * size, 0.8))

    def curve(self, theta: np.ndarray, rows: Rows) -> tuple[np.ndarray, np.ndarray]:
        """Return z, and its derivatives: the model matrix itself."""
        matrix, _ = self._basis.columns(rows.values, pairs=False)
        matrix = np.hstack([np.ones((len(rows), 1)), matrix])
        return matrix @ theta, matrix

    def _pairs(self, rows: Rows) -> np.ndarray:
        """Return the two-factor columns, scaled so that their sum has about unit spread."""
        all_, names = self._basis.columns(rows.values)
        pairs = all_[:, [i for i, name in enumerate(names) if " x " in name]]
        return pairs / np.sqrt(max(pairs.shape[1], 1) / 3)

    def likeness(self, a: Rows, b: Rows) -> list[np.ndarray]:
        """Return likeness through the two-factor terms, and through what they miss."""
        return [self._pairs(a) @ self._pairs(b).T, self._likeness.final(a, b)]

    def own(self, rows: Rows) -> list[np.ndarray]:
        """Return each row's likeness with itself."""
        return [(self._pairs(rows) ** 2).sum(1), self._likeness.own(rows)[0]]
