"""Patches that all read the same: a stuck meter, or settings too close together.

Then nothing says what the settings do. Where an answer can still be given this is a
caution, where nothing can be compared an error; the words are one.
"""

from __future__ import annotations

import numpy as np

from finishlab import _show
from finishlab.errors import ModelError
from finishlab.study import RESPONSES


def all_alike(response: str, y: np.ndarray) -> str:
    """
    Return the sentence that every patch reads the same; empty where they do not.

    Examples
    --------
    >>> all_alike("gloss_20", np.array([84.0, 84.0]))
    '20° gloss: all 2 patches read 84.0 GU.'
    >>> all_alike("gloss_20", np.array([84.0, 85.0]))
    ''
    """
    if np.ptp(y) > 0:
        return ""
    label, unit = RESPONSES[response]
    return f"{label}: all {len(y)} patches read {_show.number(y[0], 1)}{_show.spaced(unit)}."


def with_advice(alike: str) -> str:
    """Return that sentence with what it means and what to do."""
    return (
        f"{alike} Nothing says what the settings do. Look whether the meter is stuck, or study settings "
        "further apart."
    )


def refuse_all_alike(response: str, y: np.ndarray) -> None:
    """Raise `ModelError` when every patch reads the same, so that nothing can be compared."""
    if alike := all_alike(response, y):
        raise ModelError(with_advice(alike))
