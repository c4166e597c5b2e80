"""What trials share beside their panel: half a panel, a technician, a lot.

Each is a random effect of its own where the trials can tell it from their panels, and costs
nothing where it is absent. What the next job meets of it is said here too; how much it
matters is learnt in `laplace.py`.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Literal

import numpy as np

from finishlab.model.latent import Shared, Spread

if TYPE_CHECKING:
    import pandas as pd

#: Prior median of each spread as a share of the panels', and the SD of its log (common
#: practice, no source).
_SHARES = {"half panel": 0.5, "technician": 0.5, "lot": 0.7}
_LOG_SD = 0.8


def lot_columns(trials: pd.DataFrame) -> list[str]:
    """
    Return the columns that name a lot: ``lot`` itself, and those that end in ``_lot``.

    Examples
    --------
    >>> import pandas as pd
    >>> lot_columns(pd.DataFrame(columns=["lot", "compound_lot", "plot", "panel"]))
    ['lot', 'compound_lot']
    """
    return [str(c) for c in trials.columns if str(c) == "lot" or str(c).endswith("_lot")]


def shared_by(trials: pd.DataFrame, place: np.ndarray, panel_spread: float) -> tuple[Shared, ...]:
    """
    Return what the readings of some trials share beside their panel.

    Parameters
    ----------
    trials : DataFrame
    place : ndarray of int, shape (readings,)
        Row of the trial of each reading.
    panel_spread : float
        Prior median of the panels' spread; the others are a share of it.

    Returns
    -------
    tuple of Shared
        Only what the trials can tell from their panels and patches. Where every technician
        worked one panel, what they do differently is part of what panels differ by, and
        counted there. A lot gets used up, so the next job may meet a new one.

    Examples
    --------
    Two technicians who took turns on two panels:

    >>> import pandas as pd
    >>> trials = pd.DataFrame({"panel": [1, 1, 2, 2], "technician": ["T1", "T2", "T1", "T2"]})
    >>> [(s.spread.name, s.next_job) for s in shared_by(trials, np.arange(4), 0.04)]
    [('technician', 'one of them')]

    Each on one panel:

    >>> shared_by(trials.assign(technician=["T1", "T1", "T2", "T2"]), np.arange(4), 0.04)
    ()
    """
    panel = trials["panel"].astype(str).to_numpy()
    found = []

    def add(name: str, share: str, label: np.ndarray, next_job: Literal["new", "one of them"]) -> None:
        if _told_apart(label, panel):
            spread = Spread(name, _SHARES[share] * panel_spread, _LOG_SD)
            names = np.unique(label[label != ""])
            members = (label[place][:, None] == names[None, :]).astype(float)
            found.append(Shared(spread, members @ members.T, next_job, members))

    if "half_panel" in trials.columns:
        half = _labels(trials, "half_panel")
        whole = np.array([f"{p} / {h}" if h else "" for p, h in zip(panel, half, strict=True)])
        add("half panel", "half panel", whole, "new")
    if "technician" in trials.columns:
        add("technician", "technician", _labels(trials, "technician"), "one of them")
    for column in lot_columns(trials):
        add(column.replace("_", " "), "lot", _labels(trials, column), "new")
    return tuple(found)


def _labels(trials: pd.DataFrame, column: str) -> np.ndarray:
    """Return the labels of a column as text, empty where there is none."""
    values = trials[column]
    return np.where(values.isna(), "", values.astype(str).str.strip()).astype(str)


def _told_apart(label: np.ndarray, panel: np.ndarray) -> bool:
    """Return whether there are several members, and they are neither the panels nor the trials over again."""
    told = label != ""
    names, counts = np.unique(label[told], return_counts=True)
    if len(names) < 2 or counts.max() < 2:
        return False
    pairs, panels = set(zip(label[told], panel[told], strict=True)), set(panel[told])
    return not len(pairs) == len(names) == len(panels)
