"""Degrees of freedom of contrasts, and tests of several at once, when spreads are estimated.

How surely a difference is known hangs on how many panels, halves and trials told of the
spreads it is judged by. Kenward and Roger's method also widens the standard error for what
estimating the spreads costs; it errs toward caution where panels barely differ. That the
next job succeeds is no contrast: `panel_fit.py` integrates over the spreads for it.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from finishlab.errors import ModelError
from finishlab.statistics.likelihood import curvature
from finishlab.statistics.reml import MixedFit

Method = Literal["kenward-roger", "satterthwaite"]


@dataclass(frozen=True, eq=False)
class Contrasts:
    """
    Sums of coefficients, each with what it takes to judge it.

    Attributes
    ----------
    value, se, df : ndarray, shape (contrasts,)
    cov : ndarray, shape (contrasts, contrasts)
    """

    value: np.ndarray
    se: np.ndarray
    df: np.ndarray
    cov: np.ndarray

    def interval(self, cover: float = 0.95) -> tuple[np.ndarray, np.ndarray]:
        """Return the ends of Student's interval of each by itself."""
        from scipy import special

        reach = special.stdtrit(self.df, (1 + cover) / 2) * self.se
        return self.value - reach, self.value + reach

    def p(self) -> np.ndarray:
        """Return the probability of so large a ratio to its error where nothing differs."""
        from scipy import special

        with np.errstate(divide="ignore", invalid="ignore"):
            return 2 * special.stdtr(self.df, -np.abs(self.value / self.se))


@dataclass(frozen=True)
class FTest:
    """Whether several contrasts are all 0: ratio, its degrees of freedom and its probability."""

    f: float
    df: int
    df_error: float
    p: float


def contrasts(fit: MixedFit, weights: np.ndarray, *, method: Method = "kenward-roger") -> Contrasts:
    """
    Return sums of coefficients with standard errors and degrees of freedom.

    Parameters
    ----------
    fit : MixedFit
        By restricted likelihood.
    weights : ndarray, shape (contrasts, columns)
    method : {"kenward-roger", "satterthwaite"}

    Raises
    ------
    ModelError
        `fit` is by plain maximum likelihood.

    References
    ----------
    Satterthwaite, F. E. (1946), Biometrics Bull. 2, 110; Giesbrecht, F. & Burns, J. (1985),
    Biometrics 41, 477. Kenward, M. G. & Roger, J. H. (1997), Biometrics 53, 983 (from memory).
    Checked in the tests against R's lmerTest and pbkrtest.

    Examples
    --------
    Four stools tried by nine people (Pinheiro & Bates (2000), ergoStool): a difference of two
    stools is judged by the residual alone, 24 degrees of freedom; a mean by people too.

    >>> effort = [12, 15, 12, 10, 10, 14, 13, 12, 7, 14, 13, 9, 7, 11, 10, 9, 8, 11, 8, 7,
    ...           9, 11, 11, 10, 8, 12, 12, 11, 7, 11, 8, 7, 9, 13, 10, 8]
    >>> stool, person = np.tile(range(4), 9), np.repeat(range(9), 4)
    >>> from finishlab.statistics.reml import fit_mixed
    >>> fit = fit_mixed(np.array(effort, float), np.eye(4)[stool], {"person": person})
    >>> found = contrasts(fit, np.array([[-1.0, 1, 0, 0], [1, 0, 0, 0]]))
    >>> found.value.round(3).tolist(), found.se.round(3).tolist(), found.df.round(2).tolist()
    ([3.889, 8.556], [0.519, 0.576], [24.0, 15.53])
    """
    weights = np.atleast_2d(np.asarray(weights, float))
    value = weights @ fit.coef
    if fit.residual_variance == 0:
        nothing = np.zeros(len(value))
        return Contrasts(
            value, nothing, np.full(len(value), float(fit.df_resid)), np.zeros((len(value),) * 2)
        )
    rule = _Satterthwaite(fit) if method == "satterthwaite" else _KenwardRoger(fit)
    df = np.array([rule.df(w) for w in weights])
    cov = weights @ rule.cov @ weights.T
    return Contrasts(value, np.sqrt(np.maximum(np.diag(cov), 0.0)), df, cov)


