"""The finish along one factor, and over two: what one more pass brings, which pad with which product.

All else is held at one process, which is named: settings given, else today's process, else
what the trials worked most. What a factor is worth on average is `effects.py`'s.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING, Any

import numpy as np

from finishlab import _show, abrasives, optics
from finishlab.errors import ModelError
from finishlab.model.effects import held_at
from finishlab.model.joint import joint_readings
from finishlab.model.latent import Rows
from finishlab.model.straight import refuse_all_alike
from finishlab.study import RESPONSES, Condition, Setting

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.axes import Axes

    from finishlab.model.finish import FinishModel
    from finishlab.model.response import ResponseFit

#: A rest of the way smaller than this is not worth working for, in GU or the response's own unit (common practice, no source).
_LITTLE = 0.5


@dataclass(frozen=True, eq=False)
class PassCurve:
    """
    A response over one factor, all else held.

    Made by `pass_curve`.

    Attributes
    ----------
    factor, response : str
    held : str
        The process that the rest is held at, in words.
    trials : DataFrame
        One row a trial: ``row``, ``panel``, the factor, ``read`` (as read), ``moved`` (carried by the model to the
        process held, its panel's and its own luck kept) and ``same`` (worked as that process).
    """

    factor: str
    response: str
    held: str
    trials: pd.DataFrame
    _table: pd.DataFrame
    _gain: pd.DataFrame
    _goal: Condition | None

    def table(self) -> pd.DataFrame:
        """
        Return one row a level: reading, intervals, minutes.

        ``mean_low``/``mean_high`` hold the process itself, ``job_low``/``job_high`` a section of the
        next job, each with 90 %. ``gain`` is what this level adds to the one before it, with the
        90 % interval of that difference.
        """
        import pandas as pd

        return pd.concat([self._table, self._gain], axis=1)

    def text(self) -> str:
        """Return where the curve levels off, and what the next job reads there."""
        words, unit = RESPONSES[self.response]
        unit = f" {unit}" if unit else ""
        last = self._table.iloc[-1]
        near = (self._table["value"] - last["value"]).abs() <= _LITTLE
        # The first level from which on all stay near the last.
        k = len(near) - int(near[::-1].cumprod().sum())
        at = self._table.iloc[k]
        job = _show.interval_text(at["job_low"], at["job_high"], unit.strip())
        name = _show.label(self.factor)
        if k < len(near) - 1:
            level = (
                f"From {_show.plain_number(at[self.factor])} {name} on, more of them change {words} by less than "
                f"{_LITTLE}{unit}; the next job reads {job} there"
            )
        else:
            level = f"{words} still changes at {_show.plain_number(last[self.factor])} {name}, where the next job reads {job}"
        return f"{level} (90 % of sections), with the rest at {self.held}."

    def to_dict(self) -> dict[str, Any]:
        """Return curve, trials and the process held as plain Python."""
        return {
            "factor": self.factor,
            "response": self.response,
            "held": self.held,
            "curve": self.table().to_dict("records"),
            "trials": self.trials.to_dict("records"),
        }

    def plot(self, ax: Axes | None = None) -> Axes:
        """Draw the curve with the next job's band and the trials on it."""
        from finishlab import _effect_figures as figures

        goal = (None, None) if self._goal is None else (self._goal.at_least, self._goal.at_most)
        return figures.curve(
            self._table,
            self.trials,
            factor=self.factor,
            response=self.response,
            goal=goal,
            title=self.text(),
            ax=ax,
        )

    def _repr_html_(self) -> str:
        return _show.sentence_and_table(self.text(), self.table())


@dataclass(frozen=True, eq=False)
class SettingGrid:
    """
    A response at every pair of two settings, all else held.

    Made by `setting_grid`.

    Attributes
    ----------
    factors : (str, str)
    response : str
    held : str
        The process that the rest is held at, in words.
    cautions : tuple of str
        Pairs that no trial worked, where the model speaks from others.
    """

    factors: tuple[str, str]
    response: str
    held: str
    cautions: tuple[str, ...]
    _table: pd.DataFrame
    _rising: bool

    def table(self) -> pd.DataFrame:
        """
        Return one row a pair: reading, 90 % intervals of the process itself and of the next job, minutes, trials.

        ``ahead_low`` is the low end of how far the pair is ahead of the best other one: above 0
        the trials can tell.
        """
        return self._table.copy()

    def text(self) -> str:
        """Return the pair that reads best, how far the next lies behind, and whether that can be told."""
        words, unit = RESPONSES[self.response]
        order = self._table.sort_values("value", ascending=not self._rising)
        first, second = order.iloc[0], order.iloc[1]
        size = f"{_show.number(abs(first['value'] - second['value']), 1)}{' ' + unit if unit else ''}"
        lies = f"{self._name(second)} lies {size} {'below' if self._rising else 'above'}"
        doubt = "" if first["ahead_low"] > 0 else " and cannot be told from it"
        return " ".join(
            [
                f"Best for {words} reads {self._name(first)}: {_show.number(first['value'], 1)}{' ' + unit if unit else ''}; "
                f"{lies}{doubt}, with the rest at {self.held}.",
                *self.cautions,
            ]
        )

    def _name(self, row: pd.Series) -> str:
        return " with ".join(str(row[f]) for f in self.factors)

    def to_dict(self) -> dict[str, Any]:
        """Return the grid and the process held as plain Python."""
        return {
            "factors": list(self.factors),
            "response": self.response,
            "held": self.held,
            "grid": self._table.to_dict("records"),
            "cautions": list(self.cautions),
        }

    def plot(self, ax: Axes | None = None) -> Axes:
        """Draw each pair as a dot with its interval and its minutes."""
        from finishlab import _effect_figures as figures

        return figures.grid(self._table, self.factors, response=self.response, title=self.text(), ax=ax)

    def _repr_html_(self) -> str:
        return _show.sentence_and_table(self.text(), self.table())


# --- the process that the rest is held at ----------------------------------------------------------


def _base(model: FinishModel, at: Mapping[str, Any] | None, free: tuple[str, ...]) -> np.ndarray:
    """Return one full process; the factors in `free` at their highest studied level."""
    basis, today = model.study.basis, model.study.today or {}
    given = held_at(model, at)
    trials = basis.values(model.done)
    out = np.empty(len(basis.factors))
    for j, f in enumerate(basis.factors):
        tried, counts = np.unique(trials[~np.isnan(trials[:, j]), j], return_counts=True)
        if f.factor in free:
            out[j] = basis.levels[j][-1]
        elif f.factor in given:
            out[j] = given[f.factor]
        elif today.get(f.factor) is not None:
            out[j] = held_at(model, {f.factor: today[f.factor]}).get(f.factor, np.nan)
        else:
            out[j] = tried[counts.argmax()] if len(tried) else basis.levels[j][0]
    return out


def _held_words(model: FinishModel, base: np.ndarray, free: tuple[str, ...]) -> str:
    """Return the process held in words, without what is free."""
    basis = model.study.basis
    parts = [
        f"{_show.label(f.factor)} {_show.plain_number(v) if f.numeric else f.levels[int(v)]}"
        for f, v in zip(basis.factors, basis.canonical(base[None])[0], strict=True)
        if f.factor not in free and not np.isnan(v)
    ]
    return ", ".join(parts) if parts else "its only settings"


def _over(model: FinishModel, base: np.ndarray, changes: list[dict[str, float]]) -> np.ndarray:
    """Return the process with each of some changes, shape (changes, factors)."""
    basis = model.study.basis
    values = np.repeat(base[None], len(changes), axis=0)
    for i, change in enumerate(changes):
        for name, level in change.items():
            values[i, basis.column(name)] = level
    return basis.canonical(values)


def _asked_response(model: FinishModel, response: str | None) -> ResponseFit:
    response = response or next(iter(model.study.goal))
    if response not in RESPONSES:
        raise ModelError(f"{response!r} is nothing that is read. Known are: {', '.join(RESPONSES)}.")
    fit = model.response(response)
    if response != "faults":  # no fault in so many patches does say something
        refuse_all_alike(fit.left_out.y)
    return fit


def _read(fit: ResponseFit, values: np.ndarray, model: FinishModel) -> dict[str, np.ndarray]:
    """Return reading, intervals and minutes of processes."""
    return {**fit.intervals(values), "minutes": model.minutes.mean(values)}


def _drawn(fit: ResponseFit, values: np.ndarray) -> np.ndarray:
    return joint_readings(fit.posterior, Rows(values, np.full(len(values), len(fit.study.steps) - 1)))


def _setting(model: FinishModel, name: str, *, numeric: bool | None = None) -> Setting:
    basis = model.study.basis
    if name not in basis.names:
        raise ModelError(f"{name!r} is no factor of this study. Factors: {', '.join(basis.names)}.")
    setting = basis.factors[basis.column(name)]
    if numeric and not setting.numeric:
        raise ModelError(f"{name} is no number, so it has no curve. Compare its settings with setting_grid.")
    return setting


def _carried(fit: ResponseFit, model: FinishModel, base: np.ndarray, factor: Setting) -> pd.DataFrame:
    """Return the trials carried to one process but for the factor, by the difference the model sees."""
    import pandas as pd

    observed, basis = fit.posterior.observed, model.study.basis
    last = np.flatnonzero(observed.present & (observed.rows.step == len(model.study.steps) - 1))
    column = basis.column(factor.factor)
    own = observed.rows.values[last]
    there = basis.canonical(
        np.where(np.arange(len(base)) == column, own[:, [column]], np.repeat(base[None], len(own), axis=0))
    )
    worked = ~np.isnan(own[:, column])
    scale = fit.posterior.draws[len(fit.posterior.draws) // 2].scale
    z = scale.inverse(observed.y[last])
    moved = z + fit.predicted(there).mean.mean(axis=0) - fit.predicted(own).mean.mean(axis=0)
    done = model.done.iloc[observed.trial[last]]
    table = pd.DataFrame(
        {
            "row": list(done.index),
            "panel": done["panel"].astype(str).to_numpy(),
            factor.factor: own[:, column],
            "read": observed.y[last],
            "moved": scale.reading(moved),
            "same": [bool(np.array_equal(a, b, equal_nan=True)) for a, b in zip(own, there, strict=True)],
        }
    )
    return table[worked].reset_index(drop=True)


def pass_curve(
    model: FinishModel, factor: str, *, at: Mapping[str, Any] | None = None, response: str | None = None
) -> PassCurve:
    """
    Follow a response over the passes of a step, or over any other number that was studied.

    Parameters
    ----------
    model : FinishModel
    factor : str
        As ``cut_passes``.
    at : mapping of factor -> level, optional
        What the rest is held at. Factors not named are as in today's process of the study file,
        else as the trials had them most.
    response : str, optional
        The first of the goal when not given.

    Returns
    -------
    PassCurve

    Raises
    ------
    ModelError
        That is no factor, or no number; the response was never read, or every patch reads the same.
    OutsideStudy
        `at` names a setting that was never studied.

    References
    ----------
    Intervals of draws, as in `fit`: Rue, Martino & Chopin (2009), J. R. Stat. Soc. B 71, 319 (from memory).

    Examples
    --------
    >>> import finishlab as fl
    >>> bench = fl.PracticeBench(kind=1, seed=3)
    >>> trials = bench.work(fl.plan_trials(bench.study, trials=16, panels=4, seed=1), seed=1)
    >>> model = fl.fit(bench.study, trials)
    >>> curve = pass_curve(model, "cut_passes")
    >>> table = curve.table()
    >>> table["cut_passes"].tolist()
    [1.0, 2.0, 3.0, 4.0, 5.0, 6.0, 7.0, 8.0]
    >>> bool((table["job_low"] < table["mean_low"]).all())
    True

    Words have no curve:

    >>> pass_curve(model, "cut_pad")
    Traceback (most recent call last):
        ...
    finishlab.errors.ModelError: cut_pad is no number, so it has no curve. Compare its settings with setting_grid.

    What was never tried is not guessed:

    >>> pass_curve(model, "cut_passes", at={"cut_pad": "wool and foam"})
    Traceback (most recent call last):
        ...
    finishlab.errors.OutsideStudy: row 0: cut_pad is 'wool and foam'; that was never tried. Tried are wool, microfibre, foam.
    """
    import pandas as pd

    setting = _setting(model, factor, numeric=True)
    fit = _asked_response(model, response)
    base, levels, values = _walk(model, factor, at)
    gain = np.diff(_drawn(fit, values), axis=1)
    low, high = np.quantile(gain, [0.05, 0.95], axis=0)
    none = [np.nan]
    gains = {
        "gain": np.r_[none, gain.mean(axis=0)], "gain_low": np.r_[none, low], "gain_high": np.r_[none, high],
    }  # fmt: skip
    return PassCurve(
        factor,
        fit.name,
        _held_words(model, base, (factor,)),
        _carried(fit, model, base, setting),
        pd.DataFrame({factor: levels, **_read(fit, values, model)}),
        pd.DataFrame(gains),
        model.study.goal.get(fit.name),
    )


def _walk(
    model: FinishModel, factor: str, at: Mapping[str, Any] | None
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return the process that the rest is held at, the levels of a factor that may be run, and the processes with them."""
    base, basis = _base(model, at, (factor,)), model.study.basis
    levels = basis.levels[basis.column(factor)]
    values = _over(model, base, [{factor: v} for v in levels])
    use = basis.admissible(values) & ~np.isnan(values[:, basis.column(factor)])
    if use.sum() < 2:
        raise ModelError(
            f"with the rest at {_held_words(model, base, (factor,))} fewer than two settings of {factor} may be run. "
            "Hold the rest at other settings with at=."
        )
    return base, levels[use], values[use]


@dataclass(frozen=True, eq=False)
class CountedLevels:
    """
    What the levels of a number read together, all else held.

    Attributes
    ----------
    response, held : str
        What was read; the process that the rest is held at, in words.
    levels, value, minutes : ndarray, shape (levels,)
    drawn : ndarray, shape (draws, levels)
        Readings on a panel like the average; what is not known is shared by the levels.
    """

    response: str
    held: str
    levels: np.ndarray
    value: np.ndarray
    minutes: np.ndarray
    drawn: np.ndarray


def counted_levels(
    model: FinishModel, factor: str, *, at: Mapping[str, Any] | None = None, response: str | None = None
) -> CountedLevels:
    """Return what the levels of a number read, drawn together; arguments and errors as `pass_curve`."""
    _setting(model, factor, numeric=True)
    fit = _asked_response(model, response)
    base, levels, values = _walk(model, factor, at)
    read = _read(fit, values, model)
    return CountedLevels(
        fit.name,
        _held_words(model, base, (factor,)),
        levels,
        read["value"],
        read["minutes"],
        _drawn(fit, values),
    )


@dataclass(frozen=True, eq=False)
class ScratchLevels:
    """
    What each grit leaves, and what the passes of the step after it leave of that.

    Attributes
    ----------
    grits : tuple of str
        Coarse to fine, as far as they were worked.
    after : str
        Factor of the next step's passes, or other amount.
    held : str
        The process that the rest is held at, in words.
    read : bool
        Whether anything was read straight from the sanding; else what a grit leaves rests on the model's stated guess.
    passes : ndarray, shape (counts,)
        0 first: straight from the sanding.
    drawn : ndarray, shape (draws, grits, counts)
        Roughness that explains the gloss on a panel like the average, rms micrometres; what is not known is shared. NaN where
        the study avoids the process.
    """

    grits: tuple[str, ...]
    after: str
    held: str
    read: bool
    passes: np.ndarray
    drawn: np.ndarray


def scratch_levels(model: FinishModel) -> ScratchLevels:
    """
    Return the roughness that each grit leaves, and that the next step's passes make of it.

    Raises
    ------
    ModelError
        The model follows no gloss from step to step, or no step varies a grit before one that varies its passes.
    """
    study, basis = model.study, model.study.basis
    name = next((n for n in study.goal if n.startswith("gloss_")), None)
    if name is None or model.kind != "steps":
        raise ModelError(
            'this model does not follow gloss from step to step. Fit with kind="steps", and name a gloss in the goal.'
        )
    found = None
    for k, (step, then) in enumerate(pairwise(study.steps)):
        grit = step.setting("grit")
        if grit is not None and not grit.held and then.amount is not None and not then.amount.held:
            found = k, grit, then.amount
            break
    if found is None:
        raise ModelError(
            "no step varies its grit before a step that varies its passes, so nothing says what removes the scratches. "
            "Study both."
        )
    k, grit, amount = found
    fit = _asked_response(model, name)
    free = (grit.factor, amount.factor)
    base = _base(model, None, free)
    tried = basis.values(model.done)[:, basis.column(grit.factor)]
    order = sorted(
        np.unique(tried[~np.isnan(tried)]),
        key=lambda v: abrasives.order_key(abrasives.grade(grit.levels[int(v)])),
    )
    levels = basis.levels[basis.column(amount.factor)]
    passes = np.r_[0.0, levels[levels > 0]]
    # Looked at after the sanding the next step's passes do not matter; any studied count stands for none.
    values = _over(
        model, base, [{grit.factor: g, amount.factor: n or levels[-1]} for g in order for n in passes]
    )
    none = np.tile(passes == 0, len(order))
    read = joint_readings(fit.posterior, Rows(values, np.where(none, k, k + 1)))
    draws = fit.posterior.draws
    ceiling = np.repeat([float(getattr(d.scale, "ceiling", np.nan)) for d in draws], len(read) // len(draws))
    rough = optics.roughness_from_gloss(
        read, ceiling=ceiling[:, None], angle=int(name.removeprefix("gloss_"))
    )
    rough[:, ~none & ~basis.admissible(values)] = np.nan
    names = tuple(str(grit.levels[int(g)]) for g in order)
    shape = (len(rough), len(order), len(passes))
    observed = fit.posterior.observed
    seen = bool((observed.present & (observed.rows.step == k)).any())
    return ScratchLevels(
        names, amount.factor, _held_words(model, base, free), seen, passes, rough.reshape(shape)
    )


def setting_grid(
    model: FinishModel,
    factors: tuple[str, str] | None = None,
    *,
    at: Mapping[str, Any] | None = None,
    response: str | None = None,
) -> SettingGrid:
    """
    Compare every pair of two settings, as every pad with every product.

    Parameters
    ----------
    model : FinishModel
    factors : (str, str), optional
        The first two factors in words of one step when not given, as its pad and product.
    at : mapping of factor -> level, optional
        What the rest is held at, as for `pass_curve`.
    response : str, optional
        The first of the goal when not given.

    Returns
    -------
    SettingGrid

    Raises
    ------
    ModelError
        There are no such two factors, fewer than two of their pairs may be run, the response was
        never read, or every patch reads the same.
    OutsideStudy
        `at` names a setting that was never studied.

    References
    ----------
    Intervals of draws, as in `fit`: Rue, Martino & Chopin (2009), J. R. Stat. Soc. B 71, 319 (from memory).

    Examples
    --------
    >>> import finishlab as fl
    >>> bench = fl.PracticeBench(kind=1, seed=3)
    >>> trials = bench.work(fl.plan_trials(bench.study, trials=16, panels=4, seed=1), seed=1)
    >>> model = fl.fit(bench.study, trials)
    >>> setting_grid(model).factors
    ('cut_pad', 'cut_product')
    >>> setting_grid(model, ("cut_pad", "cut_pad"))
    Traceback (most recent call last):
        ...
    finishlab.errors.ModelError: a grid needs two different factors; both are 'cut_pad'.
    """
    import pandas as pd

    if factors is None:
        factors = _worded_pair(model)
    if factors[0] == factors[1]:
        raise ModelError(f"a grid needs two different factors; both are {factors[0]!r}.")
    one, other = (_setting(model, name) for name in factors)
    fit = _asked_response(model, response)
    base = _base(model, at, factors)
    basis = model.study.basis
    columns = [basis.column(name) for name in factors]
    tried = basis.values(model.done)[:, columns]
    # A setting that no trial worked has nothing to say here.
    some = [np.intersect1d(basis.levels[c], tried[:, i]) for i, c in enumerate(columns)]
    values = _over(model, base, [{factors[0]: x, factors[1]: y} for x in some[0] for y in some[1]])
    use = basis.admissible(values) & ~np.isnan(values[:, columns]).any(axis=1)
    if use.sum() < 2:
        raise ModelError(
            f"fewer than two pairs of {_show.listed(factors)} were worked, or may be run with the rest at "
            f"{_held_words(model, base, factors)}. Add trials, or hold the rest at other settings with at=."
        )
    values = values[use]
    counts = [int((tried == v).all(axis=1).sum()) for v in values[:, columns]]
    read = _drawn(fit, values)
    condition = model.study.goal.get(fit.name)
    rising = fit.name.startswith("gloss_") if condition is None else condition.at_least is not None
    ahead = (read.T - read[:, [_second(read, rising, k) for k in range(len(values))]].T).T * (
        1 if rising else -1
    )

    def words(setting: Setting, level: float) -> Any:
        return level if setting.numeric else setting.levels[int(level)]

    names = [[words(s, v) for v in values[:, c]] for s, c in zip((one, other), columns, strict=True)]
    table = pd.DataFrame(
        {
            factors[0]: names[0],
            factors[1]: names[1],
            **_read(fit, values, model),
            "ahead_low": np.quantile(ahead, 0.05, axis=0),
            "trials": counts,
        }
    )
    empty = [
        " with ".join(map(str, row))
        for row, n in zip(zip(*names, strict=True), counts, strict=True)
        if n == 0
    ]
    said = (
        (f"No trial worked {_show.listed(empty)}: what is shown there is drawn from the other pairs.",)
        if empty
        else ()
    )
    return SettingGrid(factors, fit.name, _held_words(model, base, factors), said, table, rising)


def _second(read: np.ndarray, rising: bool, k: int) -> int:
    """Return the best of all columns but `k`."""
    mean = read.mean(axis=0) * (1 if rising else -1)
    mean[k] = -np.inf
    return int(mean.argmax())


def _worded_pair(model: FinishModel) -> tuple[str, str]:
    for step in model.study.steps:
        worded = [s.factor for s in step.settings if not s.held and not s.numeric]
        if len(worded) > 1:
            return worded[0], worded[1]
    raise ModelError("no step varies two settings in words. Name two factors of the study.")
