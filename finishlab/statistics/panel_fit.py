"""One random effect, in closed form: panels, and what a next row on a next panel will read.

With one random intercept the covariance whitens in closed form, and what is left is least
squares by QR. What a next row on a next panel will read is averaged over how much panels
may differ, since a few panels tell little of that. Several random effects are `reml.py`'s.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from finishlab.statistics.model_matrix import checked

#: ln of panel variance over residual variance: where the likelihood is looked at.
_LOG_RATIOS = np.linspace(-12.0, 8.0, 41)
#: Equally likely ratios that a prediction averages over.
DRAWS = 32


@dataclass(frozen=True, eq=False)
class PanelFit:
    """
    A linear model fitted with panels as random effects.

    Attributes
    ----------
    coef, se : ndarray, shape (columns,)
        Estimates and their standard errors, in units of the response.
    cov : ndarray, shape (columns, columns)
    residual_sd, panel_sd : float
        Spread of trials within a panel and of panels, in units of the response.
    df_resid : int
        Rows minus columns.
    r2 : float
        Share of the whitened spread explained, about its constant.
    criterion : float
        Minus twice the restricted log likelihood.
    drawn_coef, drawn_root : ndarray, shapes (draws, columns), (draws, columns, columns)
    drawn_residual, drawn_panel : ndarray, shape (draws,)
        The same under each of several equally likely ratios of panel to residual spread;
        the covariance of the coefficients is ``root @ root.T``.
    """

    coef: np.ndarray
    se: np.ndarray
    cov: np.ndarray
    residual_sd: float
    panel_sd: float
    df_resid: int
    r2: float
    criterion: float
    drawn_coef: np.ndarray
    drawn_root: np.ndarray
    drawn_residual: np.ndarray
    drawn_panel: np.ndarray

    def predict(self, matrix: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Return the mean of each row of a model matrix and the standard error of that mean."""
        mean = matrix @ self.coef
        return mean, np.sqrt(np.einsum("ij,jk,ik->i", matrix, self.cov, matrix))

    def drawn(self, matrix: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Return mean and standard error under each draw, shape (draws, rows)."""
        reach = np.matmul(matrix, self.drawn_root)
        return self.drawn_coef @ matrix.T, np.sqrt((reach**2).sum(axis=2))

    def next_row(self, matrix: np.ndarray) -> Mixture:
        """Return what one more row will read, on a panel of its own that was not in the trials."""
        mean, known = self.drawn(matrix)
        own = (self.drawn_panel**2 + self.drawn_residual**2)[:, None]
        return Mixture(mean, np.sqrt(known**2 + own), self.df_resid)


def fit_panels(matrix: np.ndarray, response: np.ndarray, panels: np.ndarray | None = None) -> PanelFit:
    """
    Fit ``response = matrix @ coef + panel + residual`` by REML; without panels, least squares.

    Parameters
    ----------
    matrix : ndarray, shape (rows, columns)
        Model matrix, its constant included.
    response : ndarray, shape (rows,)
    panels : ndarray, shape (rows,), optional
        Label of each row's panel. With a single panel, or one row a panel, panels cannot
        be told from the rest and ordinary least squares is given.

    Returns
    -------
    PanelFit

    Raises
    ------
    ModelError
        Fewer rows than columns plus one, or columns that cannot be told apart.

    Notes
    -----
    The draws have a flat prior on the coefficients and on the log of the residual spread,
    and on r, panel spread over residual spread, one in proportion to (1 + r)^-1.5: level
    near 0 as a half-Cauchy's, with a longer tail, so that panels are taken to differ as much
    as they well may where a few panels do not say. With a half-Cauchy the next job's 90 %
    interval held 87 % where three panels differ twice as much as patches do; with this it
    holds 90 to 95 % over three to eight panels and 0.5 to 2 (`tests/benchmarks/interval_coverage.py`).

    References
    ----------
    Patterson, H. D. & Thompson, R. (1971), Biometrika 58, 545: restricted likelihood.
    Gelman, A. (2006), Bayesian Analysis 1, 515: weak priors of a spread (both from
    memory). Checked in the tests against published analyses.

    Examples
    --------
    Davies' six batches of dyestuff have a batch SD near 42 and a residual SD near 49.5:

    >>> grams = [1545, 1440, 1440, 1520, 1580, 1540, 1555, 1490, 1560, 1495,
    ...          1595, 1550, 1605, 1510, 1560, 1445, 1440, 1595, 1465, 1545,
    ...          1595, 1630, 1515, 1635, 1625, 1520, 1455, 1450, 1480, 1445]
    >>> fit = fit_panels(np.ones((30, 1)), np.array(grams, float), np.repeat(range(6), 5))
    >>> print(f"{fit.panel_sd:.1f} {fit.residual_sd:.1f} {fit.se[0]:.2f}")
    42.0 49.5 19.38

    Two columns that say the same are refused:

    >>> fit_panels(np.ones((5, 2)), np.arange(5.0))
    Traceback (most recent call last):
        ...
    finishlab.errors.ModelError: 2 columns of the model hold only 1 different ones: some settings always changed together. Vary them apart, or leave one out.
    """
    scaled, size = checked(np.asarray(matrix, float))
    response = np.asarray(response, float)
    n, p = scaled.shape
    groups = np.zeros(n, int) if panels is None else np.unique(np.asarray(panels), return_inverse=True)[1]
    data = _reduced(scaled, response, groups)
    told_apart = len(data.counts) > 1
    looked_at = _least_squares(data, np.exp(_LOG_RATIOS) if told_apart else np.zeros(1))
    best = _best(data, looked_at) if told_apart else looked_at
    pick = _equally_likely(looked_at) if told_apart else np.zeros(1, int)
    sds = looked_at.sd[pick]
    root = best.root[0] / size[:, None] * best.sd[0]
    cov = root @ root.T
    return PanelFit(
        coef=best.coef[0] / size,
        se=np.sqrt(np.diag(cov)),
        cov=cov,
        residual_sd=float(best.sd[0]),
        panel_sd=float(np.sqrt(best.ratio[0]) * best.sd[0]),
        df_resid=n - p,
        r2=_explained(data, best),
        criterion=float(best.criterion[0] + 2 * np.log(size).sum()),
        drawn_coef=looked_at.coef[pick] / size,
        drawn_root=looked_at.root[pick] / size[:, None] * sds[:, None, None],
        drawn_residual=sds,
        drawn_panel=np.sqrt(looked_at.ratio[pick]) * sds,
    )


@dataclass(frozen=True, eq=False)
class _Reduced:
    """
    Model matrix and response, side by side, as far as panels see them.

    With V = I + ratio ZZ' the sum of squares of V^(-1/2) [X y] is that of [X y] about the
    panels' means, plus the means weighted by m / (1 + ratio m), m the rows of a panel. So
    what does not change with the ratio is triangular, once and for all.
    """

    rows: int
    within: np.ndarray  # (up to columns + 1, columns + 1), triangular
    means: np.ndarray  # (panels, columns + 1)
    counts: np.ndarray  # (panels,); all rows are one panel where panels cannot be told from the rest


def _reduced(matrix: np.ndarray, response: np.ndarray, groups: np.ndarray) -> _Reduced:
    both = np.column_stack([matrix, response])
    counts = np.bincount(groups)
    if len(counts) == len(both):
        groups, counts = np.zeros_like(groups), np.array([len(both)])
    sums = np.zeros((len(counts), both.shape[1]))
    np.add.at(sums, groups, both)
    means = sums / counts[:, None]
    return _Reduced(len(both), _triangle(both - means[groups]), means, counts)


def _triangle(a: np.ndarray) -> np.ndarray:
    """Return R of the QR decomposition of each matrix of a stack."""
    return np.asarray(np.linalg.qr(a, mode="r"))


@dataclass(frozen=True, eq=False)
class _Solutions:
    """Least squares at several ratios of panel to residual variance; covariances are sd^2 root root'."""

    ratio: np.ndarray
    coef: np.ndarray
    root: np.ndarray
    sd: np.ndarray
    criterion: np.ndarray


def _least_squares(data: _Reduced, ratios: np.ndarray) -> _Solutions:
    p, df = data.within.shape[1] - 1, data.rows - data.within.shape[1] + 1
    weight = np.sqrt(data.counts / (1 + ratios[:, None] * data.counts))
    stacked = np.concatenate(
        [np.repeat(data.within[None], len(ratios), axis=0), weight[:, :, None] * data.means], axis=1
    )
    r = _triangle(stacked)
    root = np.linalg.inv(r[:, :p, :p])
    variance = r[:, p, p] ** 2 / df
    logs = np.log1p(ratios[:, None] * data.counts).sum(axis=1)
    logs += 2 * np.log(np.abs(np.diagonal(r[:, :p, :p], axis1=1, axis2=2))).sum(axis=1)
    with np.errstate(divide="ignore"):
        criterion = df * (np.log(2 * np.pi * variance) + 1) + logs
    return _Solutions(ratios, (root @ r[:, :p, p:])[:, :, 0], root, np.sqrt(variance), criterion)


def _best(data: _Reduced, looked_at: _Solutions) -> _Solutions:
    """Return the REML fit; at the boundary panels do not differ at all, which is an answer."""
    from scipy.optimize import minimize_scalar

    at_zero = _least_squares(data, np.zeros(1))
    if not np.isfinite(at_zero.criterion[0]):
        return at_zero  # the terms explain every reading, as where all are alike: nothing is left to differ
    k = int(np.argmin(looked_at.criterion))
    found = minimize_scalar(
        lambda log_ratio: _least_squares(data, np.exp([log_ratio])).criterion[0],
        bounds=(_LOG_RATIOS[max(k - 1, 0)], _LOG_RATIOS[min(k + 1, len(_LOG_RATIOS) - 1)]),
        method="bounded",
        options={"xatol": 1e-9},
    )
    if at_zero.criterion[0] <= found.fun + 1e-9:
        return at_zero
    return _least_squares(data, np.exp([found.x]))


def _explained(data: _Reduced, best: _Solutions) -> float:
    """Return the share of the whitened spread about its constant that the columns explain."""
    weight = data.counts / (1 + best.ratio[0] * data.counts)
    y = data.means[:, -1]
    total = float((data.within[:, -1] ** 2).sum() + weight @ (y - weight @ y / weight.sum()) ** 2)
    rest = float(best.sd[0] ** 2) * (data.rows - data.within.shape[1] + 1)
    return 1 - rest / total if total > 0 else float("nan")


def _equally_likely(looked_at: _Solutions) -> np.ndarray:
    """Return which of the ratios looked at stand for what is known of it, each as likely."""
    if not np.isfinite(looked_at.criterion).all():
        # A perfect fit leaves nothing to weigh by.
        return np.array([int(np.argmin(looked_at.criterion))])
    half = _LOG_RATIOS / 2  # ln of the ratio of spreads
    log_weight = -0.5 * looked_at.criterion + half - 1.5 * np.log1p(np.exp(half))
    weight = np.exp(log_weight - log_weight.max())
    cumulative = np.cumsum(weight / weight.sum())
    return np.searchsorted(cumulative, (np.arange(DRAWS) + 0.5) / DRAWS)


@dataclass(frozen=True, eq=False)
class Mixture:
    """
    What is expected of some rows: an equal mixture of Student distributions for each.

    Attributes
    ----------
    mean, sd : ndarray, shape (draws, rows)
    df : float
        Degrees of freedom of every part.

    Examples
    --------
    A single part is Student's own: with 10 degrees of freedom 97.5 % lies below 2.228.

    >>> one = Mixture(np.zeros((1, 1)), np.ones((1, 1)), 10)
    >>> one.quantile(0.975).round(3).tolist(), one.below(0.0).tolist()
    ([2.228], [0.5])
    """

    mean: np.ndarray
    sd: np.ndarray
    df: float

    def below(self, limit: float | np.ndarray) -> np.ndarray:
        """Return the probability of a value of at most `limit`, shape (rows,)."""
        from scipy import special

        return special.stdtr(self.df, (limit - self.mean) / self.sd).mean(axis=0)

    def quantile(self, share: float) -> np.ndarray:
        """Return the value that `share` lies below, shape (rows,)."""
        from scipy import special

        # The mixture's quantile lies between the smallest and the largest of its parts'.
        ends = self.mean + self.sd * special.stdtrit(self.df, share)
        low, high = ends.min(axis=0), ends.max(axis=0)
        at = (low + high) / 2
        for _ in range(60):  # Newton's steps where they stay inside, halvings where not
            short = share - self.below(at)
            low, high = np.where(short > 0, at, low), np.where(short < 0, at, high)
            with np.errstate(divide="ignore", invalid="ignore"):
                step = at + short / self._density(at)
            new = np.where((step >= low) & (step <= high), step, (low + high) / 2)
            moved, at = np.abs(new - at), new
            if (moved <= 1e-11 * self.sd.min(axis=0)).all():
                break
        return at

    def _density(self, at: np.ndarray) -> np.ndarray:
        from scipy import special

        log_size = special.gammaln((self.df + 1) / 2) - special.gammaln(self.df / 2)
        x = (at - self.mean) / self.sd
        bell = np.exp(log_size - (self.df + 1) / 2 * np.log1p(x**2 / self.df))
        return (bell / (np.sqrt(self.df * np.pi) * self.sd)).mean(axis=0)
