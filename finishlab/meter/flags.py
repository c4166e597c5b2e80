"""Which readings of a meter study stand apart, and what to call them.

Single readings first, then sets of repeats that scatter, then the means of sets: what one test
has named does not trouble the next. Nothing is dropped here.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from finishlab.meter.outliers import Flag, cochran, extreme_values
from finishlab.meter.reading_arrays import Taken
from finishlab.words.show import listed

if TYPE_CHECKING:
    import pandas as pd

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
