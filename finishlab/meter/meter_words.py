"""Words and digits that the meter's results share."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING

from finishlab.meter.meter_spreads import Interval
from finishlab.study import LIMITS, RESPONSES
from finishlab.words.show import UNKNOWN, Toward, asked_percent, number

if TYPE_CHECKING:
    import pandas as pd


def quantity(reading: str) -> tuple[str, str]:
    """
    Return a reading's name in words and its unit.

    Examples
    --------
    >>> quantity("gloss_20"), quantity("film_before_um"), quantity("haze")
    (('20° gloss', 'GU'), ('film before', 'µm'), ('haze', ''))
    """
    known = {**RESPONSES, **LIMITS}
    if reading in known:
        return known[reading]
    bare = reading.removesuffix("_um")
    return bare.replace("_", " "), "µm" if bare != reading else ""


def places_for(value: float) -> int:
    """
    Return the decimals that show a spread or a difference with two digits; one at least, four at most.

    Examples
    --------
    >>> places_for(1.07), places_for(0.312), places_for(0.0), places_for(float("nan"))
    (1, 2, 1, 1)
    """
    if value == 0 or not math.isfinite(value):
        return 1
    return min(max(1, 1 - math.floor(math.log10(abs(value)))), 4)


def figure(value: float, toward: Toward = "nearest", places: int | None = None) -> str:
    """
    Return a spread or a difference with two digits, one decimal at least unless told.

    Examples
    --------
    >>> figure(1.0712, "up"), figure(0.3124), figure(0.04712), figure(12.34)
    ('1.1', '0.31', '0.047', '12.3')
    >>> figure(0.0), figure(float("nan"))
    ('0', 'not known')
    """
    if math.isnan(value):
        return UNKNOWN
    return "0" if value == 0 else number(value, places_for(value) if places is None else places, toward)


def signed(value: float, toward: Toward = "nearest", places: int | None = None) -> str:
    """
    Return a difference with its sign where it is below zero.

    Examples
    --------
    >>> signed(-0.312, "down"), signed(0.312, "up")
    ('−0.32', '0.32')
    """
    if value >= 0 or math.isnan(value):
        return figure(value, toward, places)
    turned: dict[str, Toward] = {"nearest": "nearest", "down": "up", "up": "down"}
    return f"−{figure(-value, turned[toward], places)}"


def ends(low: float, high: float, beside: float = 0.0) -> str:
    """
    Return an interval in words, widened to the digits its own width supports.

    Never finer than the figure it stands `beside`.

    Examples
    --------
    >>> ends(0.0037, 0.7812, 0.39), ends(-1.234, 2.345)
    ('0.00 to 0.79', '−1.3 to 2.4')
    """
    places = places_for((high - low) / 2)
    if beside:
        places = min(places, places_for(beside))
    return f"{signed(low, 'down', places)} to {signed(high, 'up', places)}"


def in_words(rows: Sequence[tuple[str, Interval]], unit: str, confidence: float) -> pd.DataFrame:
    """
    Return figures and their intervals as a table to be read.

    Examples
    --------
    >>> from finishlab.meter.meter_spreads import Interval
    >>> in_words([("mean difference", Interval(0.64, 0.457, 0.829))], "GU", 0.95).iloc[0].tolist()
    ['mean difference', '0.64', '0.45 to 0.83']
    >>> in_words([("trend", Interval(math.nan, math.nan, math.nan))], "GU", 0.95).iloc[0].tolist()
    ['trend', 'not known', 'not known']
    """
    import pandas as pd

    return pd.DataFrame(
        {
            "": [words for words, _ in rows],
            unit or "figure": [signed(i.value) for _, i in rows],
            f"{asked_percent(confidence)} interval": [
                UNKNOWN if math.isnan(i.low) else ends(i.low, i.high, i.value) for _, i in rows
            ],
        }
    )


def confidence_mistakes(confidence: float) -> list[str]:
    """Return what is wrong with the confidence asked of intervals."""
    if isinstance(confidence, float) and 0.5 <= confidence < 1:
        return []
    return [f"confidence is {confidence!r}; it must be a number from 0.5 to below 1, as 0.95."]


def limit_mistakes(limit: float | None, set_by: str) -> list[str]:
    """Return what is wrong with a limit that a person is to have set."""
    mistakes = []
    if limit is not None and not (isinstance(limit, int | float) and math.isfinite(limit) and limit > 0):
        mistakes.append(f"limit is {limit!r}; it must be a number above 0, in the unit of the readings.")
    elif limit is not None and not set_by.strip():
        mistakes.append(
            f"a limit of {limit:g} was given without limit_set_by. Say who set it, by role and date."
        )
    elif limit is None and set_by.strip():
        mistakes.append(f"limit_set_by is '{set_by}' and no limit was given. Give limit= too.")
    return mistakes
