"""Coordinate exchange: trials whose settings tell most about a linear model.

Pure linear algebra on rows of numbers: it knows no study, no panel and no sheet. The
caller says which values a factor may take, which rows change together, which rows are
given, and what the model matrix of some rows is; it gets back the rows that make the
determinant of the information matrix large (D-optimality), or the mean variance of
predictions small (I-optimality). What the model is stands in `plan_criterion.py`.

References
----------
Meyer, R. K. and Nachtsheim, C. J. (1995). The coordinate-exchange algorithm for
constructing exact optimal experimental designs. Technometrics 37, 60-69.
Atkinson, A. C., Donev, A. N. and Tobias, R. D. (2007). Optimum Experimental Designs, with
SAS. Oxford, ch. 10 (criteria; from memory).
Jones, B. and Goos, P. (2007). A candidate-set-free algorithm for generating D-optimal
split-plot designs. Applied Statistics 56, 347-364 (rows that change together).
"""

from __future__ import annotations

import itertools
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np

#: Measures nearer than this share count as equal; without it rounding would choose, or go on for ever.
_EQUAL = 1e-9
_MOST_SWEEPS = 50


@dataclass(frozen=True, eq=False)
class Problem:
    """
    What is to be planned, in numbers.

    Attributes
    ----------
    levels : sequence of ndarray
        For each factor the values it may take.
    units : sequence of ndarray, each of shape (rows,)
        For each factor the unit a row belongs to: rows of one unit always share the value.
    given : ndarray, shape (rows, factors)
        Values of the rows that are fixed; only rows where `fixed` are read. A unit that
        holds a fixed row takes its value; NaN in it means that it has none to share.
    fixed : ndarray of bool, shape (rows,)
    weight : ndarray, shape (rows x readings, rows x readings)
        Inverse of the covariance of the readings' errors, up to a factor.
    prior : ndarray, shape (columns, columns)
        Information about the coefficients before these rows. Positive definite: an
        unknown coefficient gets a small number, not zero.
    matrix : callable
        Gives the model matrix, constant included, of values of shape (rows, factors): a line
        for each reading, those of one row together.
    allowed : callable
        Gives for each row of values whether it may be run.
    starts : ndarray, shape (any, factors)
        Rows that may be run, to start from; NaN where every level does. Each given row is
        among them, so that rows sharing its values can be found.
    readings : int
        How many readings each row gives.
    moments : ndarray, shape (columns, columns), optional
        Mean of f f' over what is to be predicted, f its row of the model matrix. Given, the
        rows are to make the mean variance of those predictions small; left out, to make the
        determinant large.
    """

    levels: Sequence[np.ndarray]
    units: Sequence[np.ndarray]
    given: np.ndarray
    fixed: np.ndarray
    weight: np.ndarray
    prior: np.ndarray
    matrix: Callable[[np.ndarray], np.ndarray]
    allowed: Callable[[np.ndarray], np.ndarray]
    starts: np.ndarray
    readings: int = 1
    moments: np.ndarray | None = None

    def information(self, x: np.ndarray) -> np.ndarray:
        """Return the information matrix of rows with model matrix `x`, the prior included."""
        return self.prior + x.T @ self.weight @ x

    def score(self, x: np.ndarray) -> float:
        """Return what is made large: ln of the determinant, or minus ln of the mean variance."""
        information = self.information(x)
        if self.moments is None:
            return float(np.linalg.slogdet(information)[1])
        return -float(np.log(np.vdot(np.linalg.inv(information), self.moments)))

    def foretold(self, spread: np.ndarray) -> tuple[float, np.ndarray] | None:
        """Return the mean variance of predictions under an inverse information S, and S moments S; None without moments."""
        if self.moments is None:
            return None
        return float(np.vdot(spread, self.moments)), spread @ self.moments @ spread


def free(levels: Sequence[np.ndarray], rows: int, matrix: Callable[[np.ndarray], np.ndarray]) -> Problem:
    """
    Return the plainest problem: every row on its own, none given, nothing ruled out.

    Examples
    --------
    Four runs of two factors at two levels, main effects: the four corners, whose
    determinant is 4 x 4 x 4.

    >>> two = np.array([-1.0, 1.0])
    >>> problem = free([two, two], 4, lambda v: np.column_stack([np.ones(len(v)), v]))
    >>> values, log_det = exchange(problem, starts=5, rng=np.random.default_rng(1))
    >>> round(float(np.exp(log_det)), 4)
    64.0
    """
    columns = matrix(np.array([[choices[0] for choices in levels]])).shape[1]
    return Problem(
        levels=levels,
        units=[np.arange(rows)] * len(levels),
        given=np.zeros((rows, len(levels))),
        fixed=np.zeros(rows, bool),
        weight=np.eye(rows),
        prior=1e-9 * np.eye(columns),
        matrix=matrix,
        allowed=lambda values: np.ones(len(values), bool),
        starts=np.array(list(itertools.product(*levels))),
    )


