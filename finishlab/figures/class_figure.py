"""The figure of a class exercise: what each student said, what is true, and the minutes it costs.

As in `plots.py`: plain data in, axes out, nothing computed but where a mark goes.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from finishlab.figures.frame import BLUE, GREY, INK, VERMILLION, axes, finish, legend, parted
from finishlab.words.show import asked_percent

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.axes import Axes


def scores(rows: pd.DataFrame, *, wanted: float, title: str, ax: Axes | None = None) -> Axes:
    """
    Draw what was said and what is true, row by row, and beside it the minutes over the shortest possible.

    Parameters
    ----------
    rows : DataFrame
        `who`, `true_probability`, `said_probability`, `kept`, `times_shortest`; NaN where nothing was answered.
    wanted : float
    title : str
    ax : Axes, optional

    Examples
    --------
    >>> import pandas as pd
    >>> from finishlab.figures.frame import blank
    >>> rows = pd.DataFrame({"who": ["student 1"], "true_probability": [0.4], "said_probability": [0.9], "kept": [False], "times_shortest": [0.8]})
    >>> scores(rows, wanted=0.9, title="0 of 1 student", ax=blank()).get_xlabel()
    'the next job meets the goal, %'
    """
    ax = axes(ax, height=2.2 + 0.26 * len(rows))
    y = np.arange(len(rows))
    true, said = (100 * rows[c].to_numpy(float) for c in ("true_probability", "said_probability"))
    kept = rows["kept"].to_numpy(bool)
    ax.hlines(y, np.fmin(true, said), np.fmax(true, said), color=GREY, linewidth=1)
    ax.plot(said, y, "|", color=INK, markersize=12, markeredgewidth=2, label="what was said")
    ax.plot(true[kept], y[kept], "o", color=BLUE, label="the truth, promise kept")
    ax.plot(true[~kept], y[~kept], "X", color=VERMILLION, markersize=8, label="the truth, promise not kept")
    ax.axvline(
        100 * wanted, color=INK, linewidth=1, linestyle="--", label=f"asked for: {asked_percent(wanted)}"
    )
    ax.set_xlim(-3, 103)
    ax.set_yticks(y, [str(who).replace(", ", ",\n") for who in rows["who"]])
    ax.set_ylim(len(rows) - 0.5, -0.5)
    ax.set_xlabel("the next job meets the goal, %")
    beside = parted(ax, ratios=(5, 2), gap=0.05)
    times = rows["times_shortest"].to_numpy(float)
    beside.axvline(1, color=INK, linewidth=1)
    beside.plot(times[kept], y[kept], "o", color=BLUE)
    beside.plot(times[~kept], y[~kept], "X", color=VERMILLION, markersize=8)
    low, high = np.nanmin([1.0, *times]), np.nanmax([1.0, *times])
    beside.set_xlim(low - 0.1, high + 0.1)
    beside.set_xlabel("minutes, times\nthe shortest")
    beside.tick_params(labelleft=False)
    legend(ax)
    finish(beside, "")
    return finish(ax, title)
