"""Random effects as blocks of columns, reduced to what the likelihood needs of them.

A term gives each of its labels (panels, say) one random effect, or several that go together
(a start and a slope). With V = I + Z L L' Z', L the relative factor of the effects'
covariance, everything follows from Z'Z and Z'[X y] by Woodbury's identity: the rows are
looked at once, and memory stays linear in them. What is estimated from it is `reml.py`'s.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np

from finishlab.errors import ModelError

#: Random effects up to which plain matrices are quicker than sparse ones.
_DENSE = 400
#: Columns of the inverse worked at a time, so that it is never held whole.
_CHUNK = 256


@dataclass(frozen=True, eq=False)
class Term:
    """
    One random term: `labels` levels with `width` effects each, from column `start` on.

    Its relative covariance of the effects of one label is ``factor @ factor.T``; `theta` of
    its lower triangle, row by row, are what is estimated.
    """

    name: str
    labels: np.ndarray
    width: int
    start: int

    @property
    def stop(self) -> int:
        """Column after the last."""
        return self.start + self.width * len(self.labels)

    @property
    def pairs(self) -> list[tuple[int, int]]:
        """Row and column of each entry of the lower triangle."""
        return [(a, b) for a in range(self.width) for b in range(a + 1)]

    def columns(self, effect: int) -> slice:
        """Columns of one of the effects, a column a label."""
        return slice(self.start + effect, self.stop, self.width)


def design(groups: Mapping[str, Any], rows: int) -> tuple[tuple[Term, ...], Any]:
    """
    Return the random terms and their columns Z, sparse, shape (rows, effects).

    Parameters
    ----------
    groups : mapping of str to labels, or to (labels, columns)
        Labels of shape (rows,); columns of shape (rows, width) where a label has other
        effects than a constant.
    rows : int

    Raises
    ------
    ModelError
        A label missing, one label only, a label a row, or two terms that part the rows alike.
    """
    from scipy import sparse

    terms: list[Term] = []
    parts: list[Any] = []
    seen: list[tuple[str, np.ndarray]] = []
    mistakes: list[str] = []
    read: list[tuple[str, np.ndarray, np.ndarray, np.ndarray]] = []
    for name, given in groups.items():
        labels, columns = given if isinstance(given, tuple) else (given, np.ones((rows, 1)))
        found, codes = np.unique(np.asarray(labels), return_inverse=True)
        if len(codes) != rows:
            raise ModelError(f"{name} has {len(codes)} labels for {rows} rows; it must have one a row.")
        columns = np.asarray(columns, float)
        if columns.shape[1] == 1 and (columns == 1).all():
            mistakes += _unusable(name, found, codes, seen)
            seen.append((name, codes))
        read.append((name, found, codes, columns))
    if mistakes:
        raise ModelError(mistakes)
    start = 0
    # The finest term first: what is nested in it then factorises without filling up.
    for name, found, codes, columns in sorted(read, key=lambda term: -len(term[1])):
        width = columns.shape[1]
        terms.append(Term(name, found, width, start))
        at = (codes[:, None] * width + np.arange(width)).ravel()
        indices = (np.repeat(np.arange(rows), width), at)
        parts.append(sparse.coo_array((columns.ravel(), indices), shape=(rows, width * len(found))))
        start += width * len(found)
    if not parts:
        return (), sparse.csc_array((rows, 0))
    return tuple(terms), sparse.csc_array(sparse.hstack(parts))


def _unusable(
    name: str, found: np.ndarray, codes: np.ndarray, seen: list[tuple[str, np.ndarray]]
) -> list[str]:
    """Say why the spread of a term cannot be told from another's."""
    if len(found) < 2:
        return [
            f"{name} is '{found[0]}' in every row: one says nothing of how they differ. Leave {name} out."
        ]
    if len(found) == len(codes):
        return [f"every row has a {name} of its own: it cannot be told from the rest. Leave {name} out."]
    alike = [
        other
        for other, theirs in seen
        if len(set(zip(codes.tolist(), theirs.tolist(), strict=True))) == len(found) == len(np.unique(theirs))
    ]
    return [
        f"{other} and {name} always changed together: their spreads cannot be told apart. Leave one out."
        for other in alike
    ]


