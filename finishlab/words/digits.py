"""Numbers as people read them: the digits their uncertainty supports, rounded toward caution.

A lower bound goes down, passes and minutes go up, a probability goes down. Words for
processes and tables are in `show.py`, through which the rest of the package uses these.
"""

from __future__ import annotations

import math
from decimal import ROUND_CEILING, ROUND_FLOOR, ROUND_HALF_UP, Decimal
from typing import Any, Literal

Toward = Literal["nearest", "down", "up"]

_ROUNDING = {"nearest": ROUND_HALF_UP, "down": ROUND_FLOOR, "up": ROUND_CEILING}
#: Shown for what nobody knows.
UNKNOWN = "not known"


def decimals(uncertainty: float) -> int:
    """
    Return how many decimals an uncertainty supports.

    Parameters
    ----------
    uncertainty : float
        Standard uncertainty, or half the width of an interval, in the unit of the value.

    Returns
    -------
    int
        Places after the point; below zero for tens and hundreds; 1 when the uncertainty
        is zero or not known.

    References
    ----------
    Particle Data Group, Review of Particle Physics, introduction, section 5.3: the three
    leading digits of the uncertainty decide; 100 to 354 keep two digits, 355 to 949 one,
    950 to 999 become 1000 and keep two.

    Examples
    --------
    >>> decimals(1.23), decimals(0.65), decimals(0.0963)
    (1, 1, 2)

    An uncertainty of hundreds supports no decimals at all:

    >>> decimals(420.0)
    -2
    """
    if not math.isfinite(uncertainty) or uncertainty <= 0:
        return 1
    digits, exponent = f"{uncertainty:.2e}".split("e")
    return -int(exponent) + (1 if Decimal(digits) <= Decimal("3.54") else 0)


def number(value: float, places: int = 1, toward: Toward = "nearest") -> str:
    """
    Return a number with `places` decimals, rounded to the nearest, down or up.

    Examples
    --------
    >>> number(84.25, 1, "down"), number(84.25, 1, "up"), number(1234.0, -2)
    ('84.2', '84.3', '1200')

    What only the computer's arithmetic adds does not push a number up:

    >>> number(0.1 + 0.2, 1, "up"), number(float("nan"))
    ('0.3', 'not known')
    """
    if math.isnan(value):
        return UNKNOWN
    if math.isinf(value):
        return "without bound"
    exact = Decimal(f"{value:.12g}")
    rounded = exact.quantize(Decimal(1).scaleb(-places), rounding=_ROUNDING[toward])
    return f"{abs(rounded) if rounded == 0 else rounded:f}"


def interval_text(low: float, high: float, unit: str = "") -> str:
    """
    Return an interval in words, widened to the digits its own width supports.

    Never finer than a tenth: no meter of the trade, and no clock at a bench, reads finer.

    Examples
    --------
    >>> interval_text(82.91, 87.38, "GU")
    '82.9 to 87.4 GU'
    >>> interval_text(float("nan"), 87.38, "GU")
    'not known'
    """
    if math.isnan(low) or math.isnan(high):
        return UNKNOWN
    places = min(decimals((high - low) / 2), 1)
    return f"{number(low, places, 'down')} to {number(high, places, 'up')}" + spaced(unit)


def percent(p: float) -> str:
    """
    Return a computed probability in percent, rounded down; nothing is ever 100 %.

    Examples
    --------
    >>> percent(0.9079), percent(0.2), percent(0.9961)
    ('90 %', '20 %', '99.6 %')
    >>> percent(1.0), percent(0.0004), percent(float("nan"))
    ('over 99.9 %', 'under 1 %', 'not known')
    """
    if math.isnan(p):
        return UNKNOWN
    if p > 0.999:
        return "over 99.9 %"
    if p < 0.01:
        return "under 1 %"
    return f"{number(100 * p, 1 if p >= 0.99 else 0, 'down')} %"


def asked_percent(p: float) -> str:
    """
    Return a probability that a person chose, as they wrote it, in percent.

    Examples
    --------
    >>> asked_percent(0.9), asked_percent(0.975)
    ('90 %', '97.5 %')
    """
    return f"{100 * p:.6g} %"


def minutes_text(minutes: float, toward: Toward = "up") -> str:
    """
    Return minutes with their unit, up to the next tenth; savings go down.

    Examples
    --------
    >>> minutes_text(6.83), minutes_text(2.17, "down")
    ('6.9 minutes', '2.1 minutes')
    >>> minutes_text(6.0), minutes_text(float("nan"))
    ('6.0 minutes', 'not known')
    """
    return UNKNOWN if math.isnan(minutes) else f"{number(minutes, 1, toward)} minutes"


def plain_number(value: float) -> str:
    """
    Return a setting or target as a person would write it.

    Examples
    --------
    >>> plain_number(4.0), plain_number(1200.5)
    ('4', '1200.5')
    """
    return f"{value:.10g}"


def reading_text(value: float) -> str:
    """
    Return a reading or minutes as the bench reads it: to two decimals, finer than any meter or clock there.

    Examples
    --------
    >>> reading_text(10 / 3), reading_text(84.1), reading_text(106.68), reading_text(6.0)
    ('3.33', '84.1', '106.68', '6')

    What two decimals would hide is written out:

    >>> reading_text(0.004), reading_text(-0.0)
    ('0.004', '0')
    """
    rounded = round(value, 2) + 0.0
    return plain_number(rounded if rounded or not value else value)


def known(value: Any) -> float:
    """
    Return a number that may be missing as a float; NaN when it is.

    Examples
    --------
    >>> known(None), known(2)
    (nan, 2.0)
    """
    return math.nan if value is None else float(value)


def spaced(unit: str) -> str:
    """
    Return a unit as it follows a number, nothing where there is none.

    Examples
    --------
    >>> f"84{spaced('GU')}", f"2{spaced('')}"
    ('84 GU', '2')
    """
    return f" {unit}" if unit else ""


def change(value: float) -> str:
    """
    Return a difference with its sign, above zero too.

    Examples
    --------
    >>> change(4.21), change(-0.5)
    ('+4.2', '-0.5')
    """
    return f"{'+' if value >= 0 else '-'}{number(abs(value), 1)}"
