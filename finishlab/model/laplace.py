"""Finding what the trials say: mode, evidence and draws of one response's latent model.

For given spreads and ceiling the mode is found by Gauss-Newton steps and the evidence by
Laplace's approximation there, all in units of the reading, so that readings near the
ceiling or the floor, which say little, weigh little by themselves. Spreads and ceiling are
then drawn in proportion to their evidence. What the parts mean is said in `latent.py`.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from scipy import linalg, optimize, stats

from finishlab.model.latent import Curve, Draw, Observed, Posterior, Spread
from finishlab.model.scales import Scale
from finishlab.threads import one_thread

#: Draws of spreads and ceiling that a prediction averages over.
DRAWS = 48
#: Trial values for each ceiling from which the draws are taken.
_PROPOSALS = 128
#: Spread of a log spread beyond which a further move of the optimiser makes no sense.
_LOG_SPREAD_RANGE = 3.5


class _Problem:
    """Everything about one response's data that does not change with spreads or ceiling."""

    def __init__(self, curve: Curve, observed: Observed, spreads: Sequence[Spread], metered: bool) -> None:
        self.curve, self.obs = curve, observed
        self.metered = metered
        same_panel = observed.panel[:, None] == observed.panel[None, :]
        same_trial = observed.trial[:, None] == observed.trial[None, :]
        parts = [same_panel.astype(float), same_trial.astype(float), np.eye(len(observed.y))]
        if observed.weight is not None:  # a discounted reading scatters more, in all that is its own
            stretch = 1 / np.sqrt(observed.weight)
            parts = [p * stretch[:, None] * stretch[None, :] for p in parts]
        parts += curve.likeness(observed.rows, observed.rows)
        parts += [g.alike for g in observed.shared]
        self.parts = np.array(parts)
        self.spreads = [*spreads[:3], *curve.misses, *(g.spread for g in observed.shared), *spreads[3:]]
        self.log_median = np.log([s.median for s in self.spreads])
        self.log_sd = np.array([s.log_sd for s in self.spreads])
        self.counts = observed.repeats * (1.0 if observed.weight is None else observed.weight)

    def structure(self, phi: np.ndarray) -> np.ndarray:
        """Return the covariance of z about its curve."""
        n, k = len(self.obs.y), len(self.parts)
        whole = (np.exp(2 * phi[:k]) @ self.parts.reshape(k, n * n)).reshape(n, n)
        return whole if self.obs.slack is None else whole + self.obs.slack

    def noise(self, phi: np.ndarray, expected: np.ndarray) -> np.ndarray:
        """Return the variance of each reading about the scale's value."""
        if self.metered:
            return np.exp(2 * phi[-1]) / self.counts
        return np.maximum(expected, 0.05) / (1.0 if self.obs.weight is None else self.obs.weight)

    def log_prior(self, phi: np.ndarray) -> tuple[float, np.ndarray]:
        """Return log prior of the spreads with the repeats' own evidence on the meter, and gradient."""
        d = (phi - self.log_median) / self.log_sd
        value, gradient = -0.5 * float(d @ d), -d / self.log_sd
        if self.metered and self.obs.meter_df > 0:
            ss = self.obs.meter_ss * np.exp(-2 * phi[-1])
            value += -self.obs.meter_df * phi[-1] - 0.5 * ss
            gradient[-1] += -self.obs.meter_df + ss
        return value, gradient


@dataclass
class _Linear:
    """The problem made linear at one point: readings' residuals, slopes, and J."""

    e: np.ndarray
    slope: np.ndarray
    expected: np.ndarray
    jacobian: np.ndarray
    prior_part: np.ndarray
    curve_mean: np.ndarray


def _linearise(problem: _Problem, scale: Scale, theta: np.ndarray, z: np.ndarray) -> _Linear:
    curve = problem.curve
    m, jacobian = curve.curve(theta, problem.obs.rows)
    mean = m + jacobian @ (curve.prior_mean - theta)
    expected, slope = scale.reading(z), scale.slope(z)
    e = problem.obs.y - expected + slope * (z - mean)
    scaled = jacobian * curve.prior_sd
    return _Linear(e, slope, expected, jacobian, scaled @ scaled.T, mean)


