"""Which settings the trials worked: levels never tried, factors that moved together.

What a model says of these is a guess, and these sentences say so before anybody relies on
it. Nothing is fitted here, and no reading is looked at.
"""

from __future__ import annotations

import itertools
from typing import TYPE_CHECKING

import numpy as np

from finishlab import _show

if TYPE_CHECKING:
    from finishlab.study import Study

#: Share of one factor's variation that another accounts for, from which they moved together
#: (common practice, no source).
_TOGETHER = 0.95


def worked_cautions(study: Study, values: np.ndarray) -> tuple[str, ...]:
    """
    Say what the trials cannot tell of the study's settings.

    Parameters
    ----------
    study : Study
    values : ndarray, shape (trials, factors)
        Processes of the done trials, as `Basis.values`.

    Returns
    -------
    tuple of str

    Examples
    --------
    >>> from finishlab.study import Study
    >>> study = Study.from_toml('''
    ... title = "Doors"
    ... pass_means = "one direction"
    ... [[step]]
    ... name = "cut"
    ... pad = ["wool", "foam"]
    ... passes = { lowest = 1, highest = 4 }
    ... [goal]
    ... gloss_20 = { at_least = 82 }
    ... assurance = 0.9
    ... ''')
    >>> wool, foam = np.array([[0.0, 1], [0, 4], [0, 2], [0, 3]]), np.array([[1.0, 1], [1, 4], [1, 3]])
    >>> worked_cautions(study, wool)
    ("Cut pad was 'wool' in every trial: what is said of 'foam' is a general guess. Add trials with it before relying on a process that uses it, or take it out of the study file.",)
    >>> worked_cautions(study, np.vstack([wool, foam]))
    ()
    """
    basis = study.basis
    found = []
    for j, factor in enumerate(basis.factors):
        v = values[:, j]
        tried = np.unique(v[~np.isnan(v)])
        if factor.numeric:
            amount = factor is study.step(factor.step).amount
            some = tried[tried > 0] if amount else tried
            if len(some) == 1 and len(tried) == 2:
                found.append(
                    f"{_show.begun(factor.label())} were none or {_show.plain_number(float(some[0]))} in the trials: nothing says what "
                    "another number does. Add trials that differ in it, or hold it in the study file."
                )
            elif len(some) < 2:
                found.append(
                    f"{_show.begun(factor.label())} never varied in the trials: nothing says what another value does. "
                    "Add trials that differ in it, or hold it in the study file."
                )
            continue
        missing = [level for i, level in enumerate(factor.levels) if i not in tried]
        if not missing or (factor.kind != "choice" and len(tried) > 1):  # between tried grades lies no guess
            continue
        names = _show.listed(f"'{m}'" for m in missing)
        only = len(tried) == 1
        begin = (
            f"{_show.begun(factor.label())} was '{factor.levels[int(tried[0])]}' in every trial"
            if only
            else f"No trial used {factor.label()} {names}"
        )
        them, uses = ("it", "that uses it") if len(missing) == 1 else ("them", "that uses one of them")
        found.append(
            f"{begin}: what is said of {names if only else them} is a general guess. Add trials with {them} before "
            f"relying on a process {uses}, or take {them} out of the study file."
        )
    found += _moved_together(study, values)
    columns, _ = basis.columns(values, pairs=False)
    if len(values) <= columns.shape[1]:
        found.append(
            f"{_show.counted(len(values), 'trial')} for {columns.shape[1]} effects of the settings: much of what is said "
            "rests on a general guess. Work more trials, or study fewer settings."
        )
    return tuple(found)


def _moved_together(study: Study, values: np.ndarray) -> list[str]:
    """Say of which factors one always changed with another."""
    basis = study.basis
    coded = dict(zip(basis.names, basis.coded(values), strict=True))
    found = []
    for (i, a), (j, b) in itertools.combinations(enumerate(basis.factors), 2):
        both = ~np.isnan(values[:, i]) & ~np.isnan(values[:, j])
        x, y = coded[a.factor][both], coded[b.factor][both]
        if len(x) and max(_accounted(x, y), _accounted(y, x)) >= _TOGETHER:
            found.append(
                f"{_show.begun(a.label())} and {b.label()} moved together in the trials: what one does cannot be told from what "
                "the other does. Add trials that change one without the other."
            )
    return found


def _accounted(x: np.ndarray, y: np.ndarray) -> float:
    """Return the share of the variation of `y` that is a linear function of `x`; 0 where either is still."""
    x, y = x - x.mean(axis=0), y - y.mean(axis=0)
    total = float((y**2).sum())
    if total < 1e-12 or float((x**2).sum()) < 1e-12 or len(x) <= x.shape[1] + 1:
        return 0.0
    left = y - x @ np.linalg.lstsq(x, y, rcond=None)[0]
    return 1 - float((left**2).sum()) / total