@dataclass(frozen=True, eq=False)
class Moments:
    """
    Sums over the inverse covariance that gradients, curvatures and degrees of freedom are made of.

    With V = I + sum of g_r G_r over the entries r of the relative covariances, H = Z'V^-1[Q y],
    W = Z'V^-1Z and G_r = Z E_r Z': `first[r]` is H'E_rH, `second[r, s]` is H'E_r W E_s H,
    `trace[r]` is tr(E_r W) and `traces[r, s]` is tr(E_r W E_s W).
    """

    first: np.ndarray
    second: np.ndarray
    trace: np.ndarray
    traces: np.ndarray


class Reduced:
    """
    Rows reduced to Z'Z and Z'[Q y], Q an orthonormal basis of the model matrix, y what it leaves.

    Parameters
    ----------
    q : ndarray, shape (rows, columns)
    y : ndarray, shape (rows,)
        Orthogonal to `q`.
    terms, z
        As `design` gives.
    """

    def __init__(self, q: np.ndarray, y: np.ndarray, terms: tuple[Term, ...], z: Any) -> None:
        both = np.column_stack([q, y])
        self.rows, self.terms = len(y), terms
        self.cross = np.asarray(z.T @ both)
        self.square = np.diag(np.r_[np.ones(q.shape[1]), y @ y])
        self.inner = (z.T @ z).tocsc()
        self.dense = self.inner.toarray() if self.inner.shape[0] <= _DENSE else None

    @cached_property
    def entries(self) -> list[tuple[Term, int, int]]:
        """Term, row and column of each entry of the relative factors and covariances."""
        return [(t, a, b) for t in self.terms for a, b in t.pairs]

    def factors(self, theta: np.ndarray) -> list[np.ndarray]:
        """Return each term's relative factor, lower triangular."""
        out, at = [], 0
        for t in self.terms:
            factor = np.zeros((t.width, t.width))
            for value, (a, b) in zip(theta[at:], t.pairs, strict=False):
                factor[a, b] = value
            out.append(factor)
            at += len(t.pairs)
        return out

    def at(self, theta: np.ndarray) -> Whitened:
        """Return the reduction with the covariance that `theta` says."""
        factors = self.factors(theta)
        if self.dense is not None:
            return Whitened(self, factors, *_plain(self.dense, self._times, factors))
        return Whitened(self, factors, *_sparse(self.inner, self.terms, factors))

    def _times(self, factors: list[np.ndarray], matrix: np.ndarray) -> np.ndarray:
        """Return L' @ matrix."""
        return self.times([f.T for f in factors], matrix)

    def times(self, factors: list[np.ndarray], matrix: np.ndarray) -> np.ndarray:
        """Return the block-diagonal matrix of `factors` times a matrix."""
        out = np.empty_like(matrix)
        for t, f in zip(self.terms, factors, strict=True):
            part = matrix[t.start : t.stop]
            if t.width == 1:
                out[t.start : t.stop] = f[0, 0] * part
            else:
                blocks = part.reshape(len(t.labels), t.width, -1)
                out[t.start : t.stop] = np.matmul(f, blocks).reshape(part.shape)
        return out


_Solver = Callable[[np.ndarray], np.ndarray]


def _plain(
    inner: np.ndarray, times: Callable[..., np.ndarray], factors: list[np.ndarray]
) -> tuple[_Solver, float]:
    from scipy import linalg

    if not factors:
        return lambda b: b, 0.0
    half = times(factors, inner)
    m = times(factors, np.ascontiguousarray(half.T))
    m[np.diag_indices_from(m)] += 1.0
    root = linalg.cho_factor(m, lower=True, overwrite_a=True, check_finite=False)
    log_det = 2 * float(np.log(np.diagonal(root[0])).sum())
    return lambda b: linalg.cho_solve(root, b, check_finite=False), log_det