def exchange(
    problem: Problem, *, starts: int, rng: np.random.Generator, told: Callable[[int], None] = lambda k: None
) -> tuple[np.ndarray, float]:
    """
    Search for the rows with the largest score.

    Parameters
    ----------
    problem : Problem
    starts : int
        Random starts; the best end of all is kept.
    rng : Generator
    told : callable, optional
        Told the number of each start as it begins.

    Returns
    -------
    values : ndarray, shape (rows, factors)
        Given rows where `fixed`.
    score : float
        As `Problem.score`: by default the natural logarithm of the determinant of prior plus rows.

    Notes
    -----
    One value at a time is changed to the best of its levels, sweep after sweep, until no
    change helps. That finds a local optimum; random starts are the cure, not a proof.
    """
    best, most = np.empty(0), -np.inf
    for start in range(starts):
        told(start + 1)
        values, score = _climb(problem, _draw(problem, rng))
        # A later start must be better by more than rounding, so that all machines choose alike.
        if score > most + 1e-7:
            best, most = values, score
    return best, most


def covered(
    problem: Problem,
    values: np.ndarray,
    missing: Callable[[np.ndarray], Sequence[tuple[int, float]]],
) -> np.ndarray:
    """
    Return the rows with what is missing from them put in where it costs least, and the others improved about it.

    Parameters
    ----------
    problem : Problem
    values : ndarray, shape (rows, factors)
        As `exchange` returned them.
    missing : callable
        Gives the values (factor, level) that rows have to hold and do not.

    Returns
    -------
    ndarray, shape (rows, factors)
        Something may still be missing where there are too few free rows.

    Examples
    --------
    Two runs tell a slope best at the ends, and are to hold the middle as well:

    >>> line = free([np.array([-1.0, 0, 1])], 3, lambda v: np.column_stack([np.ones(len(v)), v]))
    >>> values, _ = exchange(line, starts=3, rng=np.random.default_rng(1))
    >>> middle = covered(line, values, lambda v: [] if (v == 0).any() else [(0, 0.0)])
    >>> sorted(middle[:, 0].tolist())
    [-1.0, 0.0, 1.0]
    """
    for _ in range(len(values)):
        lacking = missing(values)
        tries = []
        for j, level in lacking:
            for group in _units_of(problem, j):
                changed = values.copy()
                changed[group, j] = level
                if problem.allowed(changed[group]).all() and len(missing(changed)) < len(lacking):
                    tries.append((problem.score(problem.matrix(changed)), group, changed))
        if not tries:
            break
        _, group, values = max(tries, key=lambda t: round(t[0], 9))
        fixed = problem.fixed.copy()
        fixed[group] = True
        problem = replace(problem, fixed=fixed, given=np.where(fixed[:, None], values, problem.given))
        values, _ = _climb(problem, values)
    return values


def _units_of(problem: Problem, j: int) -> list[np.ndarray]:
    """Return the free rows of each unit of factor `j` that is not settled by a given row."""
    unit = problem.units[j]
    settled = unit[problem.fixed & ~np.isnan(problem.given[:, j])]
    free_rows = np.flatnonzero(~problem.fixed & ~np.isin(unit, settled))
    return [free_rows[unit[free_rows] == u] for u in np.unique(unit[free_rows])]


def _draw(problem: Problem, rng: np.random.Generator) -> np.ndarray:
    """
    Draw rows at random that may be run and share what must be shared.

    Row by row, a start that agrees with what is settled is taken, and settles its units. One
    always agrees: the one taken by the row that settled them.
    """
    values = np.where(problem.fixed[:, None], problem.given, np.nan)
    free_rows = np.flatnonzero(~problem.fixed)
    for row in [*np.flatnonzero(problem.fixed), *rng.permutation(free_rows)]:
        known = ~np.isnan(values[row])
        if not problem.fixed[row] and not known.all():
            starts = problem.starts[:, known]
            agree = np.flatnonzero(((starts == values[row, known]) | np.isnan(starts)).all(axis=1))
            start = problem.starts[rng.choice(agree)]
            drawn = [rng.choice(levels) for levels in problem.levels]
            values[row, ~known] = np.where(np.isnan(start), drawn, start)[~known]
        for j in np.flatnonzero(~np.isnan(values[row])).tolist():
            mates = free_rows[problem.units[j][free_rows] == problem.units[j][row]]
            values[mates, j] = values[row, j]
    return values


