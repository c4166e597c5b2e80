"""Figure of chains of steps at equal finish: minutes of each with what the next section may take.

Drawn from plain data as in `plots.py`; nothing is computed here but where to put a mark.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from finishlab.figures.frame import BLUE, arms, axes, blank, finish, times_of

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.axes import Axes

__all__ = ["blank", "chains"]


def chains(rows: pd.DataFrame, *, title: str, ax: Axes | None = None) -> Axes:
    """
    Draw a dot and its interval for each chain, with its process in words.

    Parameters
    ----------
    rows : DataFrame
        ``chain``, ``process``, ``minutes``, ``minutes_low``, ``minutes_high`` and ``job_minutes`` likewise.
    title : str
    ax : Axes, optional

    Examples
    --------
    >>> import pandas as pd
    >>> row = {"chain": ["with refine"], "process": ["wool, 3 passes"], "minutes": [6.0], "minutes_low": [5.5], "minutes_high": [6.6]}
    >>> ax = chains(pd.DataFrame(row), title="Worth it", ax=blank())
    >>> [t.get_text() for t in ax.get_yticklabels()]
    ['with refine']
    """
    ax = axes(ax)
    y = np.arange(len(rows))
    minutes, low, high, axis, next_ = times_of(rows)
    ax.errorbar(minutes, y, xerr=arms(minutes, low, high), fmt="o", color=BLUE, capsize=3)
    for k, (at, process) in enumerate(zip(minutes, rows["process"], strict=True)):
        ax.annotate(process, (at, k), xytext=(0, 8), textcoords="offset points", ha="center", fontsize=8)
    ax.set_yticks(y, list(rows["chain"]))
    ax.set_ylim(len(rows) - 0.4, -0.6)
    ax.margins(x=0.25)
    ax.set_xlabel(f"{axis} (bar: 90 % interval for {next_})")
    return finish(ax, title)
