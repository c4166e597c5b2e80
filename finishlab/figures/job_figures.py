"""Figure of later jobs: each in order, beside the limits of its chart.

Drawn from plain data as in `plots.py`; nothing is computed here but where to put a mark.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from finishlab.figures.frame import BLUE, GREY, INK, VERMILLION, axes, blank, finish, legend, parted

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.axes import Axes

__all__ = ["blank", "jobs", "share"]


def jobs(
    rows: pd.DataFrame,
    *,
    label: str,
    lines: tuple[float, float, float],
    spread: tuple[str, tuple[float, float]],
    title: str,
    ax: Axes | None = None,
) -> Axes:
    """
    Draw the readings of jobs in the order of work, and below them their spreads.

    Parameters
    ----------
    rows : DataFrame
        ``job``, ``reading``, ``spread``, ``met``, ``signal`` (empty where there is none).
    label : str
        Of the reading, with its unit.
    lines : (float, float, float)
        Lower limit, centre and upper limit of the chart; NaN where there is none.
    spread : (str, (float, float))
        What a spread is; centre and upper limit of its chart.
    title : str
    ax : Axes, optional

    Examples
    --------
    >>> import pandas as pd
    >>> rows = pd.DataFrame({"job": ["1", "2"], "reading": [81.0, 79.0], "spread": [float("nan"), 2.0], "met": [True, False], "signal": ["", ""]})
    >>> spread = ("step from the job before", (0.6, 2.0))
    >>> ax = jobs(rows, label="20° gloss, GU", lines=(78.0, 80.0, 82.0), spread=spread, title="Continue", ax=blank())
    >>> ax.get_ylabel()
    '20° gloss, GU'
    """
    ax = axes(ax, height=5.0)
    x, y = np.arange(1, len(rows) + 1), rows["reading"].to_numpy(float)
    met, signal = rows["met"].to_numpy(bool), (rows["signal"] != "").to_numpy(bool)
    ax.plot(x, y, "-", color=GREY, linewidth=0.8)
    # Shape tells the jobs apart as well as colour does.
    ax.plot(x[met], y[met], "o", color=BLUE, label="met the goal")
    ax.plot(x[~met], y[~met], "X", color=VERMILLION, markersize=9, label="missed it")
    ax.plot(x[signal], y[signal], "s", mfc="none", mec=INK, markersize=13, label="stands out")
    if np.isfinite(lines).all():
        ax.axhline(lines[1], color=INK, linewidth=1)
        for k, line in enumerate((lines[0], lines[2])):
            ax.axhline(
                line, color=INK, linewidth=1, linestyle="--", label="limits of the chart" if k == 0 else None
            )
    ax.set_ylabel(label)
    below = parted(ax, below=True, ratios=(5, 2), gap=0.06)
    what, (centre, high) = spread
    below.plot(x, rows["spread"], "-o", color=GREY, markersize=3, linewidth=0.8)
    if np.isfinite(high):
        below.axhline(centre, color=INK, linewidth=1)
        below.axhline(high, color=INK, linewidth=1, linestyle="--")
    below.set_ylim(bottom=0)
    below.set_ylabel(what.replace(" ", "\n", 1), fontsize="small")
    below.set_xlabel("job, in the order of work")
    ax.tick_params(labelbottom=False)
    legend(below, ax.get_legend_handles_labels()[0], columns=4)
    finish(below, "")
    return finish(ax, title)


def share(
    value: float, ends: tuple[float, float], *, wanted: float, title: str, ax: Axes | None = None
) -> Axes:
    """
    Draw a share with its limits beside the one asked for.

    Parameters
    ----------
    value : float
    ends : (float, float)
    wanted : float
    title : str
    ax : Axes, optional

    Examples
    --------
    >>> ax = share(1.0, (0.79, 1.0), wanted=0.9, title="10 of 10 panels", ax=blank())
    >>> [float(x) for x in ax.get_xlim()]
    [0.0, 102.0]
    """
    ax = axes(ax, height=2.2)
    ax.plot([100 * e for e in ends], [0, 0], "-", color=BLUE, linewidth=3, label="what the panels leave open")
    ax.plot([100 * value], [0], "o", color=BLUE, markersize=9, label="share so far")
    ax.axvline(100 * wanted, color=INK, linestyle="--", label="asked for")
    ax.set_xlim(0, 102)
    ax.set_yticks([])
    ax.set_xlabel("panels in band, %")
    legend(ax)
    return finish(ax, title)
