"""One response on the scale where it is straight, as a linear mixed model wants it: its patches and its terms."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from finishlab.errors import ModelError
from finishlab.model.response import ResponseFit
from finishlab.model.scales import Scale
from finishlab.statistics import (
    MixedFit,
    Terms,
    fit_mixed,
    in_terms,
    sum_coded,
)
from finishlab.study import Setting
from finishlab.words import show

if TYPE_CHECKING:
    from finishlab.study.basis import Basis


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


#: Trials for each term before squares and products come in (common practice, no source).
ROOM = 2


def told_groups(groups: dict[str, np.ndarray], matrix: np.ndarray) -> tuple[dict[str, np.ndarray], list[str]]:
    """
    Return the random terms that trials can tell from the model's columns and from each other.

    And in words which they cannot.
    """
    kept: dict[str, np.ndarray] = {}
    said: list[str] = []
    columns = matrix
    for name, labels in groups.items():
        members = (labels[:, None] == np.unique(labels)[None, :]).astype(float)
        more = np.hstack([columns, members])
        if len(members.T) < 2:
            said.append(f"All these trials share one {name}: nothing says how the next one differs.")
        elif np.linalg.matrix_rank(more) == np.linalg.matrix_rank(columns) or len(members.T) == len(labels):
            said.append(
                f"How much one {name} differs from the next cannot be told from the settings or the patches here: "
                "intervals leave it out. Spread the settings over more of them."
            )
        else:
            kept[name] = labels
            columns = more
    return kept, said


class ComparedTerms:
    """
    The model matrix: the factor, the others as far as trials tell them, squares and products where there is room.

    `cautions` says what had to stay out.
    """

    def __init__(self, basis: Basis, setting: Setting, tried: np.ndarray, part: Straight) -> None:
        self._own, self.cautions = setting.factor, []
        self._blocks = {setting.factor: sum_coded(part.values[:, basis.column(setting.factor)], tuple(tried))}
        self._average: dict[str, np.ndarray] = {}
        self._order: list[tuple[str, ...]] = [(setting.factor,)]
        coded = basis.coded(part.values)
        others = [f for f in basis.factors if f is not setting]
        crowded = [f for f in others if not self._main(basis, f, part, coded[basis.column(f.factor)])]
        if crowded:
            names = [show.label(f.factor) for f in crowded]
            needed = (
                in_terms(self._blocks, [*self._order, *((f.factor,) for f in crowded)]).matrix.shape[1] + 2
            )
            raise ModelError(
                f"{show.counted(len(part.y), 'trial')} are too few to compare {show.label(self._own)}: {show.listed(names)} "
                f"changed as well, and the difference may be their doing. Work {needed} trials at least, or ask "
                "what_matters, which fills the gap with a stated guess."
            )
        for f in others:
            if (f.numeric or f.kind == "graded") and (f.factor,) in self._order:
                square = self._blocks[f.factor] ** 2
                self._blocks[f"{f.factor}^2"] = square
                self._average[f"{f.factor}^2"] = square.mean(axis=0)
                self._add((f"{f.factor}^2",), ROOM)
        self.products = [
            (self._own, f.factor)
            for f in others
            if (f.factor,) in self._order and self._add((self._own, f.factor), ROOM)
        ]
        self.terms: Terms = in_terms(self._blocks, self._order)
        if not self.products and len(others):
            self.cautions.append(
                f"{show.counted(len(part.y), 'trial')} are too few, or too alike, to tell whether the differences hang on "
                "the other settings; they are taken to be the same at all of them."
            )

    def _main(self, basis: Basis, f: Setting, part: Straight, coded: np.ndarray) -> bool:
        """Take in another factor, or say why it stays out; False when the trials are too few for it."""
        value = part.values[:, basis.column(f.factor)]
        levels = np.unique(value[~np.isnan(value)])
        if len(levels) < 2:
            return True
        if f.numeric or f.kind == "graded":
            self._blocks[f.factor], self._average[f.factor] = coded, coded.mean(axis=0)
        else:
            code = np.zeros((len(value), len(levels) - 1))
            code[~np.isnan(value)] = sum_coded(value[~np.isnan(value)], tuple(levels))
            self._blocks[f.factor], self._average[f.factor] = code, np.zeros(code.shape[1])
        if self._add((f.factor,), 1):
            return True
        own, label = show.label(self._own), show.label(f.factor)
        matrix = in_terms(self._blocks, [*self._order, (f.factor,)]).matrix
        if len(value) < matrix.shape[1] + 2:
            return False
        self.cautions.append(
            f"{own} and {label}, or it and others, changed together: what is said of {own} may be the doing of {label}. "
            "Add trials that change them apart."
        )
        return True

    def _add(self, term: tuple[str, ...], room: float) -> bool:
        """Add a term where there is room for it and nothing before it says the same."""
        matrix = in_terms(self._blocks, [*self._order, term]).matrix
        rows, columns = matrix.shape
        if rows < max(room * columns, columns + 2) or np.linalg.matrix_rank(matrix) < columns:
            return False
        self._order.append(term)
        return True

    def rows(self, tried: np.ndarray) -> np.ndarray:
        """Return the weights of each level's adjusted mean, shape (levels, columns)."""
        code = sum_coded(tried, tuple(tried))
        return np.array([self.terms.weights({**self._average, self._own: c}) for c in code])
