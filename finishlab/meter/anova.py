"""Analysis of variance of readings: sums of squares, what they expect, components and their intervals.

Any design of random effects, crossed or nested, balanced or not: each effect is adjusted for
those it is not nested in, and what a mean square expects is counted, not looked up: statsmodels
(`anova_lm`) has the sums of squares, not what they expect, and no interval of a component. Labels
are whole numbers from 0; patches, technicians and meters are not known here.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

#: What is left when every effect is taken out.
REST = "repeatability"
#: Draws behind an interval, and their seed: the ends then move by about one hundredth of its width.
DRAWS, SEED = 40_000, 20_260
_TOL = 1e-9


@dataclass(frozen=True, eq=False)
class Anova:
    """
    Mean squares of random effects and what each expects.

    Attributes
    ----------
    names : tuple of str
        The effects told apart, then `REST`.
    df, ss : ndarray, shape (effects,)
    expected : ndarray, shape (effects, effects)
        The mean square of row i expects ``expected[i] @ variances``.
    balanced : bool
        Whether the sums of squares are independent and every effect has groups of one size;
        then the estimates are those of restricted maximum likelihood.
    lost : tuple of str
        Effects that cannot be told from others in these readings.
    """

    names: tuple[str, ...]
    df: np.ndarray
    ss: np.ndarray
    expected: np.ndarray
    balanced: bool
    lost: tuple[str, ...]

    @property
    def ms(self) -> np.ndarray:
        """Mean squares."""
        return np.asarray(self.ss / self.df)

    def variances(self) -> dict[str, float]:
        """Return the variance components that make every mean square what it expects; some may be negative."""
        return dict(zip(self.names, np.linalg.solve(self.expected, self.ms).tolist(), strict=True))

    def draws(self, count: int = DRAWS, seed: int = SEED) -> dict[str, np.ndarray]:
        """
        Return generalised pivotal quantities of the variance components.

        Quantiles of any function of them are limits of a generalised confidence interval for
        that function: exact for `REST`, close to nominal otherwise; an unbalanced design
        takes its mean squares as independent, which they are nearly. Single draws may be negative:
        cut off at zero one by one, their sums would come out too large.

        References
        ----------
        Hamada, M. & Weerahandi, S. (2000), Journal of Quality Technology 32, 241-253.
        Burdick, R. K., Borror, C. M. & Montgomery, D. C. (2005), Design and Analysis of Gauge
        R&R Studies, SIAM (both from memory); coverage is counted in the tests.
        """
        from scipy.special import chdtri

        rng = np.random.default_rng(seed)
        # Evenly spread probabilities in random order: steadier ends than plain random ones.
        even = (np.arange(count) + 0.5) / count
        expects = np.column_stack(
            [s / chdtri(d, rng.permutation(even)) for s, d in zip(self.ss, self.df, strict=True)]
        )
        variances = np.linalg.solve(self.expected, expects.T)
        return dict(zip(self.names, variances, strict=True))


def analyse(y: np.ndarray, effects: Mapping[str, np.ndarray], fixed: Sequence[np.ndarray] = ()) -> Anova:
    """
    Analyse readings by random effects.

    Parameters
    ----------
    y : ndarray, shape (readings,)
    effects : mapping of str -> ndarray of int, shape (readings,)
        Group of each reading under each random effect.
    fixed : sequence of ndarray of int, optional
        Groups whose differences are no spread, as the direction of reading.

    Returns
    -------
    Anova

    References
    ----------
    Henderson, C. R. (1953), Biometrics 9, 226: fitting constants, method 3. Searle, S. R.,
    Casella, G. & McCulloch, C. E. (1992), Variance Components, chapters 4 and 5 (both from memory).

    Examples
    --------
    Two patches, each read twice:

    >>> found = analyse(np.array([80.0, 81, 84, 85]), {"patch": np.array([0, 0, 1, 1])})
    >>> found.ss.tolist(), found.df.tolist(), found.variances()["patch"]
    ([16.0, 1.0], [1.0, 2.0], 7.75)

    Technicians who each read patches of their own, once, cannot be told from them:

    >>> analyse(np.arange(4.0), {"patch": np.arange(4), "technician": np.array([0, 0, 1, 1])}).lost
    ('patch',)
    """
    cells = _Cells.of(y, [*effects.values(), *fixed])
    groups = dict(zip(effects, cells.labels, strict=False))
    held = [np.zeros(len(cells.weight), int), *cells.labels[len(effects) :]]
    kept, lost = dict(groups), []
    while True:
        rest_df = cells.count - cells.span([*held, *kept.values()]).rank
        rows = {k: _row(cells, held, kept, k) for k in kept}
        gone = [k for k, (df, _, _) in rows.items() if df == 0]
        if rest_df == 0 and not gone:
            gone = [_finest(kept)]
        if not gone:
            break
        # The finest of them gives way: what it would hold stays in the rest.
        first = _finest({k: kept[k] for k in gone})
        lost.append(first)
        del kept[first]
    names = (*kept, REST)
    everything = cells.span([*held, *kept.values()])
    rest_ss = max(cells.within + cells.size - everything.energy(cells.mean), 0.0)
    if rest_ss < _TOL * (cells.within + cells.size):
        rest_ss = 0.0
    df = np.array([*(r[0] for r in rows.values()), rest_df], float)
    ss = np.array([*(r[1] for r in rows.values()), rest_ss])
    expected = np.eye(len(names))
    for i, (_, _, coefficients) in enumerate(rows.values()):
        expected[i, :-1], expected[i, -1] = coefficients, 1.0
    about = cells.within + cells.size - cells.span(held).energy(cells.mean)
    same_size = all(len(set(np.bincount(g, cells.weight))) == 1 for g in kept.values())
    balanced = (
        same_size and _adds_up(cells, held, kept) and abs(ss.sum() - about) <= 1e-6 * max(about, 1e-300)
    )
    return Anova(names, df, ss, expected, bool(balanced), tuple(lost))


def pooled(y: np.ndarray, effects: Mapping[str, np.ndarray], fixed: Sequence[np.ndarray] = ()) -> Anova:
    """
    Analyse again without the effects whose estimate falls below zero, the worst first.

    References
    ----------
    Thompson, W. A. (1962), Annals of Mathematical Statistics 33, 273-289 (from memory): what
    restricted maximum likelihood gives in a balanced design.
    """
    left = dict(effects)
    while True:
        found = analyse(y, left, fixed)
        below = {k: v for k, v in found.variances().items() if v < 0 and k != REST}
        if not below:
            return found
        del left[min(below, key=below.__getitem__)]


def _row(
    cells: _Cells, held: list[np.ndarray], kept: Mapping[str, np.ndarray], name: str
) -> tuple[int, float, list[float]]:
    """Return df, sum of squares and expected coefficients of one effect, adjusted for what is not nested in it."""
    own = kept[name]
    base = [*held, *(g for k, g in kept.items() if k != name and not _function_of(own, g))]
    less, more = cells.span(base), cells.span([*base, own])
    df = more.rank - less.rank
    if df == 0:
        return 0, 0.0, []
    ss = max(more.energy(cells.mean) - less.energy(cells.mean), 0.0)
    if ss < _TOL * cells.size:
        ss = 0.0
    reach = [(more.trace(g) - less.trace(g)) / df for g in kept.values()]
    return df, ss, [0.0 if abs(c) < 1e-8 else c for c in reach]


def _function_of(coarse: np.ndarray, fine: np.ndarray) -> bool:
    """Return whether the group under `fine` says the group under `coarse`."""
    return len(np.unique(np.stack([coarse, fine]), axis=1).T) == len(np.unique(fine))


def _finest(groups: Mapping[str, np.ndarray]) -> str:
    return max(groups, key=lambda k: len(np.unique(groups[k])))


def _adds_up(cells: _Cells, held: list[np.ndarray], kept: Mapping[str, np.ndarray]) -> bool:
    """Return whether sums of squares add up for any readings, tried on some that nobody took."""
    any_readings = np.random.default_rng(1).normal(size=len(cells.weight))
    odd = _Cells(any_readings, cells.weight, cells.labels, cells.count, 0.0)
    parts = sum(_row(odd, held, kept, k)[1] for k in kept)
    everything = odd.span([*held, *kept.values()]).energy(any_readings)
    return bool(abs(parts + odd.span(held).energy(any_readings) - everything) < 1e-6 * everything)


@dataclass(frozen=True, eq=False)
class _Cells:
    """Readings that share all their groups, as one mean: what is analysed is then small."""

    mean: np.ndarray
    weight: np.ndarray  # readings of each cell
    labels: list[np.ndarray]
    count: int
    within: float  # sum of squares within cells

    @classmethod
    def of(cls, y: np.ndarray, labels: Sequence[np.ndarray]) -> _Cells:
        y = y - y.mean()
        if not labels:
            labels = [np.zeros(len(y), int)]
        each, cell = np.unique(np.stack(labels), axis=1, return_inverse=True)
        cell = cell.reshape(-1)
        weight = np.bincount(cell).astype(float)
        mean = np.bincount(cell, y) / weight
        return cls(mean, weight, list(each), len(y), float(((y - mean[cell]) ** 2).sum()))

    @property
    def size(self) -> float:
        """Sum of squares of the cells' means about the mean of all."""
        return float(self.weight @ self.mean**2)

    def span(self, groups: Sequence[np.ndarray]) -> _Means | _Basis:
        """Return what a set of groupings can describe."""
        for fine in groups:
            if all(_function_of(coarse, fine) for coarse in groups):
                return _Means(np.unique(fine, return_inverse=True)[1], self.weight)
        return _Basis(groups, self.weight)


