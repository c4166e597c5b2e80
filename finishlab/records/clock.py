"""Minutes as a clock shows them: 4:30 is four and a half.

The one reader of such minutes, for sheets, the record book and everything that is typed.
"""

from __future__ import annotations

import datetime as dt
import re
from typing import Any

_TYPED = re.compile(r"([0-9]{1,3}):([0-5][0-9])")
_CELL = re.compile(r"([0-9]{1,3}):([0-5][0-9]):([0-5][0-9])")


def clock_minutes(value: Any) -> float | None:
    """
    Return working minutes written as a clock shows them; None for anything else.

    A spreadsheet takes a typed 4:30 for hours and minutes, and hands over 04:30:00. Nobody works
    a patch for whole hours to the second, so that is 4.5 minutes; and so is 0:04:30. What could
    be either, as 0:45:00, and what is neither, as 1:20:30, is not taken.

    Examples
    --------
    >>> clock_minutes("4:30"), clock_minutes(dt.time(4, 30)), clock_minutes("0:04:30"), clock_minutes("0:45")
    (4.5, 4.5, 4.5, 0.75)
    >>> clock_minutes("4.5"), clock_minutes(dt.time(0, 45)), clock_minutes("1:20:30")
    (None, None, None)
    """
    if isinstance(value, str) and (typed := _TYPED.fullmatch(value.strip())):
        return int(typed[1]) + int(typed[2]) / 60
    if isinstance(value, dt.time):
        parts = [value.hour, value.minute, value.second]
    elif isinstance(value, dt.timedelta):
        whole, second = divmod(int(value.total_seconds()), 60)
        parts = [*divmod(whole, 60), second]
    elif isinstance(value, str) and (cell := _CELL.fullmatch(value.strip())):
        parts = [int(p) for p in cell.groups()]
    else:
        return None
    hour, minute, second = parts
    if hour and not second:
        return hour + minute / 60
    return minute + second / 60 if second and not hour else None
