"""The figure of a step's constants: how fast each pad and product goes, and how far.

Drawn from a plain table as in `plots.py`; nothing is computed here but where to put a mark.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from finishlab.figures.frame import BLUE, GREY, INK, arms, axes, finish
from finishlab.words.show import begun, label

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.axes import Axes


#: Probability from which one combination is said to lead (common practice, no source).
TELLS = 0.7


def step_constants(constants: pd.DataFrame, *, response: str, ax: Axes | None = None) -> Axes:
    """
    Draw the finish that each combination of one step levels off at, beside the passes that halve.

    Parameters
    ----------
    constants : DataFrame
        Rows of one step as `finishlab.step_constants` gives them.
    response : str
        The gloss that was followed, as ``gloss_20``.
    ax : Axes, optional

    Returns
    -------
    Axes

    Examples
    --------
    >>> import pandas as pd
    >>> from finishlab.figures.frame import blank
    >>> row = {"step": "cut", "with": "wool", "trials": 9, "amount": "passes",
    ...        "halving": 1.2, "halving_low": 0.9, "halving_high": 1.7,
    ...        "level": 84.0, "level_low": 83.0, "level_high": 85.0, "highest": 1.0}
    >>> ax = step_constants(pd.DataFrame([row]), response="gloss_20", ax=blank())
    >>> ax.get_xlabel(), ax.get_ylabel()
    ('20° gloss it levels off at, GU', '')
    >>> [t.get_text() for t in ax.texts]
    ['halves in 1.2 passes (0.9 to 1.7), 9 trials']
    """
    ax = axes(ax)
    rows = constants.sort_values("level", ignore_index=True)
    right = float(rows["level_high"].max())
    left = float(rows["level_low"].min())
    for i, row in enumerate(rows.to_dict("records")):
        known = row["trials"] > 0
        x, low, high = (float(row[f"level{end}"]) for end in ("", "_low", "_high"))
        ax.errorbar(
            [x],
            [i],
            xerr=arms([x], [low], [high]),
            fmt="o",
            color=BLUE if known else GREY,
            markerfacecolor=BLUE if known else "white",
            ecolor=GREY,
            elinewidth=1.2,
            markersize=6,
        )
        worked = f"{row['trials']} trial{'' if row['trials'] == 1 else 's'}" if known else "no trial"
        words = worked
        if np.isfinite(row["halving"]):
            words = (
                f"halves in {_short(row['halving'])} {row['amount']} "
                f"({_short(row['halving_low'])} to {_short(row['halving_high'])}), {worked}"
            )
        ax.annotate(
            words, (right, i), xytext=(10, 0), textcoords="offset points", va="center", fontsize=8.5, color=INK,
            bbox={"facecolor": "white", "edgecolor": "none", "pad": 1.5},
        )  # fmt: skip
    ax.set_yticks(range(len(rows)), list(rows["with"]))
    ax.set_ylim(-0.6, len(rows) - 0.4)
    # Room on the right for the words beside the marks.
    ax.set_xlim(left - 0.05 * (right - left), right + 0.95 * (right - left))
    ax.set_xlabel(f"{label(response).split(',')[0]} it levels off at, GU")
    step = str(rows["step"].iloc[0]).replace("_", " ")
    best = rows.iloc[int(rows["highest"].argmax())]
    found = f"at {best['level']:.1f} GU ({best['level_low']:.1f} to {best['level_high']:.1f})"
    if len(rows) == 1:
        found = f"{best['with']} levels off {found}"
    elif best["highest"] >= TELLS:
        found = f"{best['with']} levels off highest, {found}"
    else:
        found = "which levels off highest cannot be told yet"
    return finish(ax, f"{begun(step)}: {found}")


def _short(value: float) -> str:
    return f"{value:.1f}" if value < 20 else f"{value:.0f}"
