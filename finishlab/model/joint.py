"""What several processes read together: draws that share what is not known.

Two processes have most of what is unknown of them in common, so the interval of their
difference is not the difference of their intervals. Effects and differences are taken from
these draws; panels, patches and the meter are the same for both and cancel.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from scipy import linalg

from finishlab.model.latent import Posterior, Rows, crew_average, expected
from finishlab.threads import one_thread

#: Draws of the processes for each draw of spreads and ceiling. Even: each comes with its mirror
#: image, so that averages are exact on a straight scale.
EACH = 32
_SEED = 20
#: Draws of spreads and ceiling that speak for all where only the middle is asked.
_FEW = 4
#: Share of the average variance added to all, so that alike processes still have a root.
_JITTER = 1e-8


@one_thread
def joint_readings(posterior: Posterior, rows: Rows) -> np.ndarray:
    """
    Return draws of what processes read on a panel like the average, in units of the reading.

    Parameters
    ----------
    posterior : Posterior
    rows : Rows
        A few hundred at most: time grows with the cube of their number.

    Returns
    -------
    ndarray, shape (draws x EACH, rows)
    """
    rng = np.random.default_rng(_SEED)
    curve, observed = posterior.curve, posterior.observed
    to_old, among = curve.likeness(rows, observed.rows), curve.likeness(rows, rows)
    out = []
    for draw in posterior.draws:
        m, j = curve.curve(draw.theta, rows)
        _, j_old = curve.curve(draw.theta, observed.rows)
        scaled = j * curve.prior_sd
        cov_old = scaled @ (j_old * curve.prior_sd).T
        cov = scaled @ scaled.T
        for amplitude, old, new in zip(draw.amplitudes, to_old, among, strict=True):
            cov_old += amplitude**2 * old
            cov += amplitude**2 * new
        with_readings, own = crew_average(observed, draw)
        cov_old, cov = cov_old + with_readings, cov + own
        mean = m + j @ (curve.prior_mean - draw.theta) + cov_old @ draw.weights
        v = linalg.solve_triangular(draw.root, (cov_old * draw.slope).T, lower=True, check_finite=False)
        cov -= v.T @ v
        luck = rng.standard_normal((EACH // 2, len(rows))) @ _root(cov).T
        out.append(draw.scale.reading(np.concatenate([mean + luck, mean - luck])))
    return np.concatenate(out)


@one_thread
def middling_readings(posterior: Posterior, rows: Rows) -> np.ndarray:
    """Return about what processes read, from a few of the draws; quick over thousands. Shape (rows,)."""
    pick = np.linspace(0, len(posterior.draws) - 1, _FEW).round().astype(int)
    few = replace(posterior, draws=tuple(posterior.draws[i] for i in pick))
    return np.mean([d.scale.reading(z) for d, z in zip(few.draws, expected(few, rows), strict=True)], axis=0)


def _root(cov: np.ndarray) -> np.ndarray:
    """Return a matrix whose square is a covariance, though some processes be as good as one."""
    eye = np.eye(len(cov)) * max(np.trace(cov) / len(cov), 1e-300)
    try:
        return np.asarray(linalg.cholesky(cov + _JITTER * eye, lower=True, check_finite=False))
    except linalg.LinAlgError:
        values, vectors = linalg.eigh(cov)
        return np.asarray(vectors * np.sqrt(np.maximum(values, 0.0)))
