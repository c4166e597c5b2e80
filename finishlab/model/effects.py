"""What matters most: how much each factor changes the finish, the minutes and the film.

A factor's effect is the difference of two averages over the studied settings of the other
factors, taken where it is largest; its interval covers that difference, in which panels and
all else that both sides share cancel (`other_settings.py`). How a figure of it looks is
`model_figures.py`'s; effects along one factor are `curves.py`'s,
over two `grids.py`'s.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from itertools import combinations
from typing import TYPE_CHECKING, Any

import numpy as np

from finishlab.errors import ModelError
from finishlab.memo import remembered
from finishlab.model.other_settings import Averages, held_at, some_levels
from finishlab.study import RESPONSES, Setting
from finishlab.words import show

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.axes import Axes

    from finishlab.model.finish_model import FinishModel

#: Pairs of factors in a figure.
_DRAWN = 6
#: Words and units of what is not a response.
_AMOUNTS = {"minutes": ("minutes", "min"), "removed_um": ("film removed", "µm")}


@dataclass(frozen=True, eq=False)
class WhatMatters:
    """
    How much each factor changes what is asked of the process.

    Made by `what_matters`.

    Attributes
    ----------
    cautions : tuple of str
        Which factors the trials cannot tell, or cannot tell apart, and why.
    """

    _effects: pd.DataFrame
    _where: str
    cautions: tuple[str, ...]
    _compared: Averages = field(repr=False)

    @property
    def quantities(self) -> tuple[str, ...]:
        """What `plot` can draw, the goal's responses first."""
        return tuple(dict.fromkeys(self._effects["quantity"]))

    def table(self) -> pd.DataFrame:
        """
        Return one row a factor and quantity, the largest difference first.

        ``difference`` is the average of the setting ``to`` less that of ``from``, with the 90 %
        interval of that difference; ``minutes`` is what the same change costs in working minutes.
        """
        return self._effects.drop(columns=["_from", "_to"])

    def together(self, response: str | None = None) -> pd.DataFrame:
        """
        Return how much more one factor's difference is worth at one setting of another.

        Parameters
        ----------
        response : str, optional
            The first of the goal when not given.

        Returns
        -------
        DataFrame
            One row a pair of factors, the largest first: ``difference`` is what going ``from`` ``to``
            adds at ``at`` beyond what it adds at ``than_at``, with its 90 % interval.

        Raises
        ------
        ModelError
            That response was not asked.
        """
        return self._pairs(self._asked(response)).copy()

    def _asked(self, quantity: str | None) -> str:
        quantity = quantity or self.quantities[0]
        if quantity not in self.quantities:
            raise ModelError(f"{quantity!r} was not asked. Drawn are: {', '.join(self.quantities)}.")
        return quantity

    @remembered
    def _pairs(self, response: str) -> pd.DataFrame:
        rows = self._effects[self._effects["quantity"] == response]
        return _all_pairs(self._compared, response, rows)

    def text(self) -> str:
        """Return what matters most for the first response of the goal, and for the minutes."""
        sentences = [
            _ranking(self._effects[self._effects["quantity"] == q], self._where)
            for q in (self.quantities[0], "minutes")
        ]
        return " ".join([*sentences, *self.cautions])

    def to_dict(self) -> dict[str, Any]:
        """Return the table and the cautions as plain Python."""
        return {
            "effects": self.table().to_dict("records"),
            "averaged_over": self._where,
            "cautions": list(self.cautions),
        }

    def plot(self, quantity: str | None = None, *, together: bool = False, ax: Axes | None = None) -> Axes:
        """
        Draw the factors ranked by what they change, dots with their 90 % intervals.

        Parameters
        ----------
        quantity : str, optional
            One of `quantities`; the first response of the goal when not given.
        together : bool
            Draw pairs instead, as `together` has them; for responses only.
        ax : Axes, optional

        Returns
        -------
        Axes

        Raises
        ------
        ModelError
            That quantity was not asked.
        """
        from finishlab.figures import model_figures as figures

        quantity = self._asked(quantity)
        if together:
            rows = self.together(quantity).head(_DRAWN)
            names = [f"{_change(r)}\n{r['at']} instead of {r['than_at']}" for r in rows.to_dict("records")]
            title = _together_title(rows, quantity)
        else:
            rows = self._effects[self._effects["quantity"] == quantity]
            names = [_change(r).replace(": ", "\n", 1) for r in rows.to_dict("records")]
            title = _ranking(rows, self._where)
        words, unit = _words(quantity)
        return figures.ranked(
            rows, names, over=f"{words}: difference, {unit or 'as read'}", title=title, ax=ax
        )

    def _repr_html_(self) -> str:
        return show.sentence_and_table(self.text(), self.table())


def _words(quantity: str) -> tuple[str, str]:
    return RESPONSES[quantity] if quantity in RESPONSES else _AMOUNTS[quantity]


def _change(row: Mapping[Any, Any]) -> str:
    return f"{show.label(str(row['factor']))}: {row['from']} to {row['to']}"