def _covariance(problem: _Problem, phi: np.ndarray, at: _Linear) -> tuple[np.ndarray, np.ndarray]:
    """Return covariance of z, and of the linearised readings."""
    k = at.prior_part + problem.structure(phi)
    c = at.slope[:, None] * k * at.slope[None, :]
    c[np.diag_indices_from(c)] += problem.noise(phi, at.expected)
    return k, c


def _move(
    problem: _Problem,
    scale: Scale,
    phi: np.ndarray,
    theta: np.ndarray,
    z: np.ndarray,
    rounds: int,
    enough: float = 1e-3,
) -> tuple[np.ndarray, np.ndarray]:
    """Gauss-Newton toward the mode of parameters and z; stops where a move is below `enough` prior spreads."""
    prior_mean, prior_sd = problem.curve.prior_mean, problem.curve.prior_sd
    for _ in range(rounds):
        at = _linearise(problem, scale, theta, z)
        k, c = _covariance(problem, phi, at)
        w = at.slope * linalg.cho_solve(
            linalg.cho_factor(c, lower=True, check_finite=False), at.e, check_finite=False
        )
        new_theta = prior_mean + prior_sd**2 * (at.jacobian.T @ w)
        new_z = at.curve_mean + k @ w
        # A bounded move: the curves bend, and a long first step can leave them.
        longest = max(np.abs((new_theta - theta) / prior_sd).max(initial=0.0), np.abs(new_z - z).max() / 0.7)
        share = min(1.0, 1.0 / longest) if longest > 0 else 1.0
        theta = theta + share * (new_theta - theta)
        z = z + share * (new_z - z)
        if longest < enough:
            break
    return theta, z


def _evidence(
    problem: _Problem, phi: np.ndarray, at: _Linear, gradient: bool = True
) -> tuple[float, np.ndarray]:
    """Return log evidence of the linearised problem plus the spreads' prior, and its gradient."""
    _, c = _covariance(problem, phi, at)
    try:
        root = linalg.cholesky(c, lower=True, check_finite=False)
    except linalg.LinAlgError:
        return -np.inf, np.zeros_like(phi)
    a = linalg.cho_solve((root, True), at.e, check_finite=False)
    prior, slope = problem.log_prior(phi)
    value = prior - 0.5 * float(at.e @ a) - np.log(np.diag(root)).sum() - 0.5 * len(a) * np.log(2 * np.pi)
    if not gradient:
        return value, slope
    inverse = linalg.cho_solve((root, True), np.eye(len(a)), check_finite=False)
    m = 0.5 * (np.outer(a, a) - inverse)
    mh = at.slope[:, None] * m * at.slope[None, :]
    k = len(problem.parts)
    slope[:k] += 2 * np.exp(2 * phi[:k]) * (problem.parts.reshape(k, -1) @ mh.ravel())
    if problem.metered:
        slope[-1] += 2 * float(np.diag(m) @ problem.noise(phi, at.expected))
    return value, slope


def _best_spreads(problem: _Problem, phi: np.ndarray, at: _Linear, most: int) -> np.ndarray:
    def cost(p: np.ndarray) -> tuple[float, np.ndarray]:
        value, slope = _evidence(problem, p, at)
        return (-value, -slope) if np.isfinite(value) else (1e10, np.zeros_like(p))

    reach = _LOG_SPREAD_RANGE * np.maximum(problem.log_sd, 0.5)
    bounds = list(zip(problem.log_median - reach, problem.log_median + reach, strict=True))
    found = optimize.minimize(
        cost, phi, jac=True, method="L-BFGS-B", bounds=bounds, options={"maxiter": most}
    )
    return found.x


@dataclass
class _AtCeiling:
    """The fit under one ceiling, whose own parameter is `ceiling`."""

    ceiling: float
    scale: Scale
    phi: np.ndarray
    theta: np.ndarray
    z: np.ndarray
    at: _Linear
    log_evidence: float
    proposals: np.ndarray
    log_weights: np.ndarray


def _fit_at(
    problem: _Problem,
    ceiling: float,
    scale: Scale,
    phi: np.ndarray,
    theta: np.ndarray,
    z: np.ndarray,
    rounds: int,
) -> _AtCeiling:
    for round_ in range(rounds):
        theta, z = _move(problem, scale, phi, theta, z, rounds=6)
        at = _linearise(problem, scale, theta, z)
        new = _best_spreads(problem, phi, at, most=25 if round_ == 0 else 12)
        moved = np.abs(new - phi).max()
        phi = new
        if moved < 0.02:
            break
    theta, z = _move(problem, scale, phi, theta, z, rounds=6)
    at = _linearise(problem, scale, theta, z)
    value, _ = _evidence(problem, phi, at, gradient=False)
    return _AtCeiling(ceiling, scale, phi, theta, z, at, value, np.empty((0, len(phi))), np.empty(0))


