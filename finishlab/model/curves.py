"""The finish along one factor, all else held: what one more pass brings.

The process that the rest is held at is `other_settings.py`'s; two factors at once are `grids.py`'s, and
what a factor is worth on average is `effects.py`'s.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from finishlab.errors import ModelError
from finishlab.model.other_settings import base_of, changed, drawn_at, fit_of, read_at, setting_of, words_of
from finishlab.model.trial_coverage import PLAN_THEM
from finishlab.study import RESPONSES, Condition, Setting
from finishlab.words import show

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.axes import Axes

    from finishlab.model.finish_model import FinishModel
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
        unit = show.spaced(unit)
        last = self._table.iloc[-1]
        near = (self._table["value"] - last["value"]).abs() <= _LITTLE
        # The first level from which on all stay near the last.
        k = len(near) - int(near[::-1].cumprod().sum())
        at = self._table.iloc[k]
        job = show.interval_text(at["job_low"], at["job_high"], unit.strip())
        name = show.label(self.factor)
        if k < len(near) - 1:
            level = (
                f"From {show.plain_number(at[self.factor])} {name} on, more of them change {words} by less than "
                f"{_LITTLE}{unit}; the next job reads {job} there"
            )
        else:
            level = f"{words} still changes at {show.plain_number(last[self.factor])} {name}, where the next job reads {job}"
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
        from finishlab.figures import model_figures as figures

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
        return show.sentence_and_table(self.text(), self.table())


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

    setting = _number(model, factor)
    fit = fit_of(model, response)
    base, levels, values = _walk(model, factor, at)
    gain = np.diff(drawn_at(fit, values), axis=1)
    low, high = np.quantile(gain, [0.05, 0.95], axis=0)
    none = [np.nan]
    gains = {
        "gain": np.r_[none, gain.mean(axis=0)], "gain_low": np.r_[none, low], "gain_high": np.r_[none, high],
    }  # fmt: skip
    return PassCurve(
        factor,
        fit.name,
        words_of(model, base, (factor,)),
        _carried(fit, model, base, setting),
        pd.DataFrame({factor: levels, **read_at(fit, values, model)}),
        pd.DataFrame(gains),
        model.study.goal.get(fit.name),
    )


def _number(model: FinishModel, factor: str) -> Setting:
    setting = setting_of(model, factor)
    if not setting.numeric:
        raise ModelError(
            f"{factor} is no number, so it has no curve. Compare its settings with setting_grid."
        )
    return setting


def _walk(
    model: FinishModel, factor: str, at: Mapping[str, Any] | None
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return the process that the rest is held at, the levels of a factor that were worked and may be run, and the processes with them."""
    base, basis = base_of(model, at, (factor,)), model.study.basis
    levels = basis.levels[basis.column(factor)]
    values = changed(model, base, [{factor: v} for v in levels])
    use = basis.admissible(values) & ~np.isnan(values[:, basis.column(factor)])
    if use.sum() < 2:
        raise ModelError(
            f"with the rest at {words_of(model, base, (factor,))} fewer than two settings of {factor} may be run. "
            "Hold the rest at other settings with at=."
        )
    use &= np.isin(levels, model.worked.levels(setting_of(model, factor)))
    if use.sum() < 2:
        raise ModelError(
            f"the trials worked fewer than two settings of {factor}, so nothing says what one more brings. To have "
            f"more judged, type: {PLAN_THEM}."
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
    values : ndarray, shape (levels, factors)
        The processes with these levels, as `Basis.values`.
    drawn : ndarray, shape (draws, levels)
        Readings on a panel like the average; what is not known is shared by the levels.
    """

    response: str
    held: str
    levels: np.ndarray
    value: np.ndarray
    minutes: np.ndarray
    values: np.ndarray
    drawn: np.ndarray


def counted_levels(
    model: FinishModel, factor: str, *, at: Mapping[str, Any] | None = None, response: str | None = None
) -> CountedLevels:
    """Return what the levels of a number read, drawn together; arguments and errors as `pass_curve`."""
    _number(model, factor)
    fit = fit_of(model, response)
    base, levels, values = _walk(model, factor, at)
    read = read_at(fit, values, model)
    return CountedLevels(
        fit.name,
        words_of(model, base, (factor,)),
        levels,
        read["value"],
        read["minutes"],
        values,
        drawn_at(fit, values),
    )
