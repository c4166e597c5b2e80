"""Which settings the trials worked: the range that answers keep to, levels never worked, factors that moved together.

A process is recommended, compared or advised only within `Worked`; what lies beyond is named with
what would have to be tried. Nothing is fitted here, and no reading is looked at.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING, Any

import numpy as np

from finishlab.model.readings import burned_through
from finishlab.study import AMOUNTS
from finishlab.study.file_mistakes import line_of
from finishlab.words import show

if TYPE_CHECKING:
    import pandas as pd

    from finishlab.study import Setting, Study

#: Share of one factor's variation that another accounts for, from which they moved together
#: (common practice, no source).
_TOGETHER = 0.95
#: Kinds of setting of which each level counts by itself: nothing lies between two of them.
_BY_LEVEL = ("choice", "ordered")
#: What has never-worked settings judged; DIR stands for the study folder.
PLAN_THEM = "finishlab plan DIR --trials 4 --panels 1"


@dataclass(frozen=True, eq=False)
class Worked:
    """
    The settings that the trials worked, and what lies between them.

    Numbers and grades of known grain size reach from the lowest to the highest worked; a step is left out
    only where some trial left it out; of settings in words each level counts by itself.

    Attributes
    ----------
    study : Study
    values : ndarray, shape (trials, factors)
        Processes of the done trials, as `Basis.values`; NaN also for what a burn-through left unworked.

    Examples
    --------
    >>> from finishlab.study import Study
    >>> study = Study.from_toml('''
    ... title = "Doors"
    ... pass_means = "one direction"
    ... [[step]]
    ... name = "cut"
    ... pad = ["wool", "foam"]
    ... passes = { lowest = 0, highest = 6 }
    ... [goal]
    ... gloss_20 = { at_least = 82 }
    ... assurance = 0.9
    ... ''')
    >>> worked = Worked(study, np.array([[0.0, 1], [0, 4], [0, 2]]))
    >>> worked.levels(study.settings["cut_passes"]), worked.levels(study.settings["cut_pad"])
    ((1, 2, 3, 4), ('wool',))
    >>> worked.covers(np.array([[0.0, 3], [0, 5], [1, 3], [np.nan, 0]])).tolist()
    [True, False, False, False]
    >>> worked.beyond
    ("cut pad 'foam'", 'cut passes 0 and 5 to 6')
    """

    study: Study
    values: np.ndarray

    @classmethod
    def of(cls, study: Study, done: pd.DataFrame) -> Worked:
        """Return what a table of done trials worked; after a burn-through nothing more was worked on its patch."""
        values = study.basis.values(done)
        order = [s.name for s in study.steps]
        for row in np.flatnonzero(burned_through(done)):
            step = done["burned_after_step"].iloc[row]
            later = order[order.index(step) + 1 :] if step in order else []
            values[row, [j for j, f in enumerate(study.factors) if f.step in later]] = np.nan
        return cls(study, values)

    def covers(self, values: np.ndarray) -> np.ndarray:
        """Return for each process, shape (rows, factors), whether all its settings were worked or lie between."""
        ok = np.ones(len(values), bool)
        for j, factor in enumerate(self.study.factors):
            ok &= self._within(factor, self.values[:, j], values[:, j])
        return ok

    @cached_property
    def untried(self) -> tuple[tuple[int, float], ...]:
        """The fewest levels (column of a factor, level as in `Basis.values`) whose work would leave nothing `beyond`."""
        out = []
        for j, factor in enumerate(self.study.factors):
            levels, covered = self.study.basis.levels[j], self._covered(factor)
            ends = (0, len(levels) - 1) if factor.kind not in _BY_LEVEL else range(len(levels))
            out += [(j, float(levels[k])) for k in ends if not covered[k]]
        return tuple(out)

    def levels(self, factor: Setting) -> tuple[Any, ...]:
        """Return the levels of the study that were worked or lie between, in order."""
        return tuple(v for v, ok in zip(factor.levels, self._covered(factor), strict=True) if ok)

    @cached_property
    def beyond(self) -> tuple[str, ...]:
        """What is in the study and was never worked, in words; one for each factor that has some."""
        return tuple(said for f in self.study.factors if (said := self._beyond(f)))

    def edges(self, row: np.ndarray) -> tuple[str, ...]:
        """Say where a process, shape (factors,), has a number at the end of what was worked, and what to type to look beyond."""
        said = []
        for factor, value in zip(self.study.factors, row, strict=True):
            if not factor.numeric or np.isnan(value) or (value == 0 and self._may_be_none(factor)):
                continue
            covered = self._covered(factor)
            k = int(np.argmin(np.abs(np.array(factor.levels, float) - value)))
            for side, next_ in (("most", k + 1), ("least", k - 1)):
                outside = not 0 <= next_ < len(covered)
                if not outside and covered[next_]:
                    continue
                what = f"The recipe has {factor.label()} at the {side} that was worked ({value:g}); a better process may lie beyond. "
                if not outside:
                    said.append(f"{what}The study has it already. To have it judged, type: {PLAN_THEM}.")
                    continue
                line = line_of(self.study.source, "step", self._index(factor), factor.name)
                at = (
                    f"line {line} of study.toml"
                    if line
                    else f"{factor.name} of step {factor.step} in study.toml"
                )
                said.append(
                    f"{what}To look there, change {at} to: {_widened(factor, side)}. Then type: {PLAN_THEM}."
                )
        return tuple(said)

    def _index(self, factor: Setting) -> int:
        return [s.name for s in self.study.steps].index(factor.step)

    def _within(self, factor: Setting, mine: np.ndarray, v: np.ndarray) -> np.ndarray:
        """Return which values of a factor were worked or lie between; NaN, of a left-out step, is for its amount to tell."""
        tried = mine[~np.isnan(mine)]
        ok = np.isnan(v)
        if factor.kind in _BY_LEVEL:
            return ok | np.isin(v, tried)
        if not len(tried):
            return ok
        between = (v >= tried.min() - 1e-9) & (v <= tried.max() + 1e-9)
        if factor.numeric and not (tried == 0).any():
            between &= ~(
                (v == 0) & self._may_be_none(factor)
            )  # never left out, so that is no end of the numbers
        return ok | between

    def _covered(self, factor: Setting) -> np.ndarray:
        column = self.study.basis.column(factor.factor)
        return self._within(factor, self.values[:, column], self.study.basis.levels[column])

    def _may_be_none(self, factor: Setting) -> bool:
        return factor is self.study.step(factor.step).amount

    def _beyond(self, factor: Setting) -> str:
        covered = self._covered(factor)
        if covered.all():
            return ""
        if not factor.numeric:
            missing = [f"'{v}'" for v, ok in zip(factor.levels, covered, strict=True) if not ok]
            return f"{factor.label()} {show.listed(missing)}"
        spans = []
        pairs = zip(factor.levels, covered, strict=True)
        for ok, group in itertools.groupby(pairs, key=lambda pair: bool(pair[1])):
            levels = [show.plain_number(v) for v, _ in group]
            if not ok:
                spans.append(levels[0] if len(levels) == 1 else f"{levels[0]} to {levels[-1]}")
        return f"{factor.label()} {show.listed(spans)}"


def _widened(factor: Setting, side: str) -> str:
    """
    Return the line of a study file that takes a number further, by two of its steps where that is possible.

    Examples
    --------
    >>> from finishlab.study import Setting
    >>> passes = Setting("polish", "passes", "count", (1, 2, 3, 4))
    >>> _widened(passes, "most"), _widened(passes, "least")
    ('passes = { lowest = 1, highest = 6 }', 'passes = { lowest = 0, highest = 4 }')
    >>> _widened(Setting("cut", "speed", "number", (600.0, 900.0, 1800.0)), "most")
    'speed = [600, 900, 1800, 3600]'
    """
    levels = [float(v) for v in factor.levels]
    gaps = np.diff(levels)
    if side == "most":
        more = [levels[-1] + gaps[-1], levels[-1] + 2 * gaps[-1]]
    else:
        least = 0.0 if factor.name in AMOUNTS else -np.inf if levels[0] <= 0 else 1e-9
        more = [v for v in (levels[0] - 2 * gaps[0], levels[0] - gaps[0]) if v >= least] or [levels[0] / 2]
    every = np.unique(np.round([*levels, *more], 9))
    gaps = np.diff(every)
    if np.ptp(gaps) > 1e-9:
        # Levels at uneven distances stay a list, with one more.
        every = np.unique([*levels, more[-1]])
        return f"{factor.name} = [{', '.join(show.plain_number(v) for v in every)}]"
    by = "" if factor.kind == "count" and gaps[0] == 1 else f", by = {show.plain_number(float(gaps[0]))}"
    low, high = (show.plain_number(float(v)) for v in (every[0], every[-1]))
    return f"{factor.name} = {{ lowest = {low}, highest = {high}{by} }}"


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
    ("In the study, but worked in no trial: cut pad 'foam'. No process with that is recommended. To have it judged, type: finishlab plan DIR --trials 4 --panels 1 (DIR is the study folder).",)
    >>> worked_cautions(study, np.vstack([wool, foam]))
    ()
    """
    basis = study.basis
    found = []
    if beyond := Worked(study, values).beyond:
        found.append(
            f"In the study, but worked in no trial: {show.listed(beyond)}. No process with that is recommended. "
            f"To have it judged, type: {PLAN_THEM} (DIR is the study folder)."
        )
    for factor, v in zip(basis.factors, values.T, strict=True):
        tried = np.unique(v[~np.isnan(v)])
        if (
            factor is study.step(factor.step).amount
            and len(tried) == 2
            and tried[0] == 0
            and tried[1] > factor.levels[1]
        ):
            found.append(
                f"{show.begun(factor.label())} were none or {show.plain_number(float(tried[1]))} in the trials: nothing says what "
                "another number does. Add trials that differ in it, or hold it in the study file."
            )
    found += _moved_together(study, values)
    columns, _ = basis.columns(values, pairs=False)
    if len(values) <= columns.shape[1]:
        found.append(
            f"{show.counted(len(values), 'trial')} for {columns.shape[1]} effects of the settings: much of what is said "
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
                f"{show.begun(a.label())} and {b.label()} moved together in the trials: what one does cannot be told from what "
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
