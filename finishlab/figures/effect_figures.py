"""Figures of effects: what matters, gloss over the passes, a grid of two settings.

Drawn from plain data as in `plots.py`; nothing is computed here but where to put a mark.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from finishlab.figures.frame import (
    BLUE,
    GREY,
    INK,
    VERMILLION,
    arms,
    axes,
    beside,
    blank,
    finish,
    legend,
    panel_mark,
)
from finishlab.words.show import label, number, plain_number

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.axes import Axes

__all__ = ["blank", "curve", "grid", "ranked"]


def ranked(
    rows: pd.DataFrame, names: Sequence[str], *, over: str, title: str, ax: Axes | None = None
) -> Axes:
    """
    Draw differences as dots with their intervals, the largest on top.

    A hollow diamond marks what cannot be told from no difference.

    Parameters
    ----------
    rows : DataFrame
        ``difference``, ``difference_low``, ``difference_high``, in the order drawn.
    names : sequence of str, one a row
    over, title : str
    ax : Axes, optional

    Examples
    --------
    >>> import pandas as pd
    >>> rows = pd.DataFrame({"difference": [6.0, 0.1], "difference_low": [4, -0.4], "difference_high": [8, 0.6]})
    >>> ax = ranked(rows, ["passes", "pad"], over="GU", title="Passes matter most", ax=blank())
    >>> [t.get_text() for t in ax.texts]
    ['+6.0', '+0.1']
    >>> ranked(rows.head(0), [], over="GU", title="Nothing", ax=blank()).get_title(loc="left")
    'Nothing'
    """
    ax = axes(ax, height=2.2 + 0.55 * len(rows))
    middle = rows["difference"].to_numpy(float)
    low, high = rows["difference_low"].to_numpy(float), rows["difference_high"].to_numpy(float)
    y = -np.arange(len(rows), dtype=float)
    told = (low > 0) | (high < 0)
    kinds = (
        (told, "o", BLUE, BLUE, "told from no difference (bar: 90 % interval)"),
        (~told, "D", GREY, "white", "not told from no difference"),
    )
    ax.axvline(0, color=INK, linewidth=1)
    for which, marker, colour, face, words in kinds:
        if which.any():
            ax.errorbar(
                middle[which], y[which], xerr=arms(middle, low, high)[:, which], fmt=marker,
                color=colour, markerfacecolor=face, markersize=7.5, elinewidth=1.8, capsize=3, label=words,
            )  # fmt: skip
    for x, at in zip(middle, y, strict=True):
        sign = "+" if x >= 0 else "-"
        ax.annotate(
            f"{sign}{number(abs(x), 1)}", (x, at), xytext=(0, 7), textcoords="offset points", ha="center", fontsize=9
        )  # fmt: skip
    ax.set_yticks(y, list(names), fontsize=9)
    ax.set_ylim(-max(len(rows), 1) + 0.4, 0.7)
    ax.set_xlabel(over)
    if len(rows):
        legend(ax, columns=1)
    return finish(ax, title, width=beside(names))


def curve(
    table: pd.DataFrame,
    trials: pd.DataFrame,
    *,
    factor: str,
    response: str,
    goal: tuple[float | None, float | None],
    title: str,
    ax: Axes | None = None,
) -> Axes:
    """
    Draw a response over one factor: the process itself, the next job, and the trials.

    Parameters
    ----------
    table : DataFrame
        The factor, ``value``, ``mean_low``, ``mean_high``, ``job_low``, ``job_high``.
    trials : DataFrame
        The factor, ``moved`` (reading, carried to this process) and ``same`` (worked as this process).
    factor, response : str
    goal : (at least, at most)
        None where there is none.
    title : str
    ax : Axes, optional

    Examples
    --------
    >>> import pandas as pd
    >>> row = {"cut_passes": [1, 2], "value": [80, 84], "mean_low": [79, 83], "mean_high": [81, 85]}
    >>> table = pd.DataFrame(row | {"job_low": [77, 82], "job_high": [83, 86]})
    >>> trials = pd.DataFrame({"cut_passes": [1], "moved": [80.5], "same": [False]})
    >>> ax = curve(table, trials, factor="cut_passes", response="gloss_20", goal=(84, None), title="", ax=blank())
    >>> ax.get_xlabel(), ax.get_ylabel()
    ('cut passes', '20° gloss, GU')
    >>> words = [t.get_text() for t in ax.get_legend().get_texts()]
    >>> "trials of other processes, carried here by the model" in words
    True
    """
    ax = axes(ax)
    x = table[factor].to_numpy(float)
    ax.fill_between(
        x,
        table["job_low"],
        table["job_high"],
        color="#d9e6f2",
        label="next job, 90 % of sections",
        linewidth=0,
    )
    for name in ("job_low", "job_high"):
        ax.plot(x, table[name], color=BLUE, linewidth=0.8, linestyle=":")
    low = arms(table["value"], table["mean_low"], table["mean_high"])
    ax.errorbar(
        x, table["value"], yerr=low, fmt="-o", color=BLUE, markersize=5, capsize=3,
        label="the process itself (bar: 90 % interval)",
    )  # fmt: skip
    gap = 0.12 * (np.diff(x).min() if len(x) > 1 else 1.0)
    kinds = (
        (True, "s", VERMILLION, VERMILLION, "trials of this process"),
        (False, "^", INK, "white", "trials of other processes, carried here by the model"),
    )
    for same, marker, colour, face, words in kinds:
        some = trials[trials["same"].astype(bool) == same]
        if len(some):
            ax.plot(
                some[factor] + gap, some["moved"], linestyle="", marker=marker, color=colour, markerfacecolor=face,
                markersize=6, alpha=0.85, label=words,
            )  # fmt: skip
    for value, words in zip(goal, ("at least", "at most"), strict=True):
        if value is not None:
            ax.axhline(
                value, color=INK, linestyle="--", linewidth=1.1, label=f"goal: {words} {plain_number(value)}"
            )
    if len(x) <= 12:
        ax.set_xticks(x, [plain_number(v) for v in x])
    # Far-off trials would press the band flat; they are told in the table.
    shown = [table["job_low"].min(), table["job_high"].max(), *[v for v in goal if v is not None]]
    room = 0.15 * max(max(shown) - min(shown), 1e-9)
    ax.set_ylim(min(shown) - room, max(shown) + room)
    ax.set_xlabel(label(factor))
    ax.set_ylabel(label(response))
    legend(ax)
    return finish(ax, title)


def grid(
    table: pd.DataFrame,
    factors: tuple[str, str],
    *,
    response: str,
    title: str,
    ax: Axes | None = None,
) -> Axes:
    """
    Draw what each pair of two settings reads: a dot with its interval, rows and marks for the settings.

    Parameters
    ----------
    table : DataFrame
        Both factors, ``value``, ``mean_low``, ``mean_high`` and ``minutes``.
    factors : (str, str)
        The first down the side, the second by mark.
    response, title : str
    ax : Axes, optional

    Examples
    --------
    >>> import pandas as pd
    >>> table = pd.DataFrame({"cut_pad": ["wool", "foam"], "cut_product": ["A", "A"], "value": [84, 86],
    ...                       "mean_low": [83, 85], "mean_high": [85, 87], "minutes": [6.0, 6.5]})
    >>> ax = grid(table, ("cut_pad", "cut_product"), response="gloss_20", title="", ax=blank())
    >>> [t.get_text() for t in ax.get_yticklabels()]
    ['wool', 'foam']
    >>> ax.texts[0].get_text()
    '6.0 min'
    """
    ax = axes(ax)
    rows, marks = (list(dict.fromkeys(table[f].astype(str))) for f in factors)
    aside = 0.5 * (np.arange(len(marks)) - (len(marks) - 1) / 2) / max(len(marks), 2)
    for k, mark in enumerate(marks):
        some = table[table[factors[1]].astype(str) == mark]
        y = -np.array([rows.index(str(v)) for v in some[factors[0]]], float) - aside[k]
        x = some["value"].to_numpy(float)
        reach = arms(x, some["mean_low"], some["mean_high"])
        look = panel_mark(k)
        ax.errorbar(
            x, y, xerr=reach, fmt=look["marker"], color=look["color"], markersize=7, capsize=3, linestyle="",
            label=f"{label(factors[1])} {mark}",
        )  # fmt: skip
        for at, high, minutes in zip(y, some["mean_high"], some["minutes"], strict=True):
            ax.annotate(
                f"{number(minutes, 1, 'up')} min", (high, at), xytext=(6, 0), textcoords="offset points",
                va="center", fontsize=8.5, color=GREY,
            )  # fmt: skip
    ax.set_yticks([-i for i in range(len(rows))], rows)
    ax.set_ylim(-len(rows) + 0.4, 0.6)
    ax.margins(x=0.14)
    ax.set_xlabel(f"{label(response)} (bar: 90 % interval of the process itself)")
    ax.set_ylabel(label(factors[0]))
    legend(ax)
    return finish(ax, title, width=beside(rows))