class _Means:
    """What one grouping describes: the means of its groups."""

    def __init__(self, group: np.ndarray, weight: np.ndarray) -> None:
        self._group, self._weight = group, weight
        self._sizes = np.bincount(group, weight)
        self.rank = len(self._sizes)

    def energy(self, v: np.ndarray) -> float:
        """Return the sum of squares of the part of `v` in it."""
        return float((np.bincount(self._group, self._weight * v) ** 2 / self._sizes).sum())

    def trace(self, group: np.ndarray) -> float:
        """Return the trace of Z'PZ, Z the columns of a grouping and P the projection."""
        pairs, pair = np.unique(np.stack([self._group, group]), axis=1, return_inverse=True)
        shared = np.bincount(pair.reshape(-1), self._weight)
        return float((shared**2 / self._sizes[pairs[0]]).sum())


class _Basis:
    """What several groupings describe together: orthonormal columns."""

    def __init__(self, groups: Sequence[np.ndarray], weight: np.ndarray) -> None:
        from scipy.linalg import qr

        self._root = np.sqrt(weight)
        columns = np.concatenate([g == np.unique(g)[:, None] for g in groups]).T * self._root[:, None]
        q, r, _ = qr(columns, mode="economic", pivoting=True)
        size = np.abs(np.diag(r))
        self.rank = int((size > _TOL * size[0]).sum())
        self._columns = q[:, : self.rank]

    def energy(self, v: np.ndarray) -> float:
        """Return the sum of squares of the part of `v` in it."""
        return float(((self._columns.T @ (self._root * v)) ** 2).sum())

    def trace(self, group: np.ndarray) -> float:
        """Return the trace of Z'PZ, Z the columns of a grouping and P the projection."""
        order = np.argsort(group, kind="stable")
        starts = np.flatnonzero(np.r_[True, np.diff(group[order]) > 0])
        rows = (self._columns * self._root[:, None])[order]
        return float((np.add.reduceat(rows, starts, axis=0) ** 2).sum())
