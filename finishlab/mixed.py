"""Linear models with panels as random effects: restricted maximum likelihood (REML).

The readings of one panel share that panel's luck, so a panel is a block whose effect is
drawn at random. With one random intercept the covariance whitens in closed form, and what
is left is least squares, which statsmodels does by QR. Responses, scales and processes are
not known here; degrees of freedom by approximation belong here when they come.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from finishlab.errors import ModelError


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

    def predict(self, matrix: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Return the mean of each row of a model matrix and the standard error of that mean."""
        mean = matrix @ self.coef
        return mean, np.sqrt(np.einsum("ij,jk,ik->i", matrix, self.cov, matrix))


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

    References
    ----------
    Patterson, H. D. & Thompson, R. (1971), Biometrika 58, 545: restricted likelihood
    (from memory). Checked in the tests against published analyses.

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
    scaled = matrix / np.where((size := np.abs(matrix).max(axis=0)) > 0, size, 1.0)
    rank = np.linalg.matrix_rank(scaled, tol=1e-13 * max(n, p))
    if rank < p:
        raise ModelError(
            f"{p} columns of the model hold only {rank} different ones: some settings always changed "
            "together. Vary them apart, or leave one out."
        )
    groups = np.zeros(n, int) if panels is None else np.unique(np.asarray(panels), return_inverse=True)[1]
    counts = np.bincount(groups)
    ratio = _best_ratio(matrix, response, groups, counts) if 1 < len(counts) < n else 0.0
    return _at_ratio(matrix, response, groups, counts, ratio)


def _whiten(a: np.ndarray, groups: np.ndarray, counts: np.ndarray, ratio: float) -> np.ndarray:
    """Multiply by V^(-1/2), V = I + ratio ZZ': take the right share of each panel's mean away."""
    if ratio == 0:
        return a
    columns = a.reshape(len(a), -1)
    sums = np.zeros((len(counts), columns.shape[1]))
    np.add.at(sums, groups, columns)
    share = (1 - 1 / np.sqrt(1 + ratio * counts)) / counts
    return (columns - (share[:, None] * sums)[groups]).reshape(a.shape)


def _criterion(matrix: np.ndarray, response: np.ndarray, groups: np.ndarray, counts: np.ndarray, ratio: float) -> float:
    """Return minus twice the restricted log likelihood at a ratio of panel to residual variance."""
    n, p = matrix.shape
    x, y = _whiten(matrix, groups, counts, ratio), _whiten(response, groups, counts, ratio)
    q, r = np.linalg.qr(x)
    rest = y - q @ (q.T @ y)
    variance = rest @ rest / (n - p)
    log_v = np.log1p(ratio * counts).sum()
    log_x = 2 * np.log(np.abs(np.diag(r))).sum()
    with np.errstate(divide="ignore"):
        return float((n - p) * (np.log(2 * np.pi * variance) + 1) + log_v + log_x)


def _best_ratio(matrix: np.ndarray, response: np.ndarray, groups: np.ndarray, counts: np.ndarray) -> float:
    from scipy.optimize import minimize_scalar

    def at(log_ratio: float) -> float:
        return _criterion(matrix, response, groups, counts, float(np.exp(log_ratio)))

    grid = np.linspace(-12.0, 8.0, 21)
    values = [at(g) for g in grid]
    k = int(np.argmin(values))
    best = minimize_scalar(
        at, bounds=(grid[max(k - 1, 0)], grid[min(k + 1, 20)]), method="bounded", options={"xatol": 1e-9}
    )
    # At the boundary the panels do not differ at all; that is an answer, not a failure.
    at_zero = _criterion(matrix, response, groups, counts, 0.0)
    return 0.0 if at_zero <= best.fun + 1e-9 else float(np.exp(best.x))


def _at_ratio(matrix: np.ndarray, response: np.ndarray, groups: np.ndarray, counts: np.ndarray, ratio: float) -> PanelFit:
    from statsmodels.regression.linear_model import OLS

    x, y = _whiten(matrix, groups, counts, ratio), _whiten(response, groups, counts, ratio)
    # QR, not the default pseudo-inverse, which gives up on NIST's hardest polynomial.
    result = OLS(y, x).fit(method="qr")
    fitted = matrix @ result.params
    one = _whiten(np.ones(len(y)), groups, counts, ratio)
    spread = y - one * (one @ y) / (one @ one)
    total = float(spread @ spread)
    return PanelFit(
        coef=np.asarray(result.params),
        se=np.asarray(result.bse),
        cov=np.asarray(result.cov_params()),
        residual_sd=float(np.sqrt(result.scale)),
        panel_sd=float(np.sqrt(result.scale * ratio)),
        df_resid=int(result.df_resid),
        r2=1 - float(result.ssr) / total if total > 0 else float("nan"),
        criterion=_criterion(matrix, response, groups, counts, ratio),
        fitted=fitted,
        residuals=response - fitted,
    )
