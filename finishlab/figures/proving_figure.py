"""The figure of the proving ground: how the promise was kept in each kind of shop.

As everywhere in this room: plain data in, axes out, nothing computed but where a mark goes.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from finishlab.figures.frame import BLUE, GREEN, GREY, INK, VERMILLION, axes, finish, legend
from finishlab.words.show import asked_percent

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.axes import Axes

_MARKS = (("o", BLUE), ("X", VERMILLION), ("s", GREY), ("^", GREEN))


def kept(table: pd.DataFrame, *, ax: Axes | None = None) -> Axes:
    """
    Draw by scenario how often what each way recommended truly reaches its goal.

    Parameters
    ----------
    table : DataFrame
        Of one design and one assurance, as `Proving.table`: `way`, `scenario`, `kept`,
        `kept_low`, `kept_high`, `assurance`. The first way is drawn filled.
    ax : Axes, optional

    Returns
    -------
    Axes

    Examples
    --------
    >>> import pandas as pd
    >>> from finishlab.figures.frame import blank
    >>> names = ["way", "scenario", "kept", "kept_low", "kept_high", "assurance"]
    >>> rows = [["finishlab", "plateau", 0.93, 0.90, 0.96, 0.9], ["other", "plateau", 0.3, 0.2, 0.4, 0.9]]
    >>> kept(pd.DataFrame(rows, columns=names), ax=blank()).get_xlabel()
    'share of next jobs that truly reach the goal (line: 2 standard errors)'
    """
    ax = axes(ax)
    wanted = float(table["assurance"].iloc[0])
    scenarios = list(dict.fromkeys(table["scenario"]))
    ways = list(dict.fromkeys(table["way"]))
    for k, way in enumerate(ways):
        marker, colour = _MARKS[k % len(_MARKS)]
        of_way = table[table["way"] == way]
        y = np.array([scenarios.index(s) for s in of_way["scenario"]]) + (k - (len(ways) - 1) / 2) * 0.18
        low, high = of_way["kept_low"].clip(0, 1), of_way["kept_high"].clip(0, 1)
        ax.hlines(y, low, high, color=colour, linewidth=1.2)
        ax.plot(
            of_way["kept"],
            y,
            marker,
            color=colour,
            markerfacecolor=colour if k == 0 else "white",
            label=way,
            markersize=6,
        )
    ax.axvline(wanted, color=INK, linewidth=1, linestyle="--")
    ax.set_yticks(range(len(scenarios)), scenarios)
    ax.invert_yaxis()
    ax.set_xlim(-0.02, 1.02)
    ax.set_xlabel("share of next jobs that truly reach the goal (line: 2 standard errors)")
    legend(ax)
    first = table[(table["way"] == ways[0]) & (table["scenario"] == "all")]["kept"]
    said = f": {ways[0]} keeps it in {float(first.iloc[0]):.0%} of jobs" if len(first) else ""
    return finish(ax, f"A promise of {asked_percent(wanted)} in each kind of invented shop{said}")
