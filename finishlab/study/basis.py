"""Which processes are admissible, and the one coding of factors for plan, fit and search.

A process is held as one row of numbers (`values`): counts and numbers as they are, other
settings as the position of their level, and NaN where the step is left out, so that the
settings of a left-out step mean nothing and are never counted twice. Tables of a person's
words come in through `Basis.values` and go out through `Basis.frame`. The grid of
admissible processes is walked in chunks; its size is known without building it. What a
job by a process takes beside its work follows from its steps, and is said here too.
What responses do over these factors is the model's business, not this module's.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterable, Iterator, Mapping
from functools import cached_property
from typing import TYPE_CHECKING, Any

import numpy as np

from finishlab.errors import OutsideStudy
from finishlab.study.process import level_of
from finishlab.trade import abrasives

if TYPE_CHECKING:
    import pandas as pd

    from finishlab.study.fields import StudyFields
    from finishlab.study.process import Setting, Step
    from finishlab.study.requirements import Avoid, Condition

#: Rows of the grid made at a time; small enough for the cache, large enough for numpy.
CHUNK = 20_000
#: Problem rows shown one by one before the rest is only counted.
_SHOWN = 5


class Basis:
    """
    The factors of a study, its admissible processes, and their coding.

    Parameters
    ----------
    study : StudyFields

    Attributes
    ----------
    factors : tuple of Setting
        In the order of the columns of `values`.
    size : int
        Number of admissible processes.

    Examples
    --------
    A left-out step is one process however many pads it could have had:

    >>> from finishlab import Study
    >>> study = Study.from_toml('''
    ... title = "Doors"
    ... pass_means = "one direction"
    ... [[step]]
    ... name = "polish"
    ... pad = ["firm", "soft"]
    ... passes = { lowest = 0, highest = 2 }
    ... [goal]
    ... gloss_20 = { at_least = 82 }
    ... assurance = 0.9
    ... ''')
    >>> study.basis.size
    5
    >>> study.basis.frame(next(study.basis.chunks()))
      polish_pad  polish_passes
    0       None              0
    1       firm              1
    2       firm              2
    3       soft              1
    4       soft              2
    """

    def __init__(self, study: StudyFields) -> None:
        self.study = study
        self.factors: tuple[Setting, ...] = study.factors
        self.names: tuple[str, ...] = tuple(f.factor for f in self.factors)
        self._column = {name: j for j, name in enumerate(self.names)}
        self._steps = [s for s in study.steps if any(not t.held for t in s.settings)]
        # The columns of `values` that each of these steps fills.
        self._where = [[self._column[t.factor] for t in s.settings if not t.held] for s in self._steps]

    @cached_property
    def levels(self) -> list[np.ndarray]:
        """The studied levels of each factor as they stand in `values`."""
        return [np.array(_positions(f)) for f in self.factors]

    # --- words in, words out -------------------------------------------------------------

    def column(self, factor: str) -> int:
        """Return the column of `values` that holds `factor`."""
        return self._column[factor]

    def values(self, table: pd.DataFrame) -> np.ndarray:
        """
        Return the processes of a table as numbers.

        Parameters
        ----------
        table : DataFrame
            One row a process, a column for each factor; held settings are not needed.

        Returns
        -------
        ndarray, shape (rows, factors)
            NaN for the settings of a left-out step, whatever the table says there.

        Raises
        ------
        OutsideStudy
            A factor is missing, or a setting was never studied; all of them are named.
        """
        import pandas as pd

        mistakes = [
            f"column '{name}' is missing. Columns: {', '.join(map(str, table.columns))}."
            for name in self.names
            if name not in table.columns
        ]
        mistakes += [
            f"column '{name}' is there more than once. Keep one."
            for name in self.names
            if list(table.columns).count(name) > 1
        ]
        if mistakes:
            raise OutsideStudy(mistakes)
        out = np.full((len(table), len(self.factors)), np.nan)
        for j, factor in enumerate(self.factors):
            if factor.numeric:
                out[:, j] = pd.to_numeric(table[factor.factor], errors="coerce").to_numpy(float)
            else:
                codes, words = pd.factorize(table[factor.factor])
                out[:, j] = np.array([*(self._position(factor, w) for w in words), np.nan])[codes]
        out = self.canonical(out)
        left_out = self._inactive(out)
        for j, factor in enumerate(self.factors):
            wrong = ~left_out[:, j] & ~self._studied(factor, out[:, j])
            for row in np.flatnonzero(wrong)[:_SHOWN]:
                found = table[factor.factor].iloc[row]
                mistakes.append(_outside(factor, found, table.index[row]))
            if wrong.sum() > _SHOWN:
                mistakes.append(f"and {wrong.sum() - _SHOWN} more rows with such a {factor.factor}.")
        if mistakes:
            raise OutsideStudy(mistakes)
        return out

    @staticmethod
    def _studied(factor: Setting, value: np.ndarray) -> np.ndarray:
        if not factor.numeric:
            return ~np.isnan(value)
        inside = (value >= factor.levels[0] - 1e-9) & (value <= factor.levels[-1] + 1e-9)
        return inside & (value == np.round(value)) if factor.kind == "count" else inside

    def frame(self, values: np.ndarray) -> pd.DataFrame:
        """Return processes in a person's words: one row each, None where a step is left out."""
        import pandas as pd

        values = np.atleast_2d(values)
        columns: dict[str, Any] = {}
        for j, factor in enumerate(self.factors):
            v = values[:, j]
            if factor.numeric and not np.isnan(v).any():
                columns[factor.factor] = v.astype(int) if factor.kind == "count" else v.copy()
            else:
                columns[factor.factor] = pd.Series([self.word(factor, x) for x in v], dtype=object)
        return pd.DataFrame(columns)

    @staticmethod
    def _position(factor: Setting, word: Any) -> float:
        level = level_of(factor, word)
        if level is None:
            return math.nan
        return float(level) if factor.numeric else float(factor.levels.index(level))

    @staticmethod
    def word(factor: Setting, x: float) -> Any:
        """Return one setting as a person says it; None where its step is left out."""
        if math.isnan(x):
            return None
        if factor.numeric:
            return int(x) if factor.kind == "count" else float(x)
        return factor.levels[int(x)]

    def settings(self, row: np.ndarray) -> dict[str, Any]:
        """Return one process as a dict of factor -> setting."""
        return {f.factor: self.word(f, float(x)) for f, x in zip(self.factors, row, strict=True)}

    def row(self, settings: Mapping[str, Any]) -> np.ndarray:
        """
        Return one process, a mapping as `settings` gives, as numbers.

        Parameters
        ----------
        settings : mapping of factor -> level
            None for the settings of a left-out step; held settings are ignored.

        Returns
        -------
        ndarray, shape (1, factors)
        """
        return self.canonical(np.array([[self._position(f, settings.get(f.factor)) for f in self.factors]]))

    # --- the job ---------------------------------------------------------------------------

    def works(self, values: np.ndarray) -> np.ndarray:
        """Return for each process which steps it works, shape (rows, steps): those that it does not leave out."""
        out = np.ones((len(values), len(self.study.steps)), bool)
        for k, step in enumerate(self.study.steps):
            if step.amount is not None:
                out[:, k] = self._of(step.amount, values) > 0
        return out

    def changeover_minutes(self, values: np.ndarray) -> np.ndarray:
        """Return the change-overs of a job by each process, minutes: once for each step that it works."""
        return np.asarray(self.works(values) @ np.array([s.changeover_minutes for s in self.study.steps]))

    def waiting_minutes(self, values: np.ndarray) -> np.ndarray:
        """
        Return the waits of a job by each process before its readings, minutes.

        One wait for each step worked that the study reads after. The last step worked is always read: the
        goal is judged there.
        """
        works = self.works(values)
        read = works & np.array([s.name in self.study.reading.after for s in self.study.steps])
        some = works.any(axis=1)
        last = works.shape[1] - 1 - works[:, ::-1].argmax(axis=1)
        read[some, last[some]] = True
        return np.asarray(self.study.reading.wait_minutes * read.sum(axis=1))

    def job_minutes(self, values: np.ndarray, minutes: Any, sections: int | None = None) -> np.ndarray:
        """
        Return how long a job by each process takes: the one definition, by which processes are shorter or longer.

        Parameters
        ----------
        values : ndarray, shape (rows, factors)
        minutes : ndarray, shape (rows,)
            Working minutes of a section.
        sections : int, optional
            Of the job; as the study's job when not given.

        Returns
        -------
        ndarray, shape (rows,)
            Sections times working minutes, the change-overs of the steps worked, and the waits before readings.

        Examples
        --------
        Two sections of 5 minutes with a change-over of 3 minutes, and without the step that needs it:

        >>> from finishlab import Study
        >>> study = Study.from_toml('''
        ... title = "Doors"
        ... pass_means = "one direction"
        ... [[step]]
        ... name = "cut"
        ... passes = { lowest = 1, highest = 4 }
        ... [[step]]
        ... name = "polish"
        ... passes = { lowest = 0, highest = 2 }
        ... changeover_minutes = 3
        ... [goal]
        ... gloss_20 = { at_least = 82 }
        ... assurance = 0.9
        ... [job]
        ... sections = 2
        ... ''')
        >>> study.basis.job_minutes(np.array([[4.0, 2.0], [4.0, 0.0]]), np.array([5.0, 5.0])).tolist()
        [13.0, 10.0]
        """
        count = self.study.job.sections if sections is None else sections
        return np.asarray(
            count * np.asarray(minutes, float)
            + self.changeover_minutes(values)
            + self.waiting_minutes(values)
        )

    def job_of(self, settings: Mapping[Any, Any], minutes: float) -> float:
        """Return `job_minutes` of one process, a mapping as `settings` gives."""
        return float(self.job_minutes(self.row(settings), minutes)[0])

    # --- left-out steps, avoided combinations ----------------------------------------------

    def _inactive(self, values: np.ndarray) -> np.ndarray:
        """Return (rows, factors) True where the step is left out; its amount itself stays."""
        out = np.zeros(values.shape, bool)
        for step in self._steps:
            if step.amount is None or step.amount.factor not in self._column:
                continue
            zero = values[:, self._column[step.amount.factor]] == 0
            for s in step.settings:
                if not s.held and s is not step.amount:
                    out[zero, self._column[s.factor]] = True
        return out

    def canonical(self, values: np.ndarray) -> np.ndarray:
        """Return a copy with NaN for the settings of left-out steps."""
        values = np.array(values, float, ndmin=2)
        values[self._inactive(values)] = np.nan
        return values

    def admissible(self, values: np.ndarray) -> np.ndarray:
        """
        Return for each process whether no avoided combination rules it out.

        `values` are canonical: what a left-out step would have had is not avoided.
        """
        return np.logical_not(self._rules_met(np.atleast_2d(values), self.study.steps).any(axis=1))

    @staticmethod
    def same(values: np.ndarray, row: np.ndarray) -> np.ndarray:
        """Return for each process, shape (rows, factors), whether it is the one given; left-out settings are alike."""
        return np.asarray(np.isclose(values, row, equal_nan=True).all(axis=1))

    def meets(self, rule: Avoid, values: np.ndarray) -> np.ndarray:
        """Return for each process whether every part of a combination holds; a left-out step's never does."""
        met = np.ones(len(values), bool)
        for name, wanted in rule.parts.items():
            setting = self.study.settings[name]
            met &= _applies(setting, wanted, self._of(setting, values))
        return met

    def _rules_met(self, values: np.ndarray, steps: Iterable[Step]) -> np.ndarray:
        """Return (rows, rules): whether each avoid rule applies as far as these steps go."""
        names = [step.name for step in steps]
        met = np.ones((len(values), len(self.study.avoid)), bool)
        for r, rule in enumerate(self.study.avoid):
            for name, wanted in rule.parts.items():
                setting = self.study.settings[name]
                if setting.step in names:
                    met[:, r] &= _applies(setting, wanted, self._of(setting, values))
        return met

    def _of(self, setting: Setting, values: np.ndarray) -> np.ndarray:
        """Return one setting of each process, held ones too; NaN where its step is left out."""
        if setting.factor in self._column:
            return values[:, self._column[setting.factor]]
        held = np.full(len(values), _positions(setting)[0])
        amount = self.study.step(setting.step).amount
        if amount is not None and amount.factor in self._column:
            held[values[:, self._column[amount.factor]] == 0] = np.nan
        return held

    # --- the grid ------------------------------------------------------------------------

    @cached_property
    def _options(self) -> list[np.ndarray]:
        """For each step with a factor, every choice of its settings, shape (options, its factors)."""
        options = []
        for step in self._steps:
            mine = [s for s in step.settings if not s.held]
            every = np.meshgrid(*[self.levels[self._column[s.factor]] for s in mine], indexing="ij")
            grid = np.column_stack([positions.ravel() for positions in every])
            if step.amount in mine:
                amount = mine.index(step.amount)
                left_out = np.full((1, len(mine)), np.nan)
                left_out[0, amount] = 0
                worked = grid[grid[:, amount] != 0]
                grid = worked if len(worked) == len(grid) else np.vstack([left_out, worked])
            options.append(grid)
        return options

    @cached_property
    def size(self) -> int:
        """Number of admissible processes, counted step by step without building them."""
        # Which avoid rules apply as far as the steps walked go -> how many choices of those steps.
        nothing = np.full((1, len(self.factors)), np.nan)
        held = [step for step in self.study.steps if step not in self._steps]
        alive = {tuple(self._rules_met(nothing, held)[0].tolist()): 1}
        for step, options, where in zip(self._steps, self._options, self._where, strict=True):
            values = np.repeat(nothing, len(options), axis=0)
            values[:, where] = options
            met, counts = np.unique(self._rules_met(values, [step]), axis=0, return_counts=True)
            grown: dict[tuple[bool, ...], int] = {}
            for state, n in alive.items():
                for rules, k in zip(met, counts, strict=True):
                    after = tuple((rules & np.array(state, bool)).tolist())
                    grown[after] = grown.get(after, 0) + n * int(k)
            alive = grown
        return sum(n for state, n in alive.items() if not any(state))

    def chunks(self, rows: int = CHUNK) -> Iterator[np.ndarray]:
        """
        Walk the admissible processes, some at a time, always in the same order.

        Yields
        ------
        ndarray, shape (up to `rows`, factors)
        """
        for _, values in self.numbered(rows):
            yield values

    def numbered(self, rows: int = CHUNK) -> Iterator[tuple[np.ndarray, np.ndarray]]:
        """Walk as `chunks`, with the number of each process, from which `at` makes it again."""
        total = math.prod(len(o) for o in self._options)
        for start in range(0, total, rows):
            numbers = np.arange(start, min(start + rows, total))
            values = self.at(numbers)
            allowed = self.admissible(values)
            if allowed.any():
                yield numbers[allowed], values[allowed]

    def at(self, numbers: np.ndarray) -> np.ndarray:
        """Return processes by their numbers, shape (numbers, factors)."""
        picks = np.unravel_index(numbers, [len(o) for o in self._options])
        values = np.empty((len(numbers), len(self.factors)))
        for options, where, pick in zip(self._options, self._where, picks, strict=True):
            values[:, where] = options[pick]
        return values

    # --- the coding ------------------------------------------------------------------------

    @cached_property
    def main(self) -> list[tuple[str, ...]]:
        """Names of the coded columns of each factor, in the order of `factors`."""
        names: list[tuple[str, ...]] = []
        for f in self.factors:
            if f.numeric or f.kind == "graded":
                names.append((f.factor,))
            elif f.kind == "ordered":
                names.append(tuple(f"{f.factor}:{finer}" for finer in f.levels[1:]))
            else:
                names.append(tuple(f"{f.factor}={level}" for level in f.levels[:-1]))
        return names

    def coded(self, values: np.ndarray) -> list[np.ndarray]:
        """
        Return each factor's coded columns, shape (rows, columns of that factor).

        Numbers run from -1 at the lowest to 1 at the highest studied level; graded grits
        the same in ln(grain size), coarse high; ordered categories have one column for each
        step from a level to the next, -0.5 before it and 0.5 after (so that neighbours are
        alike); choices have a column for each level but the last, 1 at it, 0 at the others
        and -1 at the last (so that it sums to zero over the levels). Settings of a left-out
        step are 0, the middle: they mean nothing there.
        """
        return [_coded(f, values[:, j]) for j, f in enumerate(self.factors)]

    def columns(
        self, values: np.ndarray, *, squares: bool = True, pairs: bool = True
    ) -> tuple[np.ndarray, list[str]]:
        """
        Return the model matrix without its constant, and a name for every column.

        Main terms first, then squares of numbers and grades with three levels or more,
        then all products of two different factors.
        """
        coded = self.coded(values)
        blocks = [(c, list(n)) for c, n in zip(coded, self.main, strict=True)]
        if squares:
            for c, f in zip(coded, self.factors, strict=True):
                if (f.numeric or f.kind == "graded") and len(f.levels) > 2:
                    blocks.append((c**2, [f"{f.factor}^2"]))
        if pairs:
            for a, b in itertools.combinations(range(len(self.factors)), 2):
                width = len(self.main[a]) * len(self.main[b])
                product = (coded[a][:, :, None] * coded[b][:, None, :]).reshape(len(values), width)
                blocks.append((product, [f"{p} x {q}" for p in self.main[a] for q in self.main[b]]))
        matrix = np.hstack([b[0] for b in blocks]) if blocks else np.empty((len(values), 0))
        return matrix, [name for b in blocks for name in b[1]]