def _ranking(rows: pd.DataFrame, where: str) -> str:
    """Return in one sentence what matters, and what cannot be told from nothing."""
    words, unit = _words(str(rows["quantity"].iloc[0]))
    told = rows[(rows["difference_low"] > 0) | (rows["difference_high"] < 0)].to_dict("records")
    rest = [show.label(f) for f in rows["factor"] if f not in [r["factor"] for r in told]]
    if not told:
        return f"No factor's difference in {words} can be told from none, {where}."
    first, *others = told
    size = f"{show.change(first['difference'])}{show.spaced(unit)}"
    interval = show.interval_text(first["difference_low"], first["difference_high"])
    sentence = (
        f"What matters most for {words}, {where}: {show.label(first['factor'])}, {size} from {first['from']} to "
        f"{first['to']} (90 %: {interval})"
    )
    if others:
        sentence += "; then " + show.listed(
            [f"{show.label(r['factor'])} ({show.change(r['difference'])})" for r in others]
        )
    if rest:
        sentence += f". Not told from no difference: {show.listed(rest)}"
    return sentence + "."


# --- effects --------------------------------------------------------------------------------------


def _worked(setting: Setting, level: float) -> float:
    """Return a level; in place of no passes or seconds the fewest studied that are any."""
    return level if not setting.numeric or level > 0 else float(min(v for v in setting.levels if v > 0))


def _ends(mean: np.ndarray, ordered: bool) -> tuple[int, int]:
    """Return the two levels furthest apart: in their own order where they have one, else the lesser first."""
    low, high = int(mean.argmin()), int(mean.argmax())
    return (min(low, high), max(low, high)) if ordered else (low, high)


def _effect(compared: Averages, factor: Setting, quantities: list[str]) -> list[dict[str, Any]]:
    """Return the effect of one factor on every quantity."""
    levels = some_levels(compared.basis.levels[compared.basis.column(factor.factor)])
    # A setting that may not be run with what is held would leave nothing to compare.
    levels = np.array([v for v in levels if compared.blocks([{factor.factor: v}]) is not None])
    blocks = compared.blocks([{factor.factor: v} for v in levels]) if len(levels) > 1 else None
    if blocks is None:
        return []
    out = []
    for quantity in [*quantities, *compared.amounts]:
        i, j = _ends(compared.typical(quantity, blocks), factor.kind != "choice")
        difference = compared.contrast(quantity, [blocks[i], blocks[j]], (-1, 1))
        row = {
            "quantity": quantity,
            "factor": factor.factor,
            "from": show.level_text(factor, levels[i]),
            "to": show.level_text(factor, levels[j]),
            "_from": levels[i],
            "_to": levels[j],
            **dict(zip(("difference", "difference_low", "difference_high"), difference, strict=True)),
        }
        if quantity != "minutes":
            cost = compared.contrast("minutes", [blocks[i], blocks[j]], (-1, 1))
            row |= dict(zip(("minutes", "minutes_low", "minutes_high"), cost, strict=True))
        out.append(row)
    return out


def _all_pairs(compared: Averages, response: str, effects: pd.DataFrame) -> pd.DataFrame:
    """Return the pairs of factors by how far the difference of one depends on the other."""
    import pandas as pd

    settings = {f.factor: f for f in compared.basis.factors}
    ends = {r["factor"]: (r["_from"], r["_to"]) for r in effects.to_dict("records")}
    rows = []
    for a, b in combinations([settings[name] for name in settings if name in ends], 2):
        # Passes are worth more with one pad than another; that reads better than the other way round.
        first, second = (b, a) if b.numeric and not a.numeric else (a, b)
        row = _pair(compared, response, (first, *ends[first.factor]), (second, *ends[second.factor]))
        if row is not None:
            rows.append(row)
    names = [
        "quantity",
        "factor",
        "from",
        "to",
        "at",
        "than_at",
        "difference",
        "difference_low",
        "difference_high",
    ]
    table = pd.DataFrame(rows, columns=names)
    return table.sort_values("difference", ascending=False, ignore_index=True)


def _pair(
    compared: Averages, response: str, a: tuple[Setting, float, float], b: tuple[Setting, float, float]
) -> dict[str, Any] | None:
    """Return how much more going from one to the other end of `a` adds at one end of `b` than at the other."""
    (one, a0, a1), (other, b0, b1) = a, b
    if one.step == other.step:
        # At none of its passes a step's other settings mean nothing.
        a0, a1 = (_worked(one, v) for v in (a0, a1))
        b0, b1 = (_worked(other, v) for v in (b0, b1))
    blocks = compared.blocks([{one.factor: x, other.factor: y} for y in (b0, b1) for x in (a0, a1)])
    if blocks is None or a0 == a1 or b0 == b1:
        return None
    more, low, high = compared.contrast(response, blocks, (1, -1, -1, 1))
    at, than_at = (show.level_text(other, v) for v in (b1, b0))
    if more < 0:
        more, low, high, at, than_at = -more, -high, -low, than_at, at
    return {
        "quantity": response,
        "factor": one.factor,
        "from": show.level_text(one, a0),
        "to": show.level_text(one, a1),
        "at": f"{show.label(other.factor)} {at}",
        "than_at": than_at,
        "difference": more,
        "difference_low": low,
        "difference_high": high,
    }