def _sparse(inner: Any, terms: tuple[Term, ...], factors: list[np.ndarray]) -> tuple[_Solver, float]:
    from scipy import sparse
    from scipy.sparse.linalg import splu

    factor = sparse.block_diag(
        [sparse.kron(sparse.eye_array(len(t.labels)), f) for t, f in zip(terms, factors, strict=True)],
        format="csc",
    )
    m = (factor.T @ inner @ factor + sparse.eye_array(inner.shape[0])).tocsc()
    # Positive definite, so the diagonal may always be the pivot; the order is `design`'s.
    found = splu(m, permc_spec="NATURAL", diag_pivot_thresh=0.0, options={"SymmetricMode": True})
    return found.solve, float(np.log(np.abs(found.U.diagonal())).sum())


class Whitened:
    """
    What is left of the rows once the covariance V of some relative factors is taken out.

    Attributes
    ----------
    log_det : float
        ln |V|.
    sums : ndarray, shape (columns + 1, columns + 1)
        [Q y]' V^-1 [Q y].
    """

    def __init__(self, data: Reduced, factors: list[np.ndarray], solve: _Solver, log_det: float) -> None:
        self.data, self.factors, self.log_det, self._solve = data, factors, log_det, solve
        self._transposed = [f.T for f in factors]
        right = data.times(self._transposed, data.cross)
        self._solved = solve(right)
        self.sums = data.square - right.T @ self._solved

    def inverse_times(self, matrix: np.ndarray) -> np.ndarray:
        """Return W @ matrix, W = Z'V^-1Z."""
        return self._less(self._inner @ matrix)

    @property
    def _inner(self) -> Any:
        return self.data.inner if self.data.dense is None else self.data.dense

    def _less(self, product: np.ndarray) -> np.ndarray:
        """Return the Z'V^-1 B of a Z'B."""
        solved = self._solve(self.data.times(self._transposed, product))
        return product - self._inner @ self.data.times(self.factors, solved)

    def effects(self, v: np.ndarray) -> np.ndarray:
        """Return the best linear prediction of the random effects for residuals [Q y] @ v."""
        return self.data.times(self.factors, (self._solved @ v)[:, None])[:, 0]

    @cached_property
    def moments(self) -> Moments:
        """See `Moments`; computed when first asked for."""
        data, entries = self.data, self.data.entries
        h = data.cross - self._inner @ data.times(self.factors, self._solved)
        eh = np.zeros((len(entries), *h.shape))
        for part, (t, a, b) in zip(eh, entries, strict=True):
            part[t.columns(a)] = h[t.columns(b)]
            if a != b:
                part[t.columns(b)] = h[t.columns(a)]
        weh = np.reshape([self.inverse_times(part) for part in eh], eh.shape)
        trace, traces = self._traces()
        return Moments(np.einsum("ij,rik->rjk", h, eh), np.einsum("rij,sik->rsjk", eh, weh), trace, traces)

    def _traces(self) -> tuple[np.ndarray, np.ndarray]:
        """Return tr(E_r W) and tr(E_r W E_s W), some columns of W at a time."""
        entries = self.data.entries
        trace, traces = np.zeros(len(entries)), np.zeros((len(entries), len(entries)))
        for t in self.data.terms:
            step = max(_CHUNK // t.width, 1) if self.data.dense is None else len(t.labels)
            for first in range(0, len(t.labels), step):
                last = min(first + step, len(t.labels))
                block = self._columns(t.start + first * t.width, t.start + last * t.width)
                for s, (ts, c, d) in enumerate(entries):
                    if ts is not t:
                        continue
                    wc, wd = block[:, c :: t.width], block[:, d :: t.width]
                    own = np.arange(t.start + first * t.width, t.start + last * t.width, t.width)
                    trace[s] += (1 if c == d else 2) * wd[own + c, np.arange(last - first)].sum()
                    for r, (tr, a, b) in enumerate(entries):
                        both = (wc[tr.columns(b)] * wd[tr.columns(a)]).sum()
                        if a != b or c != d:
                            both = both + (wc[tr.columns(a)] * wd[tr.columns(b)]).sum()
                            both = both * (2 if a != b and c != d else 1)
                        traces[r, s] += both
        return trace, traces

    def _columns(self, first: int, last: int) -> np.ndarray:
        """Return some columns of W."""
        inner = self._inner[:, first:last]
        return self._less(inner if isinstance(inner, np.ndarray) else inner.toarray())