def f_test(fit: MixedFit, weights: np.ndarray, *, method: Method = "kenward-roger") -> FTest:
    """
    Test that several sums of coefficients are all 0.

    Parameters
    ----------
    fit : MixedFit
        By restricted likelihood.
    weights : ndarray, shape (contrasts, columns)
        Contrasts that the others already hold are dropped.
    method : {"kenward-roger", "satterthwaite"}

    Raises
    ------
    ModelError
        `fit` is by plain maximum likelihood.

    Examples
    --------
    Do the four stools differ at all (published: F 22.36 on 3 and 24)?

    >>> effort = [12, 15, 12, 10, 10, 14, 13, 12, 7, 14, 13, 9, 7, 11, 10, 9, 8, 11, 8, 7,
    ...           9, 11, 11, 10, 8, 12, 12, 11, 7, 11, 8, 7, 9, 13, 10, 8]
    >>> stool, person = np.tile(range(4), 9), np.repeat(range(9), 4)
    >>> from finishlab.statistics.reml import fit_mixed
    >>> fit = fit_mixed(np.array(effort, float), np.eye(4)[stool], {"person": person})
    >>> test = f_test(fit, np.array([[-1.0, 1, 0, 0], [-1, 0, 1, 0], [-1, 0, 0, 1]]))
    >>> round(test.f, 2), test.df, round(test.df_error, 1)
    (22.36, 3, 24.0)
    """
    from scipy import special

    weights = _independent(np.atleast_2d(np.asarray(weights, float)))
    q = len(weights)
    if fit.residual_variance == 0:
        differs = np.abs(weights @ fit.coef).max(initial=0.0) > 0
        return FTest(np.inf if differs else np.nan, q, float(fit.df_resid), 0.0 if differs else np.nan)
    rule = _Satterthwaite(fit) if method == "satterthwaite" else _KenwardRoger(fit)
    scale, df = rule.several(weights)
    value = weights @ fit.coef
    f = float(scale / q * value @ np.linalg.solve(weights @ rule.cov @ weights.T, value))
    return FTest(f, q, df, float(special.fdtrc(q, df, f)))


def _independent(weights: np.ndarray) -> np.ndarray:
    """Return contrasts that span the same, without those that the others hold."""
    _, sizes, span = np.linalg.svd(weights, full_matrices=False)
    return np.asarray(span[sizes > 1e-10 * sizes.max(initial=0.0)])


class _Rule:
    """What both methods need of a fit, in the orthonormal basis of its columns and residual variance 1."""

    def __init__(self, fit: MixedFit) -> None:
        if not fit.restricted:
            raise ModelError(
                "degrees of freedom are of a fit by restricted likelihood; leave restricted=True."
            )
        self.problem = fit._problem
        self.at = self.problem.data.at(fit._theta)
        self.theta = fit._theta
        self.information = self.at.sums[:-1, :-1]
        self.phi = np.linalg.inv(self.information)
        self.first = self.at.moments.first[:, :-1, :-1]
        self.cov = fit.cov

    def back(self, weights: np.ndarray) -> np.ndarray:
        """Return contrasts of the orthonormal basis."""
        return weights @ self.problem.back


