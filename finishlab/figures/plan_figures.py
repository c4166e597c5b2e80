"""Figures of planning: where patches lie on a panel, what will be seen, how many trials pay.

Drawn from plain data as everywhere in this room; nothing is computed here but where to put a mark.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING

import numpy as np

from finishlab.figures.frame import BLUE, GREY, INK, VERMILLION, arms, axes, finish, legend
from finishlab.words.show import counted

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.axes import Axes

#: Share of a panel's side that is kept free at each edge: thin film, clamps (common practice, no source).
_EDGE = 0.08


def panel_map(
    panel: str, places: Mapping[int, tuple[int, int]], runs: Mapping[int, int], *, ax: Axes | None = None
) -> Axes:
    """
    Draw one test panel: its patches with the run that works each, the edges kept free.

    Parameters
    ----------
    panel : str
    places : mapping of int -> (int, int)
        Row and column of every patch, from 1.
    runs : mapping of int -> int
        Run of each patch that is worked.
    ax : Axes, optional

    Examples
    --------
    >>> from finishlab.figures.frame import blank
    >>> panel_map("1", {1: (1, 1), 2: (1, 2)}, {1: 7}, ax=blank()).get_title(loc="left")
    'Panel 1: 1 of 2 patches worked; edges kept free'
    >>> panel_map("1", {1: (1, 1)}, {}, ax=blank()).get_title(loc="left")
    'Panel 1: 0 of 1 patches worked; edges kept free'
    """
    from matplotlib.patches import Rectangle

    ax = axes(ax)
    rows, columns = max(r for r, _ in places.values()), max(c for _, c in places.values())
    width, height = 2.0, 2.0 * rows / max(columns, 1)
    ax.add_patch(Rectangle((0, 0), width, height, fill=False, edgecolor=INK, linewidth=1.5))
    free = _EDGE * min(width, height)
    w, h = (width - 2 * free) / columns, (height - 2 * free) / rows
    for patch, (row, column) in places.items():
        x, y = free + (column - 1) * w, height - free - row * h
        used = patch in runs
        ax.add_patch(
            Rectangle(
                (x + 0.05 * w, y + 0.05 * h), 0.9 * w, 0.9 * h,
                facecolor="white", edgecolor=BLUE if used else GREY, linewidth=1.4 if used else 0.8, linestyle="-" if used else ":",
            )
        )  # fmt: skip
        words = f"patch {patch}\nrun {runs[patch]}" if used else f"patch {patch}\nfree"
        ax.text(
            x + w / 2, y + h / 2, words, ha="center", va="center", fontsize=9, color=INK if used else GREY
        )
    ax.set_xlim(-0.05, width + 0.05)
    ax.set_ylim(-0.05, height + 0.05)
    ax.set_aspect("equal")
    finish(ax, f"Panel {panel}: {len(runs)} of {len(places)} patches worked; edges kept free")
    ax.set_axis_off()
    return ax


def foresight(factors: pd.DataFrame, *, trials: int, panels: int, ax: Axes | None = None) -> Axes:
    """
    Draw for each factor the smallest difference in gloss that will be found four times in five.

    Parameters
    ----------
    factors : DataFrame
        ``label``, ``difference`` in words, ``gloss_gu`` (infinite where nothing will be found).
    trials, panels : int
    ax : Axes, optional

    Examples
    --------
    >>> import pandas as pd
    >>> from finishlab.figures.frame import blank
    >>> rows = pd.DataFrame({"label": ["cut pad"], "difference": ["between any two"], "gloss_gu": [2.4]})
    >>> foresight(rows, trials=28, panels=4, ax=blank()).get_title(loc="left")
    'What 28 trials on 4 panels will find four times in five'
    >>> none = rows.assign(gloss_gu=float("inf"))
    >>> [t.get_text() for t in foresight(none, trials=4, panels=1, ax=blank()).texts]
    [' nothing will be found']
    """
    ax = axes(ax)
    gloss = factors["gloss_gu"].to_numpy(float)
    seen = np.isfinite(gloss)
    y = np.arange(len(factors))[::-1]
    ax.hlines(y[seen], 0, gloss[seen], color=GREY, linewidth=1)
    ax.plot(gloss[seen], y[seen], "o", color=BLUE, markersize=7)
    for at, value in zip(y[seen], gloss[seen], strict=True):
        ax.annotate(
            f"{value:.1f} GU", (value, at), xytext=(8, 0), textcoords="offset points", va="center", fontsize=9
        )
    for at in y[~seen]:
        ax.text(0, at, " nothing will be found", va="center", fontsize=9, color=VERMILLION)
    ax.set_yticks(y, [f"{a}\n{b}" for a, b in zip(factors["label"], factors["difference"], strict=True)])
    ax.set_ylim(-0.6, len(factors) - 0.4)
    ax.set_xlim(0, 1.25 * (gloss[seen].max() if seen.any() else 1.0))
    ax.set_xlabel("smallest difference found with 80 % power, GU")
    return finish(
        ax, f"What {counted(trials, 'trial')} on {counted(panels, 'panel')} will find four times in five"
    )


def how_many(table: pd.DataFrame, *, ax: Axes | None = None) -> Axes:
    """
    Draw minutes left on the table against the number of trials.

    Parameters
    ----------
    table : DataFrame
        ``trials``, ``minutes_left``, ``minutes_left_low``, ``minutes_left_high``.
    ax : Axes, optional

    Examples
    --------
    >>> import pandas as pd
    >>> from finishlab.figures.frame import blank
    >>> rows = {"trials": [12, 24], "minutes_left": [1.0, 0.4], "minutes_left_low": [0.5, 0.2], "minutes_left_high": [1.5, 0.6]}
    >>> how_many(pd.DataFrame(rows), ax=blank()).get_ylabel()
    'minutes a job longer than need be'
    >>> how_many(pd.DataFrame(rows).head(1), ax=blank()).get_title(loc="left")
    'What more trials save'
    """
    ax = axes(ax)
    x, middle = table["trials"].to_numpy(float), table["minutes_left"].to_numpy(float)
    low, high = table["minutes_left_low"].to_numpy(float), table["minutes_left_high"].to_numpy(float)
    ax.errorbar(
        x, middle, yerr=arms(middle, low, high), fmt="-o", color=BLUE, ecolor=GREY, capsize=3,
        label="average over practice benches (bar: 90 % interval of that average)",
    )  # fmt: skip
    ax.set_xticks(x)
    ax.set_ylim(bottom=0)
    ax.set_xlabel("trials")
    ax.set_ylabel("minutes a job longer than need be")
    legend(ax)
    return finish(ax, "What more trials save")
