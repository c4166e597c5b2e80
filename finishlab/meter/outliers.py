"""
Readings that stand apart: named tests, and what to call what they flag. Nothing is left out here.

statsmodels' test of outliers is Bonferroni's for single residuals, pingouin's a rule of medians; neither has the tests
of the standards for readings, variances and means of patches (generalised extreme studentized deviate, Cochran).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from finishlab.meter.reading_arrays import Taken
from finishlab.words.show import listed

if TYPE_CHECKING:
    import pandas as pd


@dataclass(frozen=True)
class Flag:
    """
    One value that a test flags.

    Attributes
    ----------
    at : int
        Position of the value.
    statistic, critical : float
        The test's figure, and what it would rarely exceed.
    """

    at: int
    statistic: float
    critical: float


def cochran_critical(groups: int, df: float, level: float) -> float:
    """
    Return the critical value of Cochran's test: largest variance over the sum of all.

    Parameters
    ----------
    groups : int
    df : float
        Degrees of freedom of each variance.
    level : float
        Probability of more than this when all variances are truly equal.

    References
    ----------
    Cochran, W. G. (1941), Annals of Eugenics 11, 47-52; as in ISO 5725-2, which tables it.

    Examples
    --------
    >>> round(cochran_critical(10, 1, 0.05), 3), round(cochran_critical(8, 2, 0.01), 3)
    (0.602, 0.615)
    """
    from scipy.stats import f

    return float(1 / (1 + (groups - 1) / f.isf(level / groups, df, (groups - 1) * df)))


def cochran(variances: np.ndarray, df: np.ndarray, *, level: float) -> Flag | None:
    """
    Return the set whose own spread is too large beside the others, if there is one.

    Parameters
    ----------
    variances : ndarray, shape (sets,)
    df : ndarray, shape (sets,)
        Their degrees of freedom; for sets of unequal size the usual size is taken, as
        ISO 5725-2 does.
    level : float

    Examples
    --------
    >>> cochran(np.array([0.1, 0.1, 0.1, 4.0]), np.full(4, 2), level=0.01).at
    3
    >>> cochran(np.array([0.1, 0.1, 0.1, 0.2]), np.full(4, 2), level=0.01) is None
    True
    """
    if len(variances) < 2 or variances.sum() <= 0:
        return None
    sizes, counts = np.unique(df, return_counts=True)
    usual = float(sizes[counts.argmax()])
    worst = int(variances.argmax())
    statistic = float(variances[worst] / variances.sum())
    critical = cochran_critical(len(variances), usual, level)
    return Flag(worst, statistic, critical) if statistic > critical else None


def extreme_critical(count: int, df: float, level: float) -> float:
    """
    Return the critical value of the largest studentized residual among `count`.

    Parameters
    ----------
    count : int
        Values looked at.
    df : float
        Degrees of freedom of the spread they are measured in.
    level : float

    References
    ----------
    Rosner, B. (1983), Technometrics 25, 165-172, and NIST/SEMATECH e-Handbook of Statistical
    Methods, 1.3.5.17.3, for one sample (there df is one less than `count`, and the residual
    is not divided by the root of 1 - 1/count); Lund, R. E. (1975), Technometrics 17, 473-476,
    for residuals of a linear model (from memory).

    Examples
    --------
    Rosner's 54 values: 3.159 for the residual that is not so divided.

    >>> round(extreme_critical(54, 53, 0.05) * (53 / 54) ** 0.5, 3)
    3.159
    """
    from scipy.special import stdtrit

    t = float(stdtrit(df - 1, 1 - level / (2 * count)))
    return math.sqrt(df * t * t / (df - 1 + t * t))


def extreme_values(
    values: np.ndarray, labels: Sequence[np.ndarray] = (), *, most: int, level: float
) -> list[Flag]:
    """
    Return the values that stand apart from the rest, by the generalised extreme studentized deviate.

    Parameters
    ----------
    values : ndarray, shape (values,)
    labels : sequence of ndarray of int, optional
        Groupings whose means, added up, are what the values are expected to be; all are one
        sample without.
    most : int
        How many may stand apart at most.
    level : float
        Probability of flagging any when none stands apart.

    Returns
    -------
    list of Flag
        The most extreme first; up to the last step at which the statistic exceeds its
        critical value, so that two that hide each other are both found.

    Examples
    --------
    >>> steady = np.array([0.1, -0.2, 0.0, 0.2, -0.1, 0.1, 0.0, -0.1])
    >>> [flag.at for flag in extreme_values(np.append(steady, [9.0, 9.1]), most=3, level=0.05)]
    [9, 8]
    >>> extreme_values(steady, most=3, level=0.05)
    []
    """
    left = np.arange(len(values))
    tiny = 1e-9 * max(1.0, float(np.abs(values).max(initial=0.0)))
    steps: list[Flag] = []
    for _ in range(most):
        far, free, df = _residuals(values[left], [g[left] for g in labels])
        if df < 3:
            break
        spread = math.sqrt(float(far @ far) / df)
        if spread <= tiny:
            break
        seen = free > 1e-9  # a value that alone tells its own mean cannot stand apart
        size = np.where(seen, np.abs(far) / np.sqrt(np.where(seen, free, 1.0)), 0.0) / spread
        worst = int(size.argmax())
        steps.append(Flag(int(left[worst]), float(size[worst]), extreme_critical(int(seen.sum()), df, level)))
        left = np.delete(left, worst)
    found = [i for i, s in enumerate(steps) if s.statistic > s.critical]
    return steps[: found[-1] + 1] if found else []


def _residuals(values: np.ndarray, labels: list[np.ndarray]) -> tuple[np.ndarray, np.ndarray, int]:
    """Return residuals about added-up group means, what each has of its own spread, and their df."""
    if len(labels) < 2:
        group = np.unique(labels[0], return_inverse=True)[1] if labels else np.zeros(len(values), int)
        count = np.bincount(group)
        mean = np.bincount(group, values) / count
        return values - mean[group], 1 - 1 / count[group], len(values) - len(count)
    from scipy.linalg import qr

    columns = np.concatenate([g == np.unique(g)[:, None] for g in labels]).T.astype(float)
    q, r, _ = qr(columns, mode="economic", pivoting=True)
    q = q[:, np.abs(np.diag(r)) > 1e-9 * abs(r[0, 0])]
    return values - q @ (q.T @ values), 1 - (q**2).sum(axis=1), len(values) - q.shape[1]


#: Levels of ISO 5725-2: above 5 % a straggler, above 1 % an outlier.
STRAGGLER, OUTLIER = 0.05, 0.01
#: At most one reading in ten may stand apart: more is no longer a slip here and there.
_MOST = 0.1
_COLUMNS = ["what", "patch", "technician", "value", "at", "test", "statistic", "critical", "outlier"]
EXTREME, COCHRAN = "generalised extreme studentized deviate", "Cochran's test"


def flagged_readings(taken: Taken) -> pd.DataFrame:
    """
    Return what stands apart.

    Returns
    -------
    DataFrame
        ``what`` in words, ``patch``, ``technician``, ``value`` (of the reading or the set's mean),
        ``at`` (positions of the readings), ``test``, ``statistic``, ``critical``, ``outlier``.
    """
    rows: list[dict[str, Any]] = []
    sets = _sets(taken)
    left = np.ones(len(taken.value), bool)

    def add(test: str, at: np.ndarray, flag: Flag, outlier: bool, what: str) -> None:
        who = _who(taken, at[0])
        rows.append(
            {
                "what": what,
                "patch": taken.part.names[taken.part.of[at[0]]],
                "technician": who,
                "value": float(taken.value[at].mean()),
                "at": tuple(at.tolist()),
                "test": test,
                "statistic": flag.statistic,
                "critical": flag.critical,
                "outlier": outlier,
            }
        )
        if outlier:
            left[at] = False

    for i, flag, outlier in _single(taken, sets):
        add(
            EXTREME,
            np.array([i]),
            flag,
            outlier,
            f"Reading {taken.value[i]:g} in {taken.row[i]} ({_place(taken, i)})",
        )
    for at, flag, outlier in _scatter(taken, sets, left):
        add(COCHRAN, at, flag, outlier, f"The scatter of {_of_set(taken, at)}")
    for at, flag, outlier in _means(taken, sets, left):
        add(EXTREME, at, flag, outlier, f"The mean of {_of_set(taken, at)}")
    return _table(rows)


def nothing_flagged() -> pd.DataFrame:
    """Return the table of what stands apart, empty."""
    return _table([])


def _table(rows: list[dict[str, Any]]) -> pd.DataFrame:
    import pandas as pd

    return pd.DataFrame(rows, columns=_COLUMNS).astype({"outlier": bool})


def _single(taken: Taken, sets: np.ndarray) -> list[tuple[int, Flag, bool]]:
    """Return single readings apart from their set; in a set of two nobody knows which it is."""
    at = np.flatnonzero(np.bincount(sets)[sets] >= 3)
    most = int(np.ceil(_MOST * len(at)))
    return [(int(at[f.at]), f, o) for f, o in _at_both_levels(taken.value[at], [sets[at]], most)]


def _scatter(taken: Taken, sets: np.ndarray, left: np.ndarray) -> list[tuple[np.ndarray, Flag, bool]]:
    count = np.bincount(sets[left], minlength=sets.max() + 1)
    known = np.flatnonzero(count >= 2)
    if len(known) < 2:
        return []
    mean = np.bincount(sets[left], taken.value[left], minlength=len(count)) / np.maximum(count, 1)
    around = np.bincount(sets[left], (taken.value[left] - mean[sets[left]]) ** 2, minlength=len(count))
    df = count[known] - 1
    variances = around[known] / df
    found = cochran(variances, df, level=STRAGGLER)
    if found is None:
        return []
    outlier = cochran(variances, df, level=OUTLIER) is not None
    return [(np.flatnonzero((sets == known[found.at]) & left), found, outlier)]


def _means(taken: Taken, sets: np.ndarray, left: np.ndarray) -> list[tuple[np.ndarray, Flag, bool]]:
    """Return sets whose mean fits neither their patch nor their technician, where both are crossed."""
    if taken.technician is None or len(taken.technician) < 2 or len(taken.part) < 3:
        return []
    there, first, cell = np.unique(sets[left], return_index=True, return_inverse=True)
    mean = np.bincount(cell, taken.value[left]) / np.bincount(cell)
    at = np.flatnonzero(left)[first]
    # Along and across are compared elsewhere: what a patch does by direction is not a slip.
    labels = [taken.part.within(taken.direction)[at], taken.technician.of[at]]
    found = []
    for flag, outlier in _at_both_levels(mean, labels, int(np.ceil(_MOST * len(there)))):
        mine = left & (sets == there[flag.at])
        if len(taken.technician) == 2:  # of two that disagree, nobody knows which is right
            mine = left & (taken.part.within(taken.direction) == labels[0][flag.at])
        found.append((np.flatnonzero(mine), flag, outlier))
    return found


def _at_both_levels(values: np.ndarray, labels: list[np.ndarray], most: int) -> list[tuple[Flag, bool]]:
    flags = extreme_values(values, labels, most=most, level=STRAGGLER)
    outliers = {f.at for f in extreme_values(values, labels, most=most, level=OUTLIER)}
    return [(f, f.at in outliers) for f in flags]


def _sets(taken: Taken) -> np.ndarray:
    """Return which readings are repeats of each other: same patch, technician and direction."""
    parts = [g.of for g in (taken.part, taken.technician, taken.direction) if g is not None]
    return np.unique(np.stack(parts), axis=1, return_inverse=True)[1].reshape(-1)


def _who(taken: Taken, i: int) -> str | None:
    return None if taken.technician is None else taken.technician.names[taken.technician.of[i]]


def _place(taken: Taken, i: int) -> str:
    words = [f"patch {taken.part.names[taken.part.of[i]]}"]
    if (who := _who(taken, i)) is not None:
        words.append(f"technician {who}")
    if taken.direction is not None:
        words.append(taken.direction.names[taken.direction.of[i]])
    return ", ".join(words)


def _of_set(taken: Taken, at: np.ndarray) -> str:
    rows = [taken.row[i].removeprefix("row ") for i in at]
    several = taken.technician is not None and len({int(taken.technician.of[i]) for i in at}) > 1
    place = (
        f"patch {taken.part.names[taken.part.of[at[0]]]}, both technicians"
        if several
        else _place(taken, at[0])
    )
    return f"{place} (rows {listed(rows)})"
