"""One response's patches on the scale where it is straight, as a linear mixed model wants them.

Each last reading is made straight about what the model expects of it, and weighs by how
much of its scatter is the meter's, so that readings near the ceiling, where the meter sees
little of the surface, count for little. What is fitted to it is said in `differences.py`
and `spread_shares.py`.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from finishlab.model.response import ResponseFit
from finishlab.model.scales import Scale
from finishlab.statistics import MixedFit, fit_mixed

#: Rounds of straightening about the last fit; the third moves nothing that is shown.
_ROUNDS = 3
#: A slope smaller than this says that a reading tells nothing of z.
_FLAT = 1e-6


@dataclass(frozen=True, eq=False)
class Straight:
    """
    Last readings of the present trials, and what they share.

    Attributes
    ----------
    values : ndarray, shape (patches, factors)
        Processes as `Basis.values`.
    y, repeats : ndarray, shape (patches,)
        Mean reading of each patch, and how many readings it holds.
    about : ndarray, shape (patches,)
        z that the fitted model expects on a usual panel.
    groups : dict of str to ndarray, shape (patches,)
        Labels of the panel, and of half panel, technician or lot where the trials tell them apart.
    scale : Scale
        Under one typical ceiling.
    spreads : dict of str to float
        What the fitted model makes of patch, reading and meter.
    """

    values: np.ndarray
    y: np.ndarray
    repeats: np.ndarray
    about: np.ndarray
    groups: dict[str, np.ndarray]
    scale: Scale
    spreads: dict[str, float]

    def some(self, use: np.ndarray) -> Straight:
        """Return some of the patches."""
        groups = {name: labels[use] for name, labels in self.groups.items()}
        return Straight(
            self.values[use],
            self.y[use],
            self.repeats[use],
            self.about[use],
            groups,
            self.scale,
            self.spreads,
        )

    def weights(self, z: np.ndarray) -> np.ndarray:
        """Return what each patch's z counts for, as the root of its weight; their squares average 1."""
        s = self.spreads
        # A count scatters by its own root.
        meter = s["meter"] / self._slope(z) if self.scale.metered else self.scale.reading(z) ** -0.5
        own = s["patch"] ** 2 + (s["reading"] ** 2 + meter**2) / self.repeats
        return np.asarray(np.sqrt(1 / own / np.mean(1 / own)))

    def _slope(self, z: np.ndarray) -> np.ndarray:
        slope = self.scale.slope(z)
        return np.where(np.abs(slope) > _FLAT, slope, _FLAT)

    def fit(
        self, matrix: np.ndarray, groups: dict[str, np.ndarray], offset: np.ndarray | None = None
    ) -> MixedFit:
        """
        Fit z = offset + matrix @ coef + groups + residual by REML, patches weighted.

        Parameters
        ----------
        matrix : ndarray, shape (patches, columns)
        groups : dict of str to ndarray
        offset : ndarray, shape (patches,), optional
        """
        base = np.zeros(len(self.y)) if offset is None else offset
        z = self.about
        for _ in range(_ROUNDS):
            straight = z + (self.y - self.scale.reading(z)) / self._slope(z) - base
            root = self.weights(z)
            shared = {name: (labels, root[:, None]) for name, labels in groups.items()}
            fit = fit_mixed(straight * root, matrix * root[:, None], shared)
            z = base + matrix @ fit.coef
            for name, labels in groups.items():
                z = z + fit.effects[name][np.searchsorted(fit.labels[name], labels)]
        return fit


def straighten(fit: ResponseFit) -> Straight:
    """
    Return the last readings of one response, made straight by its fitted model.

    Parameters
    ----------
    fit : ResponseFit
    """
    observed = fit.posterior.observed
    use = observed.present & (observed.rows.step == len(fit.study.steps) - 1)
    if observed.tied is not None:
        use &= ~observed.tied
    values, y = observed.rows.values[use], observed.y[use]
    groups = {"panel": observed.panel[use]}
    for shared in observed.shared:
        members = shared.members[use]
        # 0 stands for patches whose half, technician or lot nobody wrote down.
        labels = np.where(members.any(axis=1), members.argmax(axis=1) + 1, 0)
        if shared.next_job != "not" and len(np.unique(labels)) > 1:
            groups[shared.spread.name] = labels
    middle = len(fit.posterior.draws) // 2
    draw, expected = fit.posterior.draws[middle], fit.predicted(values).mean[middle]
    spreads = {n: float(np.median(fit.posterior.spread(n))) for n in draw.spreads}
    return Straight(values, y, observed.repeats[use], np.asarray(expected), groups, draw.scale, spreads)
