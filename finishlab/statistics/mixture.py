"""Equal mixtures of Student distributions: what is expected when a spread is known from little only."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np


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
