"""How far apart the levels of one factor are: pads, products, grits, in GU and in minutes.

A linear mixed model on the scale where the response is straight, panels and what else
trials share at random; adjusted means at the average of the other factors, and all
differences of two with intervals that hold together. The surface and step models shrink
and predict; here nothing is shrunk, so that what is said is what the trials alone show.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from itertools import combinations
from typing import TYPE_CHECKING, Any

import numpy as np

from finishlab.errors import ModelError
from finishlab.model.other_settings import setting_of
from finishlab.model.response import asked_response
from finishlab.model.straight_scale import ComparedTerms, Straight, straighten, told_groups
from finishlab.numbers import is_number
from finishlab.statistics import (
    Contrasts,
    MixedFit,
    all_pairs,
    contrasts,
    term_test,
    together,
)
from finishlab.statistics.multiplicity import tukey_reach
from finishlab.study import RESPONSES, Setting
from finishlab.words import show

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.axes import Axes

    from finishlab.model.finish_model import FinishModel
    from finishlab.study.basis import Basis

#: What intervals hold, all differences of two levels together.
COVER = 0.9
#: More levels than this are a curve, not a comparison.
MOST_LEVELS = 8
#: Pairs said one by one.
_SHOWN = 6
#: Products are named when luck alone would name any of them this seldom.
_SURE = 0.05


@dataclass(frozen=True, eq=False)
class LevelDifferences:
    """
    How far apart the levels of one factor are.

    Made by `compare_levels`.

    Attributes
    ----------
    factor, response : str
    smallest : float or None
        Smallest difference that matters, in units of the response, as it was given.
    levels : tuple of str or float
        Those that were tried, in the order of the study; numbers in the unit of the setting.
    means : DataFrame
        One row a level: ``level``, ``trials``, ``panels``, the response at the average of the
        other factors on a usual panel with the 90 % interval ``<response>_mean_low`` and
        ``_mean_high`` of each by itself, and ``minutes``.
    cautions : tuple of str
    """

    factor: str
    response: str
    smallest: float | None
    levels: tuple[Any, ...]
    means: pd.DataFrame
    cautions: tuple[str, ...]
    _pairs: pd.DataFrame = field(repr=False)

    def table(self) -> pd.DataFrame:
        """
        Return one row a pair of levels, the higher first.

        ``difference`` of the two adjusted means with ``difference_low`` and ``difference_high``,
        which for all pairs together hold with 90 %; ``minutes`` likewise; ``verdict`` in words.
        """
        return self._pairs.copy()

    def text(self) -> str:
        """Return the verdicts, one sentence a pair, the widest six."""
        words, unit = RESPONSES[self.response]
        what = f"{words} by {show.label(self.factor)}, at the average of the other settings"
        matters = (
            "" if self.smallest is None else f" (less than {_amount(self.smallest, unit)} does not matter)"
        )
        more = len(self._pairs) - _SHOWN
        rest = f" And {show.counted(more, 'more pair')} in the table." if more > 0 else ""
        return f"{what}{matters}: " + " ".join(f"{v}." for v in self._pairs["verdict"].head(_SHOWN)) + rest

    def to_dict(self) -> dict[str, Any]:
        """Return means, differences and cautions as plain Python, at full precision."""
        return {
            "factor": self.factor,
            "response": self.response,
            "smallest": self.smallest,
            "cover": COVER,
            "means": self.means.to_dict("records"),
            "differences": self._pairs.to_dict("records"),
            "cautions": list(self.cautions),
        }

    def plot(self, ax: Axes | None = None) -> Axes:
        """Draw every difference as a dot with its interval, and the band that does not matter."""
        from finishlab.figures import model_figures

        words, unit = RESPONSES[self.response]
        names = [f"{a} less {b}" for a, b in zip(self._pairs["level"], self._pairs["other"], strict=True)]
        over = f"difference of {words}{', ' + unit if unit else ''} (intervals hold together with {show.asked_percent(COVER)})"
        ax = model_figures.ranked(self._pairs, names, over=over, title=self._headline(), ax=ax)
        if self.smallest:
            ax.axvspan(-self.smallest, self.smallest, color="#ececec", zorder=0)
            ax.annotate(
                "too small to matter", (0, 0.66), ha="center", va="top", fontsize=8, backgroundcolor="#ececec"
            )
        return ax

    def _headline(self) -> str:
        return f"{show.label(self.factor)}: {self._pairs['verdict'].iloc[0]}"

    def _repr_html_(self) -> str:
        shown = self._pairs[["level", "other"]].copy()
        for column, unit in (("difference", RESPONSES[self.response][1]), ("minutes", "min")):
            ends = self._pairs[[column, f"{column}_low", f"{column}_high"]].to_numpy(float)
            shown[f"{column}, first less second"] = [
                f"{show.number(x, 1)} ({show.interval_text(low, high, unit)})" for x, low, high in ends
            ]
        return show.sentence_and_table(self.text(), shown) + show.html_table(self.means)


def compare_levels(
    model: FinishModel, factor: str, *, smallest: float | None = None, response: str | None = None
) -> LevelDifferences:
    """
    Say how far apart the levels of a factor are, and whether that matters.

    Parameters
    ----------
    model : FinishModel
    factor : str
        A factor of the study with two to eight tried levels, such as ``cut_pad``.
    smallest : float, optional
        Smallest difference that matters to the shop, in units of the response.
    response : str, optional
        The first of the goal when not given.

    Returns
    -------
    LevelDifferences

    Raises
    ------
    ModelError
        The factor is unknown, never varied or changed only with the panel; the trials are too few
        to allow for the other factors; the response is unknown or was never read, or every patch reads the same;
        or `smallest` is below 0.

    Notes
    -----
    Readings are compared where they are straight (`scales.py`), under the ceiling that the
    model found, by a linear mixed model with the factor, the other factors, and, where there
    are twice as many trials as terms, squares of numbers and the factor's products with the
    others; panels, half panels, technicians and lots are random. Means stand at the average
    of the numbers and evenly over the levels of the rest. Intervals are by Kenward and
    Roger's degrees of freedom, for all pairs together by Tukey and Kramer; the two ends of
    a difference are turned back into units of the response about the middle of the two means.

    References
    ----------
    Kenward, M. G. & Roger, J. H. (1997), Biometrics 53, 983; Kramer, C. Y. (1956), Biometrics
    12, 307; adjusted means: Searle, S. R., Speed, F. M. & Milliken, G. A. (1980), Am. Stat.
    34, 216 (all from memory).

    Examples
    --------
    >>> import finishlab as fl
    >>> found = fl.compare_levels(model, "cut_pad", smallest=2.0)
    >>> found.levels
    ('wool', 'microfibre', 'foam')
    >>> len(found.table())
    3

    A factor that nobody varied cannot be compared:

    >>> fl.compare_levels(model, "cut_speed")
    Traceback (most recent call last):
        ...
    finishlab.errors.ModelError: 'cut_speed' is no factor of this study. Factors: sand_grit, cut_pad, cut_product, cut_passes, polish_passes.
    """
    basis = model.study.basis
    name = asked_response(model.study, response)
    setting = setting_of(model, factor)
    if smallest is not None and not (is_number(smallest) and smallest >= 0):
        raise ModelError(f"smallest is {smallest!r}; it must be 0 or more, in units of {RESPONSES[name][0]}.")
    j = basis.column(factor)
    every = straighten(model.response(name))
    # A trial that left the step out says nothing of its settings.
    part = every.some(~np.isnan(every.values[:, j]))
    tried = _tried(basis, setting, part.values[:, j])
    built = ComparedTerms(basis, setting, tried, part)
    groups, told = told_groups(part.groups, built.terms.matrix)
    if "panel" not in groups and _within(part.groups["panel"], part.values[:, j]):
        raise ModelError(
            f"{show.label(factor)} changed only from panel to panel, and no two panels tell it from their own luck. "
            "Work each of its levels on two panels at least, or several on one."
        )
    fit = part.fit(built.terms.matrix, groups)
    rows = built.rows(tried)
    found = contrasts(fit, all_pairs(len(tried)) @ rows)
    means = contrasts(fit, rows)
    words = tuple(show.setting_text(setting, basis.word(setting, v)) for v in tried)
    minutes = _minutes(model, part.values, j, tried)
    return LevelDifferences(
        factor=factor,
        response=name,
        smallest=smallest,
        levels=words,
        means=_means(name, words, part, j, tried, means, minutes[0]),
        cautions=tuple(
            dict.fromkeys([*_untried(setting, tried), *built.cautions, *told, *_hangs(fit, built)])
        ),
        _pairs=_pairs(name, words, part, means.value, found, minutes, smallest),
    )


def _tried(basis: Basis, setting: Setting, values: np.ndarray) -> np.ndarray:
    tried = np.unique(values)
    label = show.label(setting.factor)
    if len(tried) < 2:
        only = "left out" if not len(tried) else show.setting_text(setting, basis.word(setting, tried[0]))
        raise ModelError(
            f"{label} was {only} in every trial: there is nothing to compare. Add trials with another setting."
        )
    if len(tried) > MOST_LEVELS:
        raise ModelError(
            f"{label} was tried at {len(tried)} settings; that is a curve, not a comparison. Ask pass_curve or what_matters."
        )
    return tried


def _untried(setting: Setting, tried: np.ndarray) -> list[str]:
    if setting.numeric:
        return []
    missing = [str(w) for i, w in enumerate(setting.levels) if i not in tried]
    return [f"{show.listed(missing)} of {show.label(setting.factor)}: never tried."] if missing else []


def _within(panel: np.ndarray, value: np.ndarray) -> bool:
    """Return whether a setting stayed the same all over each panel."""
    return all(len(np.unique(value[panel == p])) == 1 for p in np.unique(panel))


def _hangs(fit: MixedFit, built: ComparedTerms) -> list[str]:
    """Say on which other settings the differences hang, when luck alone would seldom say so."""
    if not built.products or fit.residual_variance == 0:
        return []
    from statsmodels.stats.multitest import multipletests

    # Holm's steps: the chance of naming any product by luck alone is at most `_SURE`.
    p = multipletests([term_test(fit, built.terms, t).p for t in built.products], method="holm")[1]
    on = [show.label(t[1]) for t, q in zip(built.products, p, strict=True) if q < _SURE]
    if not on:
        return []
    return [
        f"How far the levels of {show.label(built.products[0][0])} are apart hangs on {show.listed(on)}: the "
        "differences are those at the average. setting_grid shows them setting by setting."
    ]


# --- from the straight scale back to readings ---------------------------------------------------------


def _minutes(
    model: FinishModel, values: np.ndarray, j: int, tried: np.ndarray
) -> tuple[np.ndarray, list[tuple[float, float, float]]]:
    """Return average minutes at each level, and of all pairs the difference with its ends, all else as worked."""
    blocks = []
    for level in tried:
        changed = values.copy()
        changed[:, j] = level
        blocks.append(model.study.basis.canonical(changed))
    from scipy import special

    amount = model.minutes
    df = min(p.fit.df_resid for p in amount.parts)
    cover = 2 * float(special.stdtr(df, tukey_reach(len(tried), float(df), COVER))) - 1
    pairs = [amount.difference(a, b, cover) for a, b in combinations(blocks, 2)]
    return np.array([amount.mean(b).mean() for b in blocks]), pairs


def _means(
    name: str,
    words: Sequence[str],
    part: Straight,
    j: int,
    tried: np.ndarray,
    means: Contrasts,
    minutes: np.ndarray,
) -> pd.DataFrame:
    import pandas as pd

    low, high = means.interval(COVER)
    ends = np.sort(part.scale.reading(np.array([low, high])), axis=0)
    mine = [part.values[:, j] == v for v in tried]
    return pd.DataFrame(
        {
            "level": words,
            "trials": [int(m.sum()) for m in mine],
            "panels": [len(np.unique(part.groups["panel"][m])) for m in mine],
            name: part.scale.reading(means.value),
            f"{name}_mean_low": ends[0],
            f"{name}_mean_high": ends[1],
            "minutes": minutes,
        }
    )


def _pairs(
    name: str,
    words: Sequence[str],
    part: Straight,
    means: np.ndarray,
    found: Contrasts,
    minutes: tuple[np.ndarray, list[tuple[float, float, float]]],
    smallest: float | None,
) -> pd.DataFrame:
    """Return one row a pair, the level that reads higher first."""
    import pandas as pd

    low, high = together(found, len(words), COVER)
    unit = RESPONSES[name][1]
    rows = []
    for k, (a, b) in enumerate(combinations(range(len(words)), 2)):
        middle = (means[a] + means[b]) / 2

        def apart(z: float, middle: float = middle) -> float:
            ends = part.scale.reading(np.array([middle + z / 2, middle - z / 2]))
            return float(ends[0] - ends[1])

        ends = sorted((apart(low[k]), apart(high[k])))
        row = (apart(found.value[k]), *ends, *minutes[1][k])
        first, second = a, b
        if row[0] < 0:
            first, second = b, a
            row = (-row[0], -row[2], -row[1], -row[3], -row[5], -row[4])
        keys = (
            "difference",
            "difference_low",
            "difference_high",
            "minutes",
            "minutes_low",
            "minutes_high",
        )
        rows.append(
            {
                "level": words[first],
                "other": words[second],
                **dict(zip(keys, row, strict=True)),
                "verdict": _verdict(words[first], words[second], row[1], row[2], smallest, unit),
            }
        )
    table = pd.DataFrame(rows)
    return table.sort_values("difference", ascending=False, kind="stable", ignore_index=True)


def _verdict(a: str, b: str, low: float, high: float, smallest: float | None, unit: str) -> str:
    """
    Say in words how far `a` lies above `b`.

    Examples
    --------
    >>> _verdict("wool", "microfibre", 1.23, 3.38, 1.0, "GU")
    'wool and microfibre: 1.2 to 3.4 GU apart, wool higher; more than the 1 GU that matters'
    >>> _verdict("wool", "foam", -0.4, 0.6, 1.0, "GU")
    'wool and foam: less apart than the 1 GU that matters (wool 0.4 GU lower to 0.6 GU higher)'
    >>> _verdict("wool", "foam", 0.4, 2.6, 1.0, "GU")
    'wool and foam: 0.4 to 2.6 GU apart, wool higher; whether by the 1 GU that matters, cannot tell yet'
    >>> _verdict("wool", "foam", -1.4, 2.6, None, "GU")
    'wool and foam: cannot tell which is higher (wool 1.4 GU lower to 2.6 GU higher)'
    """
    pair = f"{a} and {b}"
    ends = (
        f"({a} {_amount(-low, unit, 'up')} lower to {_amount(high, unit, 'up')} higher)"
        if low < 0
        else f"({show.interval_text(low, high, unit)})"
    )
    matter = "" if smallest is None else f"the {_amount(smallest, unit)} that matters"
    if smallest is not None and max(-low, high) < smallest:
        return f"{pair}: less apart than {matter} {ends}"
    if low > 0:
        known = f"{pair}: {show.interval_text(low, high, unit)} apart, {a} higher"
        if smallest is None:
            return known
        if low >= smallest:
            return f"{known}; more than {matter}"
        return f"{known}; whether by {matter}, cannot tell yet"
    return f"{pair}: cannot tell which is higher {ends}"


def _amount(value: float, unit: str, toward: str = "") -> str:
    shown = show.number(value, 1, "up") if toward == "up" else show.plain_number(value)
    return shown + show.spaced(unit)