class _Satterthwaite(_Rule):
    """
    The variance of a contrast as a multiple of chi-squared, by how surely it is known.

    The curvature is the observed one, in relative factors: a factor of 0 then moves nothing.
    """

    def __init__(self, fit: MixedFit) -> None:
        super().__init__(fit)
        _, hessian, self._jacobian = curvature(self.problem, self.theta)
        values, vectors = np.linalg.eigh(hessian)
        kept = values > 1e-8 * max(values.max(), 1.0)
        self._spread = 2 * (vectors[:, kept] / values[kept]) @ vectors[:, kept].T

    def df(self, weights: np.ndarray) -> float:
        """Return the degrees of freedom of one contrast."""
        reach = self.phi @ self.back(weights)
        variance = float(self.back(weights) @ reach)
        by_entry = np.einsum("i,rij,j->r", reach, self.first, reach)
        gradient = np.r_[by_entry @ self._jacobian, variance]
        return float(2 * variance**2 / (gradient @ self._spread @ gradient))

    def several(self, weights: np.ndarray) -> tuple[float, float]:
        """Return scale and degrees of freedom of the F ratio of several (Fai & Cornelius 1996)."""
        _, vectors = np.linalg.eigh(weights @ self.cov @ weights.T)
        each = np.array([self.df(w) for w in vectors.T @ weights])
        if np.ptp(each) < 1e-8 * each.max():
            return 1.0, float(each.mean())
        if (each <= 2).any():
            return 1.0, 2.0
        expected = float((each / (each - 2)).sum())
        return 1.0, 2 * expected / (expected - len(each))


class _KenwardRoger(_Rule):
    """
    Kenward and Roger (1997), for a covariance that is linear in its spreads.

    What they derive does not change when the spreads are taken in another linear basis; V
    itself stands in for the residual's, whose sums are then plain. Spreads of 0 stay in.
    """

    def __init__(self, fit: MixedFit) -> None:
        super().__init__(fit)
        m, n = self.at.moments, self.problem.rows
        k = len(self.first) + 1
        p = len(self.phi)
        first = np.concatenate([self.information[None], self.first])
        second = np.empty((k, k, p, p))
        second[0], second[:, 0] = first, first
        second[1:, 1:] = m.second[:, :, :-1, :-1]
        traces = np.empty((k, k))
        traces[0, 0], traces[0, 1:], traces[1:, 0], traces[1:, 1:] = n, m.trace, m.trace, m.traces
        self._half = np.einsum("ij,rjk->rik", self.phi, first)  # phi P_r, its sign left out
        information = (
            traces
            - 2 * np.einsum("ij,rsji->rs", self.phi, second)
            + np.einsum("rij,sji->rs", self._half, self._half)
        )
        self._spread = 2 * np.linalg.pinv(information, rcond=1e-12, hermitian=True)
        cost = second - np.einsum("rij,sjk->rsik", first, self._half)
        wider = 2 * self.phi @ np.einsum("rs,rsij->ij", self._spread, cost) @ self.phi
        back = self.problem.back
        self.cov = fit.cov + fit.residual_variance * back @ ((wider + wider.T) / 2) @ back.T

    def _a(self, weights: np.ndarray) -> tuple[float, float]:
        """Return A1 and A2 of the paper."""
        across = self.back(weights)
        theta = across.T @ np.linalg.solve(across @ self.phi @ across.T, across)
        each = np.einsum("ij,rjk,kl->ril", theta, self._half, self.phi)
        traces = np.einsum("rii->r", each)
        a1 = float(traces @ self._spread @ traces)
        a2 = float(np.einsum("rs,rij,sji->", self._spread, each, each))
        return a1, a2

    def df(self, weights: np.ndarray) -> float:
        """Return the degrees of freedom of one contrast: what `several` comes to for one."""
        return 2 / self._a(weights[None])[1]

    def several(self, weights: np.ndarray) -> tuple[float, float]:
        """Return scale and degrees of freedom of the F ratio of several."""
        q = len(weights)
        if q == 1:
            return 1.0, self.df(weights[0])
        a1, a2 = self._a(weights)
        b = (a1 + 6 * a2) / (2 * q)
        g = ((q + 1) * a1 - (q + 4) * a2) / ((q + 2) * a2)
        below = 3 * q + 2 * (1 - g)
        c1, c2, c3 = g / below, (q - g) / below, (q + 2 - g) / below
        ratio = ((1 - a2 / q) / (1 - c2 * b)) ** 2 * (1 + c1 * b) / (1 - c3 * b) / q
        df = 4 + (q + 2) / (q * ratio - 1)
        return (1.0 if abs(df - 2) < 1e-2 else df * (1 - a2 / q) / (df - 2)), df
