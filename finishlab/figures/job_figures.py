"""Figures of jobs: ways on in the middle of one, and later jobs in order beside the limits of their chart."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from finishlab.figures.frame import BLUE, GREY, INK, VERMILLION, axes, blank, finish, legend, parted
from finishlab.words.digits import percent

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.axes import Axes


__all__ = ["blank", "card", "jobs", "share", "ways"]


def ways(rows: pd.DataFrame, *, wanted: float, title: str, ax: Axes | None = None) -> Axes:
    """
    Draw a mark for each way on, the advised one filled, those that are not sure enough in red.

    Parameters
    ----------
    rows : DataFrame
        ``way``, ``minutes``, ``assurance``; the advised one first.
    wanted : float
        Assurance asked for.
    title : str
    ax : Axes, optional

    Examples
    --------
    >>> import pandas as pd
    >>> rows = pd.DataFrame({"way": ["polish 3 passes", "polish 4 passes"], "minutes": [2.1, 2.8], "assurance": [0.91, 0.96]})
    >>> ax = ways(rows, wanted=0.9, title="Polish 3 passes", ax=blank())
    >>> ax.get_xlabel()
    'further minutes of this section'
    """
    ax = axes(ax)
    for k, (minutes, chance) in enumerate(zip(rows["minutes"], rows["assurance"], strict=True)):
        colour = BLUE if chance >= wanted else VERMILLION
        ax.plot(minutes, -k, "o", color=colour, mfc=colour if k == 0 else "white", markersize=8)
        ax.annotate(
            f"{percent(chance)} sure",
            (minutes, -k),
            xytext=(8, -3),
            textcoords="offset points",
            fontsize=9,
            color=INK,
        )
    ax.set_yticks([-k for k in range(len(rows))], list(rows["way"]))
    ax.set_ylim(-len(rows) + 0.5, 0.5)
    ax.margins(x=0.3)
    ax.set_xlabel("further minutes of this section")
    return finish(ax, title)


def card(rows: pd.DataFrame, *, ax: Axes | None = None) -> Axes:
    """
    Draw the further minutes that a bench card advises against the reading, one line a step.

    Parameters
    ----------
    rows : DataFrame
        ``step``, ``from_gu``, ``to_gu``, ``minutes`` and ``assurance`` (0 where nothing is advised); ends may be infinite.
    ax : Axes, optional

    Examples
    --------
    >>> import numpy as np
    >>> import pandas as pd
    >>> ends = {"from_gu": [70.0, -np.inf], "to_gu": [np.inf, 70.0]}
    >>> rows = pd.DataFrame({"step": "cut", **ends, "minutes": [2.0, 3.0], "assurance": [0.95, 0.92]})
    >>> ax = card(rows, ax=blank())
    >>> [line.get_label() for line in ax.get_lines()]
    ['after cut']
    """
    ax = axes(ax)
    steps = list(rows["step"].unique())
    for k, step in enumerate(steps):
        mine = rows[rows["step"] == step].to_dict("records")
        ends = sorted({v for row in mine for v in (row["from_gu"], row["to_gu"]) if math.isfinite(v)})
        # Where a range is open, it is drawn a little way on.
        low, high = (ends[0] - 5, ends[-1] + 5) if ends else (0.0, 100.0)
        x: list[float] = []
        y: list[float] = []
        for row in reversed(mine):
            if row["assurance"] > 0:
                x += [max(row["from_gu"], low), min(row["to_gu"], high)]
                y += [row["minutes"]] * 2
        ax.plot(
            x,
            y,
            color=(BLUE, VERMILLION, INK)[k % 3],
            linestyle=("-", "--", ":")[k % 3],
            label=f"after {step}",
        )
    ax.set_xlabel("reading after the step, GU")
    ax.set_ylabel("further minutes of this section")
    if steps:
        ax.legend()
    return finish(ax, "What the bench card asks for at each reading")


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
