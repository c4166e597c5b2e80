"""Terms of a model matrix: tests of each, and their columns built from coded factors.

A term is a factor or a product of several; each factor comes as its coded columns, which
sum to zero over its levels, so that a term left out of a contrast stands for an even
average over its levels. How a factor of a study is coded is `basis.py`'s business.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import reduce
from typing import Literal

import numpy as np

from finishlab.statistics.freedom import FTest, contrasts, f_test
from finishlab.statistics.reml import MixedFit


@dataclass(frozen=True, eq=False)
class Terms:
    """
    A model matrix by terms, its constant first.

    Attributes
    ----------
    matrix : ndarray, shape (rows, columns)
    columns : dict of tuple of str to slice
        Where each term's columns are; a term is the names of its factors.
    """

    matrix: np.ndarray
    columns: dict[tuple[str, ...], slice]

    def weights(self, at: Mapping[str, np.ndarray]) -> np.ndarray:
        """
        Return the columns' weights in the mean with some factors at given codes, shape (columns,).

        Factors not in `at` are at 0: the even average over their levels, or the middle.
        """
        out = np.zeros(self.matrix.shape[1])
        for term, where in self.columns.items():
            if all(name in at for name in term):
                out[where] = _product([np.atleast_2d(at[name]) for name in term])[0]
        return out


def sum_coded(labels: np.ndarray, levels: Sequence[object]) -> np.ndarray:
    """
    Return columns for all levels but the last, which is -1 in each: they sum to zero over the levels.

    Examples
    --------
    >>> sum_coded(np.array(["wool", "foam"]), ["foam", "wool"]).tolist()
    [[-1.0], [1.0]]
    """
    code = np.vstack([np.eye(len(levels) - 1), -np.ones(len(levels) - 1)])
    return code[[list(levels).index(label) for label in labels]]


def in_terms(factors: Mapping[str, np.ndarray], terms: Sequence[tuple[str, ...]]) -> Terms:
    """
    Return the model matrix of some terms, a constant before them.

    Parameters
    ----------
    factors : mapping of str to ndarray, shape (rows, its columns)
    terms : sequence of tuples of factor names
        Lower ones before the products they are in.

    Examples
    --------
    >>> pad = sum_coded(np.array(["foam", "wool"] * 2), ["foam", "wool"])
    >>> built = in_terms({"pad": pad, "passes": np.array([[-1.0], [-1], [1], [1]])}, [("pad",), ("pad", "passes")])
    >>> built.matrix.tolist()[0], built.columns[("pad", "passes")]
    ([1.0, 1.0, -1.0], slice(2, 3, None))
    """
    rows = len(next(iter(factors.values())))
    parts = [np.ones((rows, 1))]
    columns: dict[tuple[str, ...], slice] = {(): slice(0, 1)}
    start = 1
    for term in terms:
        part = _product([factors[name] for name in term])
        parts.append(part)
        columns[term] = slice(start, start + part.shape[1])
        start += part.shape[1]
    return Terms(np.hstack(parts), columns)


def _product(blocks: list[np.ndarray]) -> np.ndarray:
    """Return all products of a column of each block; a single 1 of none."""

    def times(a: np.ndarray, b: np.ndarray) -> np.ndarray:
        return (a[:, :, None] * b[:, None, :]).reshape(len(a), -1)

    return reduce(times, blocks) if blocks else np.ones((1, 1))


def term_test(
    fit: MixedFit,
    terms: Terms,
    term: tuple[str, ...],
    *,
    kind: Literal["II", "III"] = "III",
) -> FTest:
    """
    Test one term of an unbalanced study.

    Parameters
    ----------
    fit : MixedFit
        Of ``terms.matrix``.
    terms : Terms
    term : tuple of str
    kind : {"II", "III"}
        "III": the term on an even average over the levels of the others. "II": as if the
        products that it is part of were not there, judged by the full model's spread.

    Notes
    -----
    Degrees of freedom are Kenward and Roger's.

    References
    ----------
    Yates, F. (1934), J. Am. Stat. Assoc. 29, 51; Fox, J. (2016), Applied Regression Analysis,
    3rd ed., section 8.2 (both from memory).

    Examples
    --------
    >>> from finishlab.statistics.reml import fit_mixed
    >>> pad = np.array(["foam", "wool", "wool", "foam", "wool"])
    >>> terms = in_terms({"pad": sum_coded(pad, ["foam", "wool"])}, [("pad",)])
    >>> fit = fit_mixed(np.array([80.0, 83, 84, 81, 85]), terms.matrix, {})
    >>> test = term_test(fit, terms, ("pad",))
    >>> round(test.f, 2), test.df, round(test.df_error, 1)
    (17.64, 1, 3.0)
    """
    every = np.eye(terms.matrix.shape[1])
    weights = every[terms.columns[term]]
    above = [t for t in terms.columns if set(term) < set(t)]
    if kind == "II" and above:
        over = np.concatenate([np.arange(terms.columns[t].start, terms.columns[t].stop) for t in above])
        own = np.arange(terms.columns[term].start, terms.columns[term].stop)
        # What is left of the term's own when the products it is in are taken to be 0. The
        # covariance is the method's own, as R's car has it for Kenward and Roger's.
        cov = contrasts(fit, every).cov
        weights = weights - cov[np.ix_(own, over)] @ np.linalg.solve(cov[np.ix_(over, over)], every[over])
    return f_test(fit, weights)
