"""Figures of the middle of a job: ways on by minutes and chance, and the minutes of the advice by reading.

Drawn from plain data as in `plots.py`; nothing is computed here but where to put a mark.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

from finishlab.figures.frame import BLUE, INK, VERMILLION, axes, blank, finish
from finishlab.words.digits import percent

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.axes import Axes

__all__ = ["blank", "card", "ways"]


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


def card(rows: Sequence[Mapping[str, Any]], *, ax: Axes | None = None) -> Axes:
    """
    Draw the further minutes that a bench card advises against the reading, one line a step.

    Parameters
    ----------
    rows : sequence of mapping
        ``step``, ``from_gu``, ``to_gu``, ``minutes`` and ``assurance`` (0 where nothing is advised); ends may be infinite.
    ax : Axes, optional

    Examples
    --------
    >>> import numpy as np
    >>> rows = [
    ...     {"step": "cut", "from_gu": 70.0, "to_gu": np.inf, "minutes": 2.0, "assurance": 0.95},
    ...     {"step": "cut", "from_gu": -np.inf, "to_gu": 70.0, "minutes": 3.0, "assurance": 0.92},
    ... ]
    >>> ax = card(rows, ax=blank())
    >>> [line.get_label() for line in ax.get_lines()]
    ['after cut']
    """
    ax = axes(ax)
    steps = list(dict.fromkeys(row["step"] for row in rows))
    for k, step in enumerate(steps):
        mine = [row for row in rows if row["step"] == step]
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
