"""The finish over two factors: which pad with which product, all else held.

The process that the rest is held at is `other_settings.py`'s; the finish along one factor is `curves.py`'s.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from finishlab.errors import ModelError
from finishlab.model.other_settings import base_of, changed, drawn_at, fit_of, read_at, setting_of, words_of
from finishlab.study import RESPONSES
from finishlab.words import show

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.axes import Axes

    from finishlab.model.finish_model import FinishModel


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
        size = f"{show.number(abs(first['value'] - second['value']), 1)}{show.spaced(unit)}"
        lies = f"{self._name(second)} lies {size} {'below' if self._rising else 'above'}"
        doubt = "" if first["ahead_low"] > 0 else " and cannot be told from it"
        return " ".join(
            [
                f"Best for {words} reads {self._name(first)}: {show.number(first['value'], 1)}{show.spaced(unit)}; "
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
        from finishlab.figures import model_figures as figures

        return figures.grid(self._table, self.factors, response=self.response, title=self.text(), ax=ax)

    def _repr_html_(self) -> str:
        return show.sentence_and_table(self.text(), self.table())


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
    if len(factors) != 2:
        raise ModelError(f"a grid needs two factors; given are {show.listed(factors) or 'none'}.")
    if factors[0] == factors[1]:
        raise ModelError(f"a grid needs two different factors; both are {factors[0]!r}.")
    one, other = (setting_of(model, name) for name in factors)
    fit = fit_of(model, response)
    base = base_of(model, at, factors)
    basis = model.study.basis
    columns = [basis.column(name) for name in factors]
    tried = basis.values(model.done)[:, columns]
    # A setting that no trial worked has nothing to say here.
    some = [np.intersect1d(basis.levels[c], tried[:, i]) for i, c in enumerate(columns)]
    values = changed(model, base, [{factors[0]: x, factors[1]: y} for x in some[0] for y in some[1]])
    use = basis.admissible(values) & ~np.isnan(values[:, columns]).any(axis=1)
    if use.sum() < 2:
        raise ModelError(
            f"fewer than two pairs of {show.listed(factors)} were worked, or may be run with the rest at "
            f"{words_of(model, base, factors)}. Add trials, or hold the rest at other settings with at=."
        )
    values = values[use]
    counts = [int((tried == v).all(axis=1).sum()) for v in values[:, columns]]
    read = drawn_at(fit, values)
    condition = model.study.goal.get(fit.name)
    rising = fit.name.startswith("gloss_") if condition is None else condition.at_least is not None
    ahead = (read.T - read[:, [_second(read, rising, k) for k in range(len(values))]].T).T * (
        1 if rising else -1
    )

    names = [[basis.word(s, v) for v in values[:, c]] for s, c in zip((one, other), columns, strict=True)]
    table = pd.DataFrame(
        {
            factors[0]: names[0],
            factors[1]: names[1],
            **read_at(fit, values, model),
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
        (f"No trial worked {show.listed(empty)}: what is shown there is drawn from the other pairs.",)
        if empty
        else ()
    )
    return SettingGrid(factors, fit.name, words_of(model, base, factors), said, table, rising)


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
