"""Figure of ways on in the middle of a job: further minutes against the chance that the goal is met.

Drawn from plain data as in `plots.py`; nothing is computed here but where to put a mark.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from finishlab._figures import BLUE, GREY, INK, axes, blank, finish

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.axes import Axes

__all__ = ["blank", "ways"]


def ways(rows: pd.DataFrame, *, wanted: float, title: str, ax: Axes | None = None) -> Axes:
    """
    Draw a mark for each way on, the advised one filled.

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
    for k, (minutes, chance, way) in enumerate(
        zip(rows["minutes"], 100 * rows["assurance"], rows["way"], strict=True)
    ):
        ax.plot(
            minutes, chance, "o", color=BLUE, mfc=BLUE if k == 0 else "white", markersize=9 if k == 0 else 7
        )
        ax.annotate(way, (minutes, chance), xytext=(7, 3), textcoords="offset points", fontsize=8, color=INK)
    ax.axhline(100 * wanted, color=GREY, linestyle="--", linewidth=1)
    ax.margins(x=0.3, y=0.15)
    ax.set_xlabel("further minutes of this section")
    ax.set_ylabel("this section meets the goal, %")
    return finish(ax, title)