def _spread_curvature(problem: _Problem, fit: _AtCeiling) -> np.ndarray:
    """Return the covariance of the log spreads about their mode, from the gradient's change."""
    d = len(fit.phi)
    hessian = np.empty((d, d))
    step = 0.1
    for j in range(d):
        up, down = fit.phi.copy(), fit.phi.copy()
        up[j] += step
        down[j] -= step
        hessian[j] = (_evidence(problem, down, fit.at)[1] - _evidence(problem, up, fit.at)[1]) / (2 * step)
    values, vectors = np.linalg.eigh((hessian + hessian.T) / 2)
    # The prior alone bounds how little can be known; a flat or rising direction gets that.
    floor = 1 / (1.5 * problem.log_sd.max()) ** 2
    return (vectors / np.maximum(values, floor)) @ vectors.T


def _propose(problem: _Problem, fit: _AtCeiling, rng: np.random.Generator, cov: np.ndarray) -> None:
    """Draw spreads about the mode from a wide t, and weigh them by the evidence."""
    d, df = len(fit.phi), 5
    root = np.linalg.cholesky(cov + 1e-9 * np.eye(d))
    sobol = stats.qmc.Sobol(d + 1, seed=rng).random(_PROPOSALS)
    u = np.clip(sobol, 1e-6, 1 - 1e-6)
    normal = stats.norm.ppf(u[:, :d])
    stretch = np.sqrt(df / stats.chi2.ppf(u[:, d], df))
    t = normal * stretch[:, None] * 1.1
    phi = fit.phi + t @ root.T
    log_q = -0.5 * (df + d) * np.log1p((t**2).sum(1) / (1.21 * df)) - np.log(np.diag(root)).sum()
    values = np.array([_evidence(problem, p, fit.at, gradient=False)[0] for p in phi])
    # In order of what they make of the next job, so that even picks among them are stratified.
    order = np.argsort(np.exp(2 * phi[:, :3]).sum(axis=1), kind="stable")
    fit.proposals = phi[order]
    fit.log_weights = (values - log_q)[order]


@one_thread
def fit_posterior(
    curve: Curve,
    observed: Observed,
    spreads: Sequence[Spread],
    scale_at: Callable[[float], Scale],
    ceilings: tuple[float, float] | None,
    seed: int,
    seen_at: Callable[[float], Scale] | None = None,
) -> Posterior:
    """
    Fit one response and return draws of everything that is not known.

    Parameters
    ----------
    curve : Curve
    observed : Observed
    spreads : sequence of Spread
        Panel, patch and reading spread of z in this order; then, for a metered response,
        the spread of one meter reading.
    scale_at : callable
        Gives the scale for a value of the ceiling's own parameter.
    ceilings : (mean, sd) or None
        Normal prior of that parameter; None for a response without a ceiling.
    seed : int
    seen_at : callable, optional
        The same, row by row of `observed`, where some were read at another angle.

    Returns
    -------
    Posterior
    """
    seen_at = seen_at or scale_at
    rng = np.random.default_rng(seed)
    problem = _Problem(curve, observed, spreads, scale_at(ceilings[0] if ceilings else 0.0).metered)
    phi, theta = problem.log_median.copy(), curve.prior_mean.copy()

    def begin(scale: Scale) -> np.ndarray:
        """Start z at the readings themselves, kept off the ceiling and the floor."""
        expected = curve.curve(theta, observed.rows)[0]
        z = scale.inverse(observed.y)
        return np.clip(np.where(np.isfinite(z), z, expected), expected - 1.5, expected + 1.5)

    if ceilings is None:
        fits = [_fit_at(problem, 0.0, seen_at(0.0), phi, theta, begin(seen_at(0.0)), rounds=4)]
        steps = np.array([0.0])
    else:
        fits, steps = _fit_ceilings(problem, seen_at, ceilings, phi, theta, begin)
    cov = _spread_curvature(problem, max(fits, key=lambda f: f.log_evidence))
    for fit in fits:
        _propose(problem, fit, rng, cov)
    return _draw(problem, scale_at, fits, steps, rng)


