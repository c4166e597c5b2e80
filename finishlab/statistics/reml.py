"""Several random effects, crossed or nested, by restricted maximum likelihood (REML).

`fit_mixed` finds how much panels, half panels, technicians or lots differ, and how surely.
Tests and degrees of freedom of what the columns say are `freedom.py`'s; the next job on a
next panel is `panel_fit.py`'s.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from finishlab.statistics.effect_blocks import Term, design
from finishlab.statistics.likelihood import Problem, curvature, ends, sd_profile, share_profile, slopes
from finishlab.statistics.model_matrix import checked

#: Relative spreads that the search starts from, the best of them for each term.
_STARTS = (0.1, 0.5, 2.0, 20.0)
#: Newton's steps that polish what the search found.
_POLISH = 12
#: A fall of the criterion smaller than this is rounding.
_ROUNDING = 1e-9


@dataclass(frozen=True, eq=False)
class MixedFit:
    """
    A linear model fitted with several random effects.

    Attributes
    ----------
    coef, se : ndarray, shape (columns,)
        Estimates and their standard errors, in units of the response.
    cov : ndarray, shape (columns, columns)
    variances : dict of str to float
        Of each random term, in squared units of the response; 0 is an answer. A term with
        several effects has its first here; see `covariance`.
    residual_variance : float
    df_resid : int
        Rows minus columns.
    criterion : float
        Minus twice the (restricted) log likelihood.
    effects : dict of str to ndarray, shape (labels,) or (labels, effects)
        Best linear predictions of the random effects, in the order of `labels`.
    labels : dict of str to ndarray
    restricted : bool
        False for plain maximum likelihood.
    """

    coef: np.ndarray
    se: np.ndarray
    cov: np.ndarray
    variances: dict[str, float]
    residual_variance: float
    df_resid: int
    criterion: float
    effects: dict[str, np.ndarray]
    labels: dict[str, np.ndarray]
    restricted: bool
    _problem: Problem
    _theta: np.ndarray

    def covariance(self, name: str) -> np.ndarray:
        """Return the covariance of the effects of one label of a term, shape (effects, effects)."""
        term = self._problem.term(name)
        factor = self._problem.data.factors(self._theta)[self._problem.data.terms.index(term)]
        return factor @ factor.T * self.residual_variance

    @property
    def shares(self) -> dict[str, float]:
        """Share of each term, and of "residual", in the sum of the variances; 0 to 1."""
        every = {**self.variances, "residual": self.residual_variance}
        total = sum(every.values())
        return {name: v / total if total > 0 else float("nan") for name, v in every.items()}

    def sd_interval(self, name: str, cover: float = 0.95) -> tuple[float, float]:
        """
        Return the profile-likelihood interval of a term's standard deviation, or of "residual".

        Its lower end is 0 where a term that does not differ at all is well within what the
        readings allow, its upper end infinite where nothing bounds it.

        Examples
        --------
        Davies' dyestuff: batches differ by 12 to 84 grams, the published profile interval
        (Bates, D. M. (2010), lme4, chapter 1, by maximum likelihood; from memory).

        >>> grams = [1545, 1440, 1440, 1520, 1580, 1540, 1555, 1490, 1560, 1495,
        ...          1595, 1550, 1605, 1510, 1560, 1445, 1440, 1595, 1465, 1545,
        ...          1595, 1630, 1515, 1635, 1625, 1520, 1455, 1450, 1480, 1445]
        >>> batch = np.repeat(range(6), 5)
        >>> fit = fit_mixed(np.array(grams, float), np.ones((30, 1)), {"batch": batch}, restricted=False)
        >>> low, high = fit.sd_interval("batch")
        >>> print(f"{low:.1f} {high:.1f}")
        12.2 84.1
        """
        if self.residual_variance == 0:
            return 0.0, 0.0
        start = np.r_[self._theta, 0.5 * np.log(self.residual_variance)]
        now = self.residual_variance if name == "residual" else self.variances[name]
        profile = sd_profile(self._problem, name, start)
        return ends(profile, np.sqrt(now), np.sqrt(self.residual_variance), self.criterion, cover)

    def share_interval(self, name: str, cover: float = 0.95) -> tuple[float, float]:
        """
        Return the profile-likelihood interval of a term's share, or of "residual"'s, 0 to 1.

        Of terms with one effect each.
        """
        share = self.shares[name]
        if not np.isfinite(share):
            return 0.0, 1.0
        profile = share_profile(self._problem, name, self._theta)
        # Odds run from 0 to infinity as a standard deviation does.
        low, high = ends(profile, share / max(1 - share, 1e-12), 1.0, self.criterion, cover)
        return low / (1 + low), 1.0 if np.isinf(high) else high / (1 + high)


def fit_mixed(
    y: np.ndarray, matrix: np.ndarray, groups: Mapping[str, Any], *, restricted: bool = True
) -> MixedFit:
    """
    Fit ``y = matrix @ coef + random effects + residual`` with any number of random terms.

    Parameters
    ----------
    y : ndarray, shape (rows,)
    matrix : ndarray, shape (rows, columns)
        Model matrix, its constant included.
    groups : mapping of str to ndarray
        Labels of each row, shape (rows,), under the name of the term: crossed terms as they
        are, a nested one with labels that are its own (half 'A' of one panel is not half
        'A' of the next). A pair (labels, columns) gives each label an effect for each of the
        columns, correlated: a start and a slope, say.
    restricted : bool
        False for plain maximum likelihood, which takes too little spread; for comparison.

    Returns
    -------
    MixedFit

    Raises
    ------
    ModelError
        Too few rows, columns that cannot be told apart, or a term whose spread cannot be
        told: a single label, a label a row, or two terms that part the rows alike.

    Notes
    -----
    Relative spreads are searched for on the criterion from which coefficients and residual
    variance have been eliminated, as Bates et al. do, and polished by Newton's steps with
    exact curvature. A spread of 0 is tried by itself, so the boundary is met exactly.

    References
    ----------
    Bates, D., Maechler, M., Bolker, B. & Walker, S. (2015), J. Stat. Software 67(1), section 3
    (from memory). Checked in the tests against published analyses.

    Examples
    --------
    Eight panels crossed with three technicians, invented with SDs of 2 and 1 and a residual SD of 0.5:

    >>> rng = np.random.default_rng(4)
    >>> panel, technician = np.repeat(range(8), 6), np.tile([0, 1, 2], 16)
    >>> y = 80 + rng.normal(0, 2, 8)[panel] + rng.normal(0, 1, 3)[technician] + rng.normal(0, 0.5, 48)
    >>> fit = fit_mixed(y, np.ones((48, 1)), {"panel": panel, "technician": technician})
    >>> print({name: round(float(v) ** 0.5, 1) for name, v in fit.variances.items()})
    {'panel': 1.9, 'technician': 1.2}

    One panel says nothing of how panels differ:

    >>> fit_mixed(y[:6], np.ones((6, 1)), {"panel": panel[:6]})
    Traceback (most recent call last):
        ...
    finishlab.errors.ModelError: panel is '0' in every row: one says nothing of how they differ. Leave panel out.
    """
    y = np.asarray(y, float)
    scaled, size = checked(np.asarray(matrix, float))
    terms, z = design(groups, len(y))
    problem = Problem.of(y, scaled, size, terms, z, restricted)
    theta = np.zeros(len(problem.data.entries))
    if terms and not problem.perfect:
        theta = _estimate(problem)
    at = problem.data.at(theta)
    variance = 0.0 if problem.perfect else problem.variance(at)
    coef, cov = problem.coefficients(at)
    cov = cov * variance
    predicted = at.effects(np.r_[-problem.shift(at), 1.0])
    factors = {t.name: f for t, f in zip(terms, problem.data.factors(theta), strict=True)}
    parts = {t.name: predicted[t.start : t.stop].reshape(-1, t.width) for t in terms}
    labels = {t.name: t.labels for t in terms}
    return MixedFit(
        coef=coef,
        se=np.sqrt(np.diag(cov)),
        cov=cov,
        variances={name: float(factors[name][0] @ factors[name][0] * variance) for name in groups},
        residual_variance=float(variance),
        df_resid=problem.rows - problem.columns,
        criterion=problem.criterion(theta) if variance > 0 else -np.inf,
        effects={name: parts[name][:, 0] if parts[name].shape[1] == 1 else parts[name] for name in groups},
        labels={name: labels[name] for name in groups},
        restricted=restricted,
        _problem=problem,
        _theta=theta,
    )


def _estimate(problem: Problem) -> np.ndarray:
    """Return the relative factors at which the criterion is least."""
    on_diagonal = np.array([a == b for _, a, b in problem.data.entries])
    size = np.array([_typical(t, problem) for t, a, b in problem.data.entries])
    theta = np.where(on_diagonal, size, 0.0)
    for _ in range(2):  # one term after the other, from the best of a few
        for t in problem.data.terms:
            own = on_diagonal & np.array([u is t for u, _, _ in problem.data.entries])
            tried = [np.where(own, s * size, theta) for s in _STARTS]
            theta = min(tried, key=problem.criterion)
    for _ in range(5):
        theta = _searched(problem, theta, on_diagonal, size)
        theta = _zeroed(problem, theta, on_diagonal)
        false_zero = _false_zeros(problem, theta)
        if not false_zero.any():
            break
        theta = np.where(false_zero, 0.1 * size, theta)
    # Where there are many labels the search is exact enough and the curvature costs more.
    return theta if problem.data.dense is None else _polished(problem, theta, on_diagonal)


def _typical(term: Term, problem: Problem) -> float:
    """Return the relative spread at which a term's effects and the residual weigh alike."""
    diagonal = problem.data.inner.diagonal()[term.start : term.stop]
    return float(np.sqrt(problem.rows / max(diagonal.sum(), 1e-300)))


