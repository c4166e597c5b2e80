"""Linear models with panels as random effects: restricted maximum likelihood (REML).

The readings of one panel share that panel's luck, so a panel is a block whose effect is
drawn at random. With one random intercept the covariance whitens in closed form, and what
is left is least squares by QR. What a next row on a next panel will read is averaged over
how much panels may differ, since a few panels tell little of that. Responses, scales and
processes are not known here; degrees of freedom by approximation belong here when they come.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from finishlab.errors import ModelError

#: ln of panel variance over residual variance: where the likelihood is looked at.
_LOG_RATIOS = np.linspace(-12.0, 8.0, 41)
#: Equally likely ratios that a prediction averages over.
DRAWS = 32


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
        for _ in range(50):  # halvings: to the last digits of a double
            middle = (low + high) / 2
            short = self.below(middle) < share
            low, high = np.where(short, middle, low), np.where(short, high, middle)
        return (low + high) / 2


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
    fitted, residuals : ndarray, shape (rows,)
        On the scale of the response, panels' effects not in `fitted`.
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
    fitted: np.ndarray
    residuals: np.ndarray
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
    and a half-Cauchy prior on panel spread over residual spread, so that panels are taken
    to differ as much as they well may where a few panels do not say.

    References
    ----------
    Patterson, H. D. & Thompson, R. (1971), Biometrika 58, 545: restricted likelihood.
    Gelman, A. (2006), Bayesian Analysis 1, 515: half-Cauchy prior of a spread (both from
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
    matrix, response = np.asarray(matrix, float), np.asarray(response, float)
    n, p = matrix.shape
    if n <= p:
        raise ModelError(f"{n} trials cannot fit {p} terms and leave a spread to judge by. Add trials.")
    # Columns of size one: NIST's hardest polynomial is then still of full rank.
    size = np.sqrt((matrix**2).sum(axis=0))
    scaled = matrix / np.where(size > 0, size, 1.0)
    rank = np.linalg.matrix_rank(scaled, tol=1e-13 * max(n, p))
    if rank < p:
        raise ModelError(
            f"{p} columns of the model hold only {rank} different ones: some settings always changed "
            "together. Vary them apart, or leave one out."
        )
    groups = np.zeros(n, int) if panels is None else np.unique(np.asarray(panels), return_inverse=True)[1]
    data = _Data(scaled, response, groups, np.bincount(groups))
    told_apart = 1 < len(data.counts) < n
    ratios = np.exp(_LOG_RATIOS) if told_apart else np.zeros(1)
    looked_at = [_least_squares(data, float(r)) for r in ratios]
    best = _best(data, looked_at) if told_apart else looked_at[0]
    drawn = [looked_at[i] for i in _equally_likely(looked_at)] if told_apart else looked_at
    roots = np.array([s.root / size[:, None] * s.sd for s in drawn])
    root = best.root / size[:, None] * best.sd
    cov, fitted = root @ root.T, scaled @ best.coef
    return PanelFit(
        coef=best.coef / size,
        se=np.sqrt(np.diag(cov)),
        cov=cov,
        residual_sd=best.sd,
        panel_sd=float(np.sqrt(best.ratio)) * best.sd,
        df_resid=n - p,
        r2=best.r2,
        criterion=best.criterion + 2 * float(np.log(size).sum()),
        fitted=fitted,
        residuals=response - fitted,
        drawn_coef=np.array([s.coef / size for s in drawn]),
        drawn_root=roots,
        drawn_residual=np.array([s.sd for s in drawn]),
        drawn_panel=np.array([np.sqrt(s.ratio) * s.sd for s in drawn]),
    )


@dataclass(frozen=True, eq=False)
class _Data:
    """What is fitted: columns of size one, response, each row's panel, rows a panel."""

    matrix: np.ndarray
    response: np.ndarray
    groups: np.ndarray
    counts: np.ndarray

    def whiten(self, a: np.ndarray, ratio: float) -> np.ndarray:
        """Multiply by V^(-1/2), V = I + ratio ZZ': take the right share of each panel's mean away."""
        if ratio == 0:
            return a
        columns = a.reshape(len(a), -1)
        sums = np.zeros((len(self.counts), columns.shape[1]))
        np.add.at(sums, self.groups, columns)
        share = (1 - 1 / np.sqrt(1 + ratio * self.counts)) / self.counts
        return (columns - (share[:, None] * sums)[self.groups]).reshape(a.shape)


@dataclass(frozen=True, eq=False)
class _Solution:
    """Least squares at one ratio of panel to residual variance; covariance is sd^2 root root'."""

    ratio: float
    coef: np.ndarray
    root: np.ndarray
    sd: float
    r2: float
    criterion: float


def _least_squares(data: _Data, ratio: float) -> _Solution:
    from scipy.linalg import solve_triangular

    n, p = data.matrix.shape
    x, y = data.whiten(data.matrix, ratio), data.whiten(data.response, ratio)
    q, r = np.linalg.qr(x)
    coef = solve_triangular(r, q.T @ y)
    # Projected twice: what is left of the columns after one pass would pass for residual.
    rest = y - q @ (q.T @ y)
    rest = rest - q @ (q.T @ rest)
    variance = float(rest @ rest) / (n - p)
    one = data.whiten(np.ones(n), ratio)
    spread = y - one * (one @ y) / (one @ one)
    total = float(spread @ spread)
    logs = np.log1p(ratio * data.counts).sum() + 2 * np.log(np.abs(np.diag(r))).sum()
    with np.errstate(divide="ignore"):
        criterion = float((n - p) * (np.log(2 * np.pi * variance) + 1) + logs)
    return _Solution(
        ratio=ratio,
        coef=coef,
        root=solve_triangular(r, np.eye(p)),
        sd=float(np.sqrt(variance)),
        r2=1 - float(rest @ rest) / total if total > 0 else float("nan"),
        criterion=criterion,
    )


def _best(data: _Data, looked_at: list[_Solution]) -> _Solution:
    """Return the REML fit; at the boundary panels do not differ at all, which is an answer."""
    from scipy.optimize import minimize_scalar

    k = int(np.argmin([s.criterion for s in looked_at]))
    ends = _LOG_RATIOS[max(k - 1, 0)], _LOG_RATIOS[min(k + 1, len(looked_at) - 1)]
    found = minimize_scalar(
        lambda log_ratio: _least_squares(data, float(np.exp(log_ratio))).criterion,
        bounds=ends,
        method="bounded",
        options={"xatol": 1e-9},
    )
    at_zero = _least_squares(data, 0.0)
    return at_zero if at_zero.criterion <= found.fun + 1e-9 else _least_squares(data, float(np.exp(found.x)))


def _equally_likely(looked_at: list[_Solution]) -> np.ndarray:
    """Return which of the ratios looked at stand for what is known of it, each as likely."""
    criterion = np.array([s.criterion for s in looked_at])
    if not np.isfinite(criterion).all():
        # A perfect fit leaves nothing to weigh by.
        return np.array([int(np.argmin(criterion))])
    half = _LOG_RATIOS / 2  # ln of the ratio of spreads
    log_weight = -0.5 * criterion + half - np.log1p(np.exp(2 * half))
    weight = np.exp(log_weight - log_weight.max())
    cumulative = np.cumsum(weight / weight.sum())
    return np.searchsorted(cumulative, (np.arange(DRAWS) + 0.5) / DRAWS)
