"""Patches that all read the same: a stuck meter, or settings too close together.

Then nothing says what the settings do, and no model can be made of them.
"""

from __future__ import annotations

import numpy as np

from finishlab.errors import ModelError
from finishlab.study import RESPONSES
from finishlab.words import show


def refuse_all_alike(response: str, y: np.ndarray) -> None:
    """
    Refuse a response whose patches all read the same.

    Counted faults are not asked: no fault in so many patches does say something.

    Raises
    ------
    ModelError
        Every patch reads the same.

    Examples
    --------
    >>> refuse_all_alike("gloss_20", np.array([84.0, 85.0]))
    >>> refuse_all_alike("gloss_20", np.array([84.0, 84.0]))
    Traceback (most recent call last):
        ...
    finishlab.errors.ModelError: 20° gloss: all 2 patches read 84.0 GU. Nothing says what the settings do. Look whether the meter is stuck, or study settings further apart.
    """
    if response == "faults" or np.ptp(y) > 0:
        return
    label, unit = RESPONSES[response]
    raise ModelError(
        f"{label}: all {len(y)} patches read {show.number(y[0], 1)}{show.spaced(unit)}. "
        "Nothing says what the settings do. Look whether the meter is stuck, or study settings further apart."
    )