def _together_title(rows: pd.DataFrame, quantity: str) -> str:
    words, unit = _words(quantity)
    told = rows[rows["difference_low"] > 0]
    if not len(told):
        return f"{words}: no change of one setting can be told to be worth more at one setting of another than at the other."
    first = told.iloc[0].to_dict()
    size = f"{show.number(first['difference'], 1)}{show.spaced(unit)}"
    return (
        f"{words}: {_change(first)} adds {size} more at {first['at']} than at {first['than_at']} "
        f"({show.interval_text(first['difference_low'], first['difference_high'])})."
    )


# --- what the trials cannot tell --------------------------------------------------------------------


def _untold(model: FinishModel) -> tuple[set[str], tuple[str, ...]]:
    """Return the factors that never varied, and in words what the trials cannot tell or tell apart."""
    basis = model.study.basis
    values = basis.values(model.done)
    never: set[str] = set()
    said = []
    for j, f in enumerate(basis.factors):
        levels = np.unique(values[~np.isnan(values[:, j]), j])
        if len(levels) < 2:
            never.add(f.factor)
            only = show.level_text(f, levels[0]) if len(levels) else "left out"
            said.append(
                f"{show.label(f.factor)} was {only} in every trial, so nothing says what it changes. "
                "Add trials with another setting."
            )
    for j, k in combinations(range(len(basis.factors)), 2):
        a, b = basis.factors[j].factor, basis.factors[k].factor
        both = values[~np.isnan(values[:, [j, k]]).any(axis=1)][:, [j, k]]
        if a in never or b in never or not len(both):
            continue
        pairs = len(np.unique(both, axis=0))
        if pairs == len(np.unique(both[:, 0])) == len(np.unique(both[:, 1])) and pairs > 1:
            said.append(
                f"{show.label(a)} and {show.label(b)} always changed together: what is shown for the one may be the "
                "other's doing. Add trials that change them apart."
            )
    return never, tuple(said)


def what_matters(model: FinishModel, *, at: Mapping[str, Any] | None = None) -> WhatMatters:
    """
    Rank the factors by how much they change the finish, the minutes and the film.

    Parameters
    ----------
    model : FinishModel
    at : mapping of factor -> level, optional
        Settings to stand at, as a recipe's `settings`: each factor is changed from there. Factors
        not named are averaged over what was studied of them.

    Returns
    -------
    WhatMatters

    Raises
    ------
    ModelError
        `at` names no factor of the study, or nothing varied.
    OutsideStudy
        `at` names a setting that was never studied.

    Notes
    -----
    The effect of a factor is the difference between those two of its settings whose averages over
    the other factors lie furthest apart. Its 90 % interval is of that difference of averages, drawn
    together, and not of a single next job.

    References
    ----------
    Averages that stand evenly over the other factors: Searle, S. R., Speed, F. M. & Milliken, G. A.
    (1980), Am. Stat. 34, 216. Intervals of draws, as in `fit`: Rue, Martino & Chopin (2009), J. R.
    Stat. Soc. B 71, 319 (both from memory).

    Examples
    --------
    >>> found = what_matters(model)
    >>> found.quantities
    ('gloss_20', 'minutes', 'removed_um')
    >>> found.table()["factor"].iloc[0]
    'polish_passes'

    A factor that the study does not vary is refused:

    >>> what_matters(model, at={"sand_speed": 900})
    Traceback (most recent call last):
        ...
    finishlab.errors.ModelError: 'sand_speed' is no factor of this study. Factors: ...
    """
    import pandas as pd

    basis = model.study.basis
    held = held_at(model, at)
    never, cautions = _untold(model)
    compared = Averages(model, held)
    rows = [
        row
        for f in basis.factors
        if f.factor not in never
        for row in _effect(compared, f, list(model.study.goal))
    ]
    if not rows:
        raise ModelError(["nothing can be told of any factor.", *cautions])
    table = pd.DataFrame(rows)
    order = {q: i for i, q in enumerate([*model.study.goal, *_AMOUNTS])}
    table["_order"], table["_size"] = table["quantity"].map(order), -table["difference"].abs()
    table = table.sort_values(["_order", "_size"], ignore_index=True).drop(columns=["_order", "_size"])
    where = "at the settings given" if len(held) >= len(basis.factors) - 1 else "on average over the study"
    if held and len(held) < len(basis.factors) - 1:
        where = "at " + show.listed([f"{show.label(k)} {at[k]}" for k in held]) + ", else on average"  # type: ignore[index]
    return WhatMatters(table, where, cautions, compared)
