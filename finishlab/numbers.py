"""What counts as a number among what a caller gives: whole, or any at all.

Truth values are no numbers here, though Python takes them for 0 and 1; numpy's numbers are.
Which numbers are possible is said where they are asked for.
"""

from __future__ import annotations

import math
from numbers import Integral, Real
from typing import Any, TypeGuard


def is_number(value: Any) -> TypeGuard[float]:
    """
    Return whether a value is a finite number.

    Examples
    --------
    >>> is_number(1.5), is_number(True), is_number(float("inf")), is_number("1")
    (True, False, False, False)
    """
    return isinstance(value, Real) and not isinstance(value, bool) and math.isfinite(value)


def is_whole(value: Any) -> TypeGuard[int]:
    """
    Return whether a value is a whole number.

    Examples
    --------
    >>> is_whole(3), is_whole(3.0), is_whole(True)
    (True, False, False)
    """
    return isinstance(value, Integral) and not isinstance(value, bool)