def _fit_ceilings(
    problem: _Problem,
    seen_at: Callable[[float], Scale],
    prior: tuple[float, float],
    phi: np.ndarray,
    theta: np.ndarray,
    begin: Callable[[Scale], np.ndarray],
) -> tuple[list[_AtCeiling], np.ndarray]:
    """Fit under several ceilings about the likeliest; their evidence takes in the ceiling's prior."""
    mean, sd = prior
    done: dict[float, _AtCeiling] = {}

    def at(c: float) -> float:
        c = round(c, 6)
        if c not in done:
            scale = seen_at(c)
            if done:
                near = done[min(done, key=lambda d: abs(d - c))]
                fit = _fit_at(problem, c, scale, near.phi, near.theta, near.z, rounds=2)
            else:
                fit = _fit_at(problem, c, scale, phi, theta, begin(scale), rounds=3)
            fit.log_evidence += -0.5 * ((c - mean) / sd) ** 2
            done[c] = fit
        return done[c].log_evidence

    for c in mean + sd * np.array([0.0, -1.0, 1.0, -2.0, 2.0]):
        at(c)
    for _ in range(4):  # close in on the likeliest by halving about it
        order = sorted(done)
        k = max(range(len(order)), key=lambda i: done[order[i]].log_evidence)
        left, right = order[max(k - 1, 0)], order[min(k + 1, len(order) - 1)]
        if min(done[left].log_evidence, done[right].log_evidence) > done[order[k]].log_evidence - 1.0 and 0 < k < len(order) - 1:  # fmt: skip
            break
        at((left + order[k]) / 2 if k > 0 else order[0] - sd / 2)
        at((right + order[k]) / 2 if k < len(order) - 1 else order[-1] + sd / 2)
    order = sorted(done)
    top = max(f.log_evidence for f in done.values())
    kept = [c for c in order if done[c].log_evidence > top - 6.0]
    # Each ceiling stands for the stretch half-way to its neighbours.
    widths = np.gradient(np.array(order)) if len(order) > 1 else np.array([1.0])
    return [done[c] for c in kept], np.log(np.array([widths[order.index(c)] for c in kept]))


def _draw(
    problem: _Problem,
    scale_at: Callable[[float], Scale],
    fits: list[_AtCeiling],
    log_widths: np.ndarray,
    rng: np.random.Generator,
) -> Posterior:
    """Resample proposals of all ceilings in proportion to their weight."""
    # log_evidence holds the ceiling's prior; the proposals' weights hold the evidence itself.
    extra = [f.log_evidence - _evidence(problem, f.phi, f.at, gradient=False)[0] for f in fits]
    logs = np.concatenate([f.log_weights + x + w for f, x, w in zip(fits, extra, log_widths, strict=True)])
    top = logs.max()
    weights = np.exp(logs - top)
    evidence = top + np.log(weights.sum() / _PROPOSALS)
    cumulative = np.cumsum(weights / weights.sum())
    points = (np.arange(DRAWS) + rng.random()) / DRAWS
    picks = np.searchsorted(cumulative, points)
    draws = []
    for pick in np.minimum(picks, len(cumulative) - 1):
        fit = fits[pick // _PROPOSALS]
        phi = fit.proposals[pick % _PROPOSALS]
        draws.append(_settle(problem, scale_at(fit.ceiling), fit, phi))
    ceilings = np.array([getattr(d.scale, "ceiling", np.nan) for d in draws], dtype=object)
    return Posterior(problem.curve, problem.obs, tuple(draws), float(evidence), ceilings)


def _settle(problem: _Problem, scale: Scale, fit: _AtCeiling, phi: np.ndarray) -> Draw:
    _, c = _covariance(problem, phi, fit.at)
    root = linalg.cholesky(c, lower=True, check_finite=False)
    w = fit.at.slope * linalg.cho_solve((root, True), fit.at.e, check_finite=False)
    names = [s.name for s in problem.spreads]
    n = len(problem.curve.misses)
    return Draw(
        scale=scale,
        spreads=dict(zip(names, np.exp(phi).tolist(), strict=True)),
        theta=fit.theta,
        amplitudes=np.exp(phi[3 : 3 + n]),
        weights=w,
        root=root,
        slope=fit.at.slope,
    )
