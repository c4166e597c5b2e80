"""Figure of confirmation trials: each reading beside the interval that was predicted for it.

Drawn from plain data as in `plots.py`; nothing is computed here but where to put a mark.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import TYPE_CHECKING

import numpy as np

from finishlab.figures.frame import BLUE, GREY, INK, VERMILLION, axes, blank, finish, legend

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.axes import Axes

__all__ = ["blank", "confirmed"]


def confirmed(
    rows: pd.DataFrame, *, label: str, ends: Iterable[float], title: str, ax: Axes | None = None
) -> Axes:
    """
    Draw readings of one response with the interval predicted for each, in the order worked.

    Parameters
    ----------
    rows : DataFrame
        ``panel``, ``reading``, ``job_low``, ``job_high``, ``inside``.
    label : str
        Of the readings, with their unit.
    ends : iterable of float
        Where the goal begins or ends.
    title : str
    ax : Axes, optional

    Examples
    --------
    >>> import pandas as pd
    >>> rows = pd.DataFrame({"panel": ["5", "5"], "reading": [84.1, 80.0], "job_low": 82.0, "job_high": 86.0,
    ...     "inside": [True, False]})
    >>> ax = confirmed(rows, label="20° gloss, GU", ends=[83.0], title="One of two", ax=blank())
    >>> [t.get_text() for t in ax.get_xticklabels()]
    ['5', '5']
    """
    ax = axes(ax)
    x = np.arange(len(rows), dtype=float)
    reading, inside = rows["reading"].to_numpy(float), rows["inside"].to_numpy(bool)
    bars = ax.vlines(x, rows["job_low"], rows["job_high"], color=GREY, linewidth=6, alpha=0.35)
    bars.set_label("90 % interval predicted before the trial")
    # Shape tells inside from outside as well as colour does.
    ax.plot(x[inside], reading[inside], "o", color=BLUE, markersize=8, label="reading inside it")
    ax.plot(x[~inside], reading[~inside], "X", color=VERMILLION, markersize=9, label="reading outside it")
    for i, end in enumerate(ends):
        ax.axhline(end, color=INK, linewidth=1.2, linestyle="--", label="goal" if i == 0 else None)
    ax.set_xticks(x, rows["panel"].astype(str))
    ax.set_xlim(-0.6, len(rows) - 0.4)
    ax.set_xlabel("panel of each trial")
    ax.set_ylabel(label)
    legend(ax)
    return finish(ax, title)
