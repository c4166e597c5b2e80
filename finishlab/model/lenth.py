"""Unreplicated two-level plans: which effects stand out of the rest, by Lenth's method.

When every combination of two-level factors (or a regular fraction of them) was worked once,
nothing repeats, and the effects themselves must say how large luck is: most of them are
nothing but luck. No model of the finish is needed, and a single panel is enough, for effects
within it. Plans with more levels belong to `fit` and `effects.py`. Neither statsmodels nor pingouin has Lenth's
pseudo standard error; it is ten lines here.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from itertools import combinations
from typing import TYPE_CHECKING, Any

import numpy as np

from finishlab.errors import ModelError
from finishlab.model.observed import observe
from finishlab.model.readings import burned_through, counted_trials
from finishlab.model.response import asked_response
from finishlab.records import check_trials
from finishlab.study import RESPONSES, Study
from finishlab.words import show

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.axes import Axes

#: Fewer effects than this cannot say what luck is (Lenth 1989 treats 7 and more).
_FEWEST = 7


@dataclass(frozen=True)
class Margins:
    """
    What luck alone does to effects of an unreplicated plan.

    Attributes
    ----------
    pse : float
        Pseudo standard error of an effect.
    df : float
    margin : float
        One effect that is luck stays within this margin of error with `cover`.
    joint_margin : float
        All of them stay within it together.
    """

    pse: float
    df: float
    margin: float
    joint_margin: float


def lenth(effects: np.ndarray, *, cover: float = 0.95) -> Margins:
    """
    Return Lenth's pseudo standard error and margins of the effects of an unreplicated plan.

    Parameters
    ----------
    effects : array_like, shape (effects,)
        Contrasts on one scale, as differences of averages.
    cover : float

    Returns
    -------
    Margins

    Raises
    ------
    ModelError
        Fewer than three effects.

    References
    ----------
    Lenth, R. V. (1989), Quick and easy analysis of unreplicated factorials, Technometrics 31,
    469-473 (from memory).

    Examples
    --------
    >>> found = lenth(np.array([21.6, 3.1, 9.9, 14.6, 0.1, -18.1, 16.6, 2.4, -0.4, -1.1, 1.9, 4.1, -1.6, -2.6, 1.4]))
    >>> round(found.pse, 2), round(found.df, 1)
    (2.62, 5.0)
    >>> lenth(np.array([1.0, 2.0]))
    Traceback (most recent call last):
        ...
    finishlab.errors.ModelError: 2 effects cannot say how large luck is; at least 3 are needed.
    """
    from scipy import stats

    size = np.abs(np.asarray(effects, float))
    if len(size) < 3:
        raise ModelError(f"{len(size)} effects cannot say how large luck is; at least 3 are needed.")
    first = 1.5 * float(np.median(size))
    small = size[size < 2.5 * first]
    pse = 1.5 * float(np.median(small)) if len(small) else 0.0
    df = len(size) / 3
    joint = (1 + cover ** (1 / len(size))) / 2
    return Margins(
        pse, df, float(stats.t.ppf((1 + cover) / 2, df) * pse), float(stats.t.ppf(joint, df) * pse)
    )


@dataclass(frozen=True, eq=False)
class ScreenedEffects:
    """
    Effects of an unreplicated two-level plan, and what luck alone would do.

    Made by `screen_effects`.

    Attributes
    ----------
    response : str
    margins : Margins
    cautions : tuple of str
    """

    response: str
    margins: Margins
    cautions: tuple[str, ...]
    _table: pd.DataFrame

    def table(self) -> pd.DataFrame:
        """
        Return one row an effect, the largest first.

        ``difference`` is the average at the second level less that at the first, with the 90 % interval
        by the pseudo standard error; ``stands_out`` says whether it is more than the luck of all
        effects together makes of one, at 95 %; ``also`` names what cannot be told from it.
        """
        return self._table.copy()

    def text(self) -> str:
        """Return which effects stand out, and how large luck is."""
        words, unit = RESPONSES[self.response]
        unit = show.spaced(unit)
        out = self._table[self._table["stands_out"]]
        luck = f"{show.number(self.margins.joint_margin, 1, 'up')}{unit}"
        if len(out):
            named = [f"{r['effect']} ({show.change(r['difference'])}{unit})" for r in out.to_dict("records")]
            first = f"{words}: {show.listed(named)} {'stands' if len(named) == 1 else 'stand'} out"
        else:
            first = f"{words}: no effect stands out"
        return " ".join(
            [
                f"{first}; luck alone keeps all effects within {luck} of nothing, 95 times in 100.",
                *self.cautions,
            ]
        )

    def to_dict(self) -> dict[str, Any]:
        """Return effects and margins as plain Python."""
        m = self.margins
        return {
            "response": self.response,
            "effects": self._table.to_dict("records"),
            "pse": m.pse,
            "df": m.df,
            "margin": m.margin,
            "joint_margin": m.joint_margin,
            "cautions": list(self.cautions),
        }

    def plot(self, ax: Axes | None = None) -> Axes:
        """Draw the effects as dots with their intervals, the largest on top."""
        from finishlab.figures import model_figures as figures

        words, unit = RESPONSES[self.response]
        over = f"{words}: difference, {unit or 'as read'}"
        names = self._table["effect"].tolist()
        return figures.ranked(self._table, names, over=over, title=self.text(), ax=ax)

    def _repr_html_(self) -> str:
        return show.sentence_and_table(self.text(), self.table())


def _signs(study: Study, done: pd.DataFrame) -> tuple[np.ndarray, list[str], dict[str, tuple[str, str]]]:
    """Return the plan as -1 and 1, the factors that varied, and their two levels in words."""
    basis = study.basis
    values = basis.values(done)
    columns, names, ends, mistakes = [], [], {}, []
    for j, f in enumerate(basis.factors):
        levels = np.unique(values[:, j])
        if np.isnan(levels).any():
            mistakes.append(f"{f.factor} means nothing where its step is left out. Use fit and what_matters.")
        elif len(levels) > 2:
            mistakes.append(f"{f.factor} was worked at {len(levels)} settings. Use fit and what_matters.")
        elif len(levels) == 2:
            columns.append(np.where(values[:, j] == levels[1], 1.0, -1.0))
            names.append(f.factor)
            words = [show.level_text(f, v) for v in levels]
            ends[f.factor] = (words[0], words[1])
    if mistakes:
        raise ModelError(["screening needs two settings of every factor that varied.", *mistakes])
    if not columns:
        raise ModelError("no factor varied, so there is no effect to look for. Vary at least three.")
    return np.column_stack(columns), names, ends


def _contrasts(signs: np.ndarray, names: list[str]) -> tuple[np.ndarray, list[list[tuple[str, ...]]]]:
    """
    Return every different contrast of a regular plan, and the effects that each stands for.

    Raises
    ------
    ModelError
        Combinations repeat, or are no regular fraction.
    """
    n = len(signs)
    found: dict[tuple[float, ...], list[tuple[str, ...]]] = {}
    for size in range(1, len(names) + 1):
        for some in combinations(range(len(names)), size):
            column = signs[:, list(some)].prod(axis=1)
            column = column * column[0]  # a sign apart it is the same contrast
            if abs(column.sum()) < n:
                found.setdefault(tuple(column), []).append(tuple(names[i] for i in some))
    once = len(np.unique(signs, axis=0)) == n
    matrix = np.array(list(found))
    if not once or len(found) != n - 1 or not np.array_equal(matrix @ matrix.T, n * np.eye(n - 1)):
        what = "some combinations were worked more than once" if not once else "they are no regular fraction"
        raise ModelError(
            f"{n} trials of {show.counted(len(names), 'factor')} at two settings: screening needs every combination, or a "
            f"regular fraction of them, worked once; {what}. Use fit and what_matters."
        )
    return matrix, list(found.values())


def screen_effects(study: Study, trials: pd.DataFrame, *, response: str | None = None) -> ScreenedEffects:
    """
    Find the effects that stand out in a two-level plan whose combinations were worked once.

    Parameters
    ----------
    study : Study
    trials : DataFrame
        One row a trial, as `read_trials` gives; done trials count. One panel is enough, for what
        holds on it.
    response : str, optional
        The first of the goal when not given.

    Returns
    -------
    ScreenedEffects

    Raises
    ------
    RecordsError
        The table is not right.
    ModelError
        A factor has more than two settings, combinations repeat or are no regular fraction, fewer than
        seven effects can be formed, or the response is not there.

    References
    ----------
    Lenth, R. V. (1989), Technometrics 31, 469-473 (from memory).

    Examples
    --------
    >>> import pandas as pd
    >>> from finishlab import Study
    >>> study = Study.from_toml('''
    ... title = "Doors"
    ... pass_means = "one direction"
    ... [[step]]
    ... name = "cut"
    ... pad = ["wool", "foam"]
    ... product = ["A", "B"]
    ... passes = { lowest = 2, highest = 6 }
    ... [goal]
    ... gloss_20 = { at_least = 82 }
    ... assurance = 0.9
    ... ''')
    >>> rows = [(pad, product, n) for pad in ("wool", "foam") for product in ("A", "B") for n in (2, 6)]
    >>> trials = pd.DataFrame(rows, columns=["cut_pad", "cut_product", "cut_passes"])
    >>> trials = trials.assign(panel="1", patch=range(1, 9), minutes=5.0, gloss_20=[70, 80, 70.4, 80.3, 71, 80.6, 70.9, 81.1])
    >>> print(screen_effects(study, trials).text())
    20° gloss: cut passes (2 to 6) (+9.9 GU) stands out; luck alone ... within 1.7 GU of nothing, 95 times in 100. All trials ...

    A plan that is no whole one is refused:

    >>> screen_effects(study, trials.head(7))
    Traceback (most recent call last):
        ...
    finishlab.errors.ModelError: 7 trials of 3 factors at two settings: screening needs every combination, ... Use fit and what_matters.
    """
    import pandas as pd

    table, _ = check_trials(trials, study)
    done = counted_trials(table)
    done = done[~burned_through(done)]
    response = asked_response(study, response)
    seen = observe(done, study, response, every_step=False)
    done = done.loc[list(seen.row)]
    signs, names, ends = _signs(study, done)
    matrix, stand_for = _contrasts(signs, names)
    if len(matrix) < _FEWEST:
        raise ModelError(
            f"{len(done)} trials give {len(matrix)} effects, too few to say how large luck is; {_FEWEST} are needed. "
            "Work eight combinations or more."
        )
    rows = []
    for effects in stand_for:
        # The contrast with the sign of its first-named effect.
        column = signs[:, [names.index(n) for n in effects[0]]].prod(axis=1)
        rows.append(
            {
                "effect": _effect_words(effects[0], ends),
                "difference": float(2 * column @ seen.observed.y / len(column)),
                "also": ", ".join(_effect_words(e, ends) for e in effects[1:]),
            }
        )
    found = pd.DataFrame(rows)
    margins = lenth(found["difference"].to_numpy())
    reach = lenth(found["difference"].to_numpy(), cover=0.9).margin
    found["difference_low"], found["difference_high"] = (
        found["difference"] - reach,
        found["difference"] + reach,
    )
    found["stands_out"] = found["difference"].abs() > margins.joint_margin
    found = found.sort_values("difference", key=lambda d: -d.abs(), ignore_index=True)
    return ScreenedEffects(response, margins, (*seen.cautions, *_doubts(done, found)), found)


def _effect_words(effect: tuple[str, ...], ends: Mapping[str, tuple[str, str]]) -> str:
    if len(effect) == 1:
        low, high = ends[effect[0]]
        return f"{show.label(effect[0])} ({low} to {high})"
    return " with ".join(show.label(name) for name in effect)


def _doubts(done: pd.DataFrame, found: pd.DataFrame) -> tuple[str, ...]:
    said = []
    panels = done["panel"].astype(str).nunique()
    if panels == 1:
        said.append(
            "All trials are on one panel: these are differences on it, and nothing says how the next panel reads."
        )
    else:
        said.append(
            f"The trials lie on {panels} panels: how these differ stands in the effects that go with them."
        )
    if (found["also"] != "").any():
        said.append("Each effect stands for others as well (column also): the plan cannot tell them apart.")
    return tuple(said)