def _positions(setting: Setting) -> list[float]:
    """Every level of a setting as it stands in `values`."""
    return [float(v) for v in (setting.levels if setting.numeric else range(len(setting.levels)))]


def _applies(setting: Setting, wanted: tuple[Any, ...] | Condition, column: np.ndarray) -> np.ndarray:
    """Return where a setting is one of the `wanted` levels or meets the condition; NaN never is."""
    if not isinstance(wanted, tuple):
        return wanted.met(column)
    positions = dict(zip(setting.levels, _positions(setting), strict=True))
    return np.isin(column, [positions[w] for w in wanted])


def _coded(factor: Setting, v: np.ndarray) -> np.ndarray:
    left_out = np.isnan(v)
    if factor.numeric or factor.kind == "graded":
        if factor.kind == "graded":
            sizes = np.log(np.array([abrasives.grade(level).grain_um for level in factor.levels], float))
            low, high = sizes.min(), sizes.max()
            x = sizes[np.where(left_out, 0, v).astype(int)]
        else:
            low, high, x = factor.levels[0], factor.levels[-1], v
        c = (2 * x - low - high) / (high - low)
        return np.where(left_out, 0.0, c)[:, None]
    level = np.where(left_out, 0, v).astype(int)
    k = len(factor.levels)
    if factor.kind == "ordered":
        # Column j separates levels up to j from those after it.
        code = np.where(np.arange(k)[:, None] > np.arange(k - 1)[None, :], 0.5, -0.5)
    else:
        code = np.vstack([np.eye(k - 1), -np.ones(k - 1)])
    return np.where(left_out[:, None], 0.0, code[level])


def _outside(factor: Setting, found: Any, row: Any) -> str:
    levels = factor.levels
    if factor.numeric:
        whole = "whole numbers " if factor.kind == "count" else ""
        return f"row {row}: {factor.factor} is {found}; studied are {whole}{levels[0]:g} to {levels[-1]:g}. Stay within them, or add trials there."
    return f"row {row}: {factor.factor} is {found!r}; that was never tried. Tried are {', '.join(levels)}."