def _searched(problem: Problem, theta: np.ndarray, on_diagonal: np.ndarray, size: np.ndarray) -> np.ndarray:
    from scipy.optimize import minimize

    found = minimize(
        lambda x: problem.criterion(x * size),
        theta / size,
        method="L-BFGS-B",
        bounds=[(0.0, None) if d else (None, None) for d in on_diagonal],
        options={"ftol": 1e-13, "gtol": 1e-6, "maxiter": 200},
    )
    return np.asarray(found.x) * size if found.fun <= problem.criterion(theta) else theta


def _zeroed(problem: Problem, theta: np.ndarray, on_diagonal: np.ndarray) -> np.ndarray:
    """Return `theta` with exact zeros where they are as good."""
    for i in np.flatnonzero(on_diagonal & (theta > 0)):
        tried = theta.copy()
        tried[i] = 0.0
        if problem.criterion(tried) <= problem.criterion(theta) + _ROUNDING:
            theta = tried
    return theta


def _false_zeros(problem: Problem, theta: np.ndarray) -> np.ndarray:
    """Return which zeros the criterion would fall from: in a spread, every zero looks level."""
    if (theta != 0).all():
        return np.zeros(len(theta), bool)
    gradient = slopes(problem, problem.data.at(theta))[0]
    return np.array(
        [
            t.width == 1 and theta[i] == 0 and gradient[i] < -_ROUNDING
            for i, (t, _, _) in enumerate(problem.data.entries)
        ]
    )


def _polished(problem: Problem, theta: np.ndarray, on_diagonal: np.ndarray) -> np.ndarray:
    """Return `theta` after Newton's steps; degrees of freedom want more digits than the search gives."""
    best = problem.criterion(theta)
    for _ in range(_POLISH):
        gradient, hessian, _ = curvature(problem, theta)
        step = -np.linalg.pinv(hessian, rcond=1e-10, hermitian=True) @ gradient
        new = theta + step[:-1]
        new = np.where(on_diagonal & (theta == 0), 0.0, new)
        value = problem.criterion(new)
        if (on_diagonal & (new < 0)).any() or value > best + _ROUNDING * max(1.0, abs(best)):
            break
        moved = np.abs(new - theta).max(initial=0.0)
        theta, best = new, value
        if moved <= 1e-10 * (1 + np.abs(theta).max(initial=0.0)):
            break
    return theta
