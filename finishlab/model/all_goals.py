"""All goals at once: how the responses of one job go together.

A patch that came out glossy by luck has less haze by the same luck, so two goals are met
together more often than if each had its own luck. Each goal's own probability is
`assurance.py`'s, counted in full; here they are joined by a normal copula. Its correlations
come from two places. Between patches: what is left of the readings of the same patch
when each response is foretold from the other trials, shrunk towards none and drawn, not
plugged in. Between panels: a handful of panels cannot tell, so anything from none to as between patches is
averaged over. What is not known of the curves is taken as apart. A job's luck is its patch's and its panel's by their
shares in the spread.

References
----------
Genz, A. (1992). Numerical computation of multivariate normal probabilities. Journal of
Computational and Graphical Statistics 1, 141-149 (the sequential conditioning).
Fisher, R. A. (1921). On the probable error of a coefficient of correlation. Metron 1, 3-32
(the scale on which a correlation is about normal; both from memory).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np
from scipy import special

from finishlab.model.latent import Predicted
from finishlab.model.response import LeftOut
from finishlab.model.scales import CountScale
from finishlab.study import Condition

#: SD of a correlation before any trial, on Fisher's scale: nothing beyond about 0.75 is expected.
_PRIOR_SD = 0.5
#: Residuals beyond this many spreads count as that many: one failed patch must not decide.
_MOST = 3.0
#: Fewer patches with both readings than this say nothing of how they go together.
_FEWEST = 8
#: What correlations may be, in SDs about their middle, and what panels share of the patches' correlation.
_DRAWN = tuple((shift, share) for shift in (-1.0, 1.0) for share in (0.0, 1.0))
#: Points of the integration over the first goals' luck.
_POINTS = 256


@dataclass(frozen=True)
class PatchCorrelation:
    """
    How two responses of one patch go together.

    Attributes
    ----------
    middle, sd : float
        On Fisher's scale, the inverse hyperbolic tangent.
    patches : int
        Read for both.
    """

    middle: float
    sd: float
    patches: int

    @property
    def value(self) -> float:
        """The middle as a correlation, -1 to 1."""
        return float(np.tanh(self.middle))


def patch_correlation(a: LeftOut, b: LeftOut) -> PatchCorrelation:
    """
    Return how two responses of the same patches go together, from what other trials leave unexplained.

    Parameters
    ----------
    a, b : LeftOut
        Each trial's reading beside what the other trials say of it.

    Examples
    --------
    >>> luck = np.random.default_rng(1).standard_normal((2, 40))
    >>> rows = np.arange(40)
    >>> first = LeftOut(rows, luck[0], np.zeros(40), np.ones(40))
    >>> alike = LeftOut(rows, 0.8 * luck[0] + 0.6 * luck[1], np.zeros(40), np.ones(40))
    >>> round(patch_correlation(first, alike).value, 1)
    0.9

    Too few patches read for both say nothing:

    >>> few = LeftOut(rows[:4], luck[0][:4], np.zeros(4), np.ones(4))
    >>> patch_correlation(first, few).value
    0.0
    """
    of_b = {row: i for i, row in enumerate(b.row)}
    pairs = [(i, of_b[row]) for i, row in enumerate(a.row) if row in of_b]
    if len(pairs) < _FEWEST:
        return PatchCorrelation(0.0, _PRIOR_SD, len(pairs))
    i, j = np.array(pairs).T
    x, y = (np.clip(left.standardised[k], -_MOST, _MOST) for left, k in ((a, i), (b, j)))
    x, y = x - x.mean(), y - y.mean()
    size = float(np.sqrt((x @ x) * (y @ y)))
    if size == 0:
        return PatchCorrelation(0.0, _PRIOR_SD, len(pairs))
    error = 1 / (len(pairs) - 3)
    weight = _PRIOR_SD**2 / (_PRIOR_SD**2 + error)
    fisher = float(np.arctanh(np.clip(x @ y / size, -0.999, 0.999)))
    return PatchCorrelation(weight * fisher, float(np.sqrt(weight * error)), len(pairs))


def all_met(
    goal: Mapping[str, Condition],
    chances: np.ndarray,
    predicted: Sequence[Predicted],
    correlations: Mapping[tuple[str, str], PatchCorrelation],
    spots: int,
) -> np.ndarray:
    """
    Return the probability that the next job meets all goals.

    Parameters
    ----------
    goal : mapping of response -> Condition
    chances : ndarray, shape (goals, rows)
        Probability of each goal by itself.
    predicted : sequence of Predicted
        Of each response of the goal.
    correlations : mapping of (response, response) -> PatchCorrelation
        Of each pair, in the order of the goal.
    spots : int
        Readings averaged in each section.

    Returns
    -------
    ndarray, shape (rows,)
    """
    names = list(goal)
    if len(names) == 1:
        return chances[0]
    own, panel = zip(*(_shares(p, spots) for p in predicted), strict=True)
    sides = [_side(condition) for condition in goal.values()]
    total = np.zeros(chances.shape[1])
    for shift, share in _DRAWN:
        r = np.zeros((len(names), *chances.shape)) + np.eye(len(names))[:, :, None]
        for a, b in combinations(range(len(names)), 2):
            known = correlations[names[a], names[b]]
            rho = float(np.tanh(known.middle + shift * known.sd)) * sides[a] * sides[b]
            r[a, b] = r[b, a] = rho * (np.sqrt(own[a] * own[b]) + share * np.sqrt(panel[a] * panel[b]))
        total += orthant(special.ndtri(np.clip(chances, 1e-12, 1 - 1e-12)), _definite(r))
    # No more than the least of them, no less than if they never failed together.
    together = np.clip(
        total / len(_DRAWN), np.maximum(1 - (1 - chances).sum(axis=0), 0.0), chances.min(axis=0)
    )
    return np.asarray(together)


def _side(condition: Condition) -> int:
    """Return 1 where more of the reading is better, -1 where less is; 0 within a band, where luck helps and harms."""
    if condition.at_least is not None and condition.at_most is not None:
        return 0
    return 1 if condition.at_least is not None else -1


def _shares(p: Predicted, spots: int) -> tuple[np.ndarray, np.ndarray]:
    """Return the patch's (with the meter's, or counting's) and the panel's share in the spread of the next section's z."""
    mean = p.mean.mean(axis=0)
    section = np.broadcast_to(np.mean(p.sd_section**2), mean.shape)
    scale = p.scales[len(p.scales) // 2]
    if isinstance(scale, CountScale):
        noise = 1 / (scale.reading(mean) + 0.5)
    else:
        slope = np.maximum(np.abs(scale.slope(mean)), 1e-9)
        noise = np.mean(p.sd_meter**2) / spots / slope**2
    panel = np.broadcast_to(np.mean(p.sd_panel**2), mean.shape)
    total = section + noise + panel + (p.sd_known**2).mean(axis=0) + p.mean.var(axis=0)
    return (section + noise) / total, panel / total


def _definite(r: np.ndarray) -> np.ndarray:
    """Return correlation matrices, shape (m, m, rows), drawn towards none where they are no correlations."""
    if len(r) == 2:
        return r
    least = np.linalg.eigvalsh(np.moveaxis(r, -1, 0))[:, 0]
    # Off the diagonal by so much less that the smallest eigenvalue is 0.01.
    keep = np.where(least < 0.01, 0.99 / np.maximum(1 - least, 1e-12), 1.0)
    eye = np.eye(len(r))[:, :, None]
    return r * keep + eye * (1 - keep)


def orthant(h: np.ndarray, r: np.ndarray) -> np.ndarray:
    """
    Return the probability that correlated standard normals all stay below their bounds.

    Parameters
    ----------
    h : ndarray, shape (m, rows)
        Bounds.
    r : ndarray, shape (m, m, rows)
        Correlations.

    Returns
    -------
    ndarray, shape (rows,)

    Examples
    --------
    Two with a correlation of a half stay both below 0 in 1/4 + asin(1/2) / (2 pi) = 1/3 of cases:

    >>> half = np.array([[1.0, 0.5], [0.5, 1.0]])[:, :, None]
    >>> orthant(np.zeros((2, 1)), half).round(4).tolist()
    [0.3333]

    Three that are independent, in an eighth:

    >>> orthant(np.zeros((3, 1)), np.eye(3)[:, :, None]).round(3).tolist()
    [0.125]
    """
    m, rows = h.shape
    if m == 1:
        return np.asarray(special.ndtr(h[0]))
    # The least likely first: what comes after is then nearly the same everywhere (Genz 1992).
    order = np.argsort(h, axis=0)
    h = np.take_along_axis(h, order, axis=0)
    r = np.moveaxis(r, -1, 0)[np.arange(rows)[:, None, None], order.T[:, :, None], order.T[:, None, :]]
    root = np.moveaxis(np.linalg.cholesky(r + 1e-12 * np.eye(m)), 0, -1)
    # A rank-1 lattice, folded so that its ends meet (Genz 1992; the generator is the golden one's powers).
    k = np.arange(_POINTS) + 0.5
    lattice = [
        np.abs(2 * np.modf(k * step)[0] - 1)
        for step in (1 / _POINTS, 0.6180339887498949, 0.7548776662466927, 0.8191725133961645)
    ]
    weight = np.ones((_POINTS, rows))
    luck: list[np.ndarray] = []
    for i in range(m):
        shift = sum((root[i, j] * luck[j] for j in range(i)), np.zeros((1, rows)))
        below = special.ndtr((h[i] - shift) / root[i, i])
        weight = weight * below
        if i < m - 1:
            u = np.clip(lattice[i % len(lattice)][:, None] * below, 1e-15, 1 - 1e-15)
            luck.append(special.ndtri(u))
    return np.asarray(weight.mean(axis=0))