def _climb(problem: Problem, values: np.ndarray) -> tuple[np.ndarray, float]:
    """Change one value at a time for the better until none is left."""
    (rows, factors), m = values.shape, problem.readings
    x = problem.matrix(values)
    groups = [_units_of(problem, j) for j in range(factors)]
    for _ in range(_MOST_SWEEPS):
        changed = False
        for j in range(factors):
            levels = problem.levels[j]
            # What every row would be at every level: other factors do not move in this sweep over j.
            tries = np.repeat(values[:, None, :], len(levels), axis=1)
            tries[:, :, j] = levels
            flat = tries.reshape(-1, factors)
            candidates = problem.matrix(flat).reshape(rows, len(levels), m, -1)
            allowed = problem.allowed(flat).reshape(rows, len(levels))
            # Inverted anew here, updated in between: rounding has no time to grow.
            spread = np.linalg.inv(problem.information(x))
            foretold = problem.foretold(spread)
            for group in groups[j]:
                # The readings of these rows, and what they would be at every level.
                read = (m * group[:, None] + np.arange(m)).ravel()
                would = np.swapaxes(candidates[group], 0, 1).reshape(len(levels), len(read), -1)
                change = _Change(problem.weight, x, spread, read, would, foretold)
                gain = np.where(allowed[group].all(axis=0), change.gains(), 0)
                # The first of those equally good: rounding must not choose, or machines would differ.
                pick = int(np.argmax(gain >= gain.max() * (1 - _EQUAL)))
                if gain[pick] > 1 + 10 * _EQUAL:
                    spread = change.spread_after(pick)
                    foretold = problem.foretold(spread)
                    values[group, j] = levels[pick]
                    x[read] = would[pick]
                    changed = True
        if not changed:
            break
    return values, problem.score(x)


class _Change:
    """
    The rows of one group becoming one candidate or another.

    With d the change of the rows, U their share x'W of the weight and w their own weight,
    the information changes by d'U' + U d + d'w d = [d' U] [[w, I], [I, 0]] [d; U'], a change
    of low rank: determinant, mean variance and inverse follow from matrices of twice the
    group's size.
    """

    def __init__(
        self,
        weight: np.ndarray,
        x: np.ndarray,
        spread: np.ndarray,
        group: np.ndarray,
        candidates: np.ndarray,
        foretold: tuple[float, np.ndarray] | None = None,
    ) -> None:
        self.spread, self.foretold = spread, foretold
        self.d = candidates - x[group]  # (levels, group, columns)
        self.u = x.T @ weight[:, group]
        self.w = weight[np.ix_(group, group)]
        self.kept = np.eye(2 * len(group)) + self._through(spread)

    def gains(self) -> np.ndarray:
        """Return by what factor each candidate makes the determinant grow, or the mean variance shrink."""
        grown = np.linalg.det(self.kept)
        if self.foretold is None:
            return grown
        before, weighted = self.foretold
        # A candidate that leaves nothing known of some effect foretells nothing.
        some = grown > _EQUAL
        gains = np.zeros(len(grown))
        lost = np.linalg.solve(self.kept[some], self._through(weighted)[some])
        after = before - np.trace(lost, axis1=1, axis2=2)
        gains[some] = before / np.maximum(after, _EQUAL * before)
        return gains

    def spread_after(self, pick: int) -> np.ndarray:
        """Return the inverse information once a candidate is taken (Woodbury's identity)."""
        m = len(self.w)
        both = np.hstack([self.d[pick].T, self.u])
        middle = np.block([[self.w, np.eye(m)], [np.eye(m), np.zeros((m, m))]])
        reach = self.spread @ both
        return self.spread - reach @ np.linalg.solve(self.kept[pick], middle @ reach.T)

    def _through(self, s: np.ndarray) -> np.ndarray:
        """Return [[w, I], [I, 0]] [d; U'] s [d' U] of every candidate."""
        du = self.d @ (s @ self.u)
        dd = self.d @ s @ np.swapaxes(self.d, 1, 2)
        upper = np.concatenate(
            [self.w @ dd + np.swapaxes(du, 1, 2), self.w @ du + self.u.T @ s @ self.u], axis=2
        )
        return np.concatenate([upper, np.concatenate([dd, du], axis=2)], axis=1)
