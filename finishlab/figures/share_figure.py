"""Figure of shares of a spread: a dot and its interval for each source.

Drawn from plain data as in `plots.py`; nothing is computed here but where to put a mark.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from finishlab.figures.frame import BLUE, axes, blank, finish

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.axes import Axes

__all__ = ["blank", "shares"]


def shares(rows: pd.DataFrame, *, title: str, ax: Axes | None = None) -> Axes:
    """
    Draw shares in per cent, the largest on top.

    Parameters
    ----------
    rows : DataFrame
        ``source``, ``share``, ``share_low``, ``share_high``, 0 to 1.
    title : str
    ax : Axes, optional

    Examples
    --------
    >>> import pandas as pd
    >>> row = {"source": ["panel", "patch"], "share": [0.6, 0.4], "share_low": [0.2, 0.1], "share_high": [0.9, 0.8]}
    >>> ax = shares(pd.DataFrame(row), title="Mostly panel", ax=blank())
    >>> [t.get_text() for t in ax.get_yticklabels()]
    ['panel', 'patch']
    """
    ax = axes(ax)
    y = -np.arange(len(rows), dtype=float)
    ends = 100 * rows[["share_low", "share_high"]].to_numpy(float).T
    ax.hlines(y, *ends, color=BLUE, linewidth=1.8)
    ax.plot(100 * rows["share"].to_numpy(float), y, "o", color=BLUE, markersize=8)
    ax.set_yticks(y, rows["source"])
    ax.set_ylim(-len(rows) + 0.4, 0.6)
    ax.set_xlim(-2, 102)
    ax.set_xlabel("share of the spread between jobs, % (bar: 90 % interval)")
    return finish(ax, title)
