"""Whether a meter has moved: readings of a reference tile over the days.

Days are what varies: several readings of one day tell of that day only. A steady trend and a
sudden jump are told apart; how far off is too far is somebody's word and has no default.
"""

from __future__ import annotations

import datetime as dt
import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from finishlab.errors import ModelError, RecordsError
from finishlab.meter.meter_spreads import Interval, mean_interval, plain_fields
from finishlab.meter.meter_words import confidence_mistakes, ends, in_words, limit_mistakes, signed
from finishlab.records.sheets.cells import Numbers, dates, words
from finishlab.records.sheets.sheet_mistakes import Mistakes
from finishlab.words import show

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.axes import Axes

#: The trend is told for this many days.
PER_DAYS = 30
#: Days wanted before a trend is told, and on each side of a jump.
_TREND, _SIDE = 3, 3
#: How rarely a jump is named where there is none.
_JUMP_LEVEL = 0.01


@dataclass(frozen=True, eq=False)
class MeterDrift:
    """
    What a reference tile says of a meter over time.

    Made by `meter_drift`. Offsets are readings less the value of the tile.

    Attributes
    ----------
    tile, instrument : str
    unit : str
        Of every value here: the readings' own.
    shift : Interval
        Offset on average over the days, in that unit.
    trend : Interval
        Change in 30 days; NaN with fewer than three days, or where the meter jumped.
    now : Interval
        Offset on the last day, by the line through the days, or after a jump by the days since.
    jump : dict of str -> value, or None
        ``after``, ``before`` (days), ``size`` with ``low`` and ``high``, where a sudden change explains the days
        better than a trend.
    days : DataFrame
        One row a day: ``day``, ``offset`` (mean of the day), ``readings``, and ``line`` as fitted.
    verdict : {"within", "beyond", "cannot tell yet"} or None
        Of `now` against `limit`.
    limit : float or None
        How far off the tile's value is too far, in the unit of the readings.
    limit_set_by : str
    confidence : float
        Probability that each interval holds the true value.
    cautions : tuple of str
    """

    tile: str
    instrument: str
    unit: str
    shift: Interval
    trend: Interval
    now: Interval
    jump: dict[str, Any] | None
    days: pd.DataFrame
    verdict: str | None
    limit: float | None
    limit_set_by: str
    confidence: float
    cautions: tuple[str, ...]

    def text(self) -> str:
        """Say in plain words whether the meter has moved."""
        unit, cover = show.spaced(self.unit), show.asked_percent(self.confidence)
        first, last = self.days["day"].iloc[0], self.days["day"].iloc[-1]
        name = " ".join(w for w in ("Meter", self.instrument) if w)
        lines = [
            f"{name} on tile {self.tile}, {show.counted(len(self.days), 'day')} from {first} to {last}: off by "
            f"{signed(self.now.value)}{unit} on the last day"
            + (
                f" ({ends(self.now.low, self.now.high, self.now.value)}, {cover} interval)."
                if math.isfinite(self.now.low)
                else "."
            )
        ]
        if self.jump is not None:
            j = self.jump
            lines.append(
                f"It jumped by {signed(j['size'])}{unit} ({ends(j['low'], j['high'], j['size'])}) between {j['after']} and "
                f"{j['before']}: ask what happened to meter or tile that day."
            )
        elif math.isfinite(self.trend.low):
            t = self.trend
            if t.low > 0 or t.high < 0:
                lines.append(
                    f"It moves by {signed(t.value)}{unit} in {PER_DAYS} days ({ends(t.low, t.high, t.value)})."
                )
            else:
                lines.append(f"No trend can be told: {ends(t.low, t.high)}{unit} in {PER_DAYS} days.")
        if self.verdict is not None:
            within = f"± {self.limit:g}{unit} (limit set by {self.limit_set_by})"
            lines.append(
                {
                    "within": f"That is within {within}.",
                    "beyond": f"That is beyond {within}: clean tile and lens, calibrate, and read again what was read since the last good day.",
                    "cannot tell yet": f"Whether that is within {within} cannot be told yet: read the tile several times, and on more days.",
                }[self.verdict]
            )
        return " ".join(lines)

    def table(self) -> pd.DataFrame:
        """Return the days: mean offset, number of readings, and the line through them."""
        return self.days.copy()

    def to_dict(self) -> dict[str, Any]:
        """Return everything as plain Python, at full precision."""
        return plain_fields(self) | {"days": self.days.to_dict("records"), "cautions": list(self.cautions)}

    def plot(self, ax: Axes | None = None) -> Axes:
        """Draw the offset of every day with the line through them, and the limit where one was named."""
        from finishlab.figures import meter_figures

        return meter_figures.drift(
            self.days,
            title=self.text().split(". ")[0],
            unit=self.unit,
            limit=self.limit,
            jump=None if self.jump is None else self.jump["before"],
            ax=ax,
        )

    def _repr_html_(self) -> str:
        rows = [
            ("off on the last day", self.now),
            ("off on average", self.shift),
            (f"change in {PER_DAYS} days", self.trend),
        ]
        return show.sentence_and_table(self.text(), in_words(rows, self.unit, self.confidence))


def meter_drift(
    readings: pd.DataFrame,
    *,
    value: str = "value",
    when: str = "when",
    tile: str = "tile",
    expected: float | str = "expected",
    instrument: str | None = None,
    unit: str = "GU",
    limit: float | None = None,
    limit_set_by: str = "",
    confidence: float = 0.95,
) -> MeterDrift:
    """
    Say whether a meter has moved, from readings of a reference tile over days.

    Parameters
    ----------
    readings : DataFrame
        One row a reading of one tile by one meter.
    value, when, tile : str, optional
        Columns: what was read, the day or moment, which tile.
    expected : float or str, optional
        The tile's value in the unit of the readings, or the column that has it.
    instrument : str, optional
        Which meter, where the column `instrument` names several.
    unit : str, optional
        For the sentences.
    limit : float, optional
        How far off the tile's value is too far, in the unit of the readings. It has no default.
    limit_set_by : str, optional
        Who said so; needed with a limit.
    confidence : float, optional
        Probability that each interval holds the true value, from 0.5 to below 1.

    Returns
    -------
    MeterDrift

    Raises
    ------
    RecordsError
        The table lacks columns, or cells hold no number or date, or it has several tiles or meters.
    ModelError
        An argument is not right.

    Notes
    -----
    Student's intervals from the means of days: the days' own spread counts, not that of repeats
    within a day. A jump is looked for at every place with three days on either side, and named
    where its t, corrected by Bonferroni for the places looked at, would come once in a hundred studies and
    it explains the days better than a straight line.

    References
    ----------
    NIST/SEMATECH e-Handbook of Statistical Methods, 2.3.5 (control of a calibration over days).

    Examples
    --------
    >>> import pandas as pd
    >>> import finishlab as fl
    >>> tile = pd.DataFrame({"when": ["2026-03-02", "2026-03-09", "2026-03-16", "2026-03-23", "2026-03-30"], "tile": "T1",
    ...                      "expected": 92.4, "value": [92.4, 92.6, 92.7, 92.9, 93.0]})
    >>> moved = fl.meter_drift(tile, limit=0.5, limit_set_by="owner, 1 March")
    >>> print(f"{moved.trend.value:.2f} {moved.now.value:.2f} {moved.verdict}")
    0.64 0.62 beyond

    >>> fl.meter_drift(tile.drop(columns="expected"))
    Traceback (most recent call last):
        ...
    finishlab.errors.RecordsError: column 'expected' is missing. Columns: when, tile, value. Say expected= its column, or the tile's value.
    """
    mistakes = limit_mistakes(limit, limit_set_by) + confidence_mistakes(confidence)
    if mistakes:
        raise ModelError(mistakes)
    offset, moment, which, cautions = _offsets(readings, value, when, tile, expected, instrument)
    days, at = np.unique(moment.astype("datetime64[D]"), return_inverse=True)
    count = np.bincount(at)
    mean = np.bincount(at, offset) / count
    x = (days - days[0]).astype(float)
    shift, trend, now, line = _through(x, mean, confidence)
    jump = _jump(x, mean, days, confidence)
    if jump is not None:
        k = int(np.flatnonzero(days == np.datetime64(jump["before"]))[0])
        now, trend = mean_interval(mean[k:], confidence), Interval(math.nan, math.nan, math.nan)
        line = np.r_[np.full(k, mean[:k].mean()), np.full(len(mean) - k, mean[k:].mean())]
    if len(days) < _TREND:
        cautions.append(
            f"The tile was read on {show.counted(len(days), 'day')} only: three at least tell a trend."
        )
    import pandas as pd

    return MeterDrift(
        tile=which[0],
        instrument=which[1],
        unit=unit,
        shift=shift,
        trend=trend,
        now=now,
        jump=jump,
        days=pd.DataFrame({"day": [d.item() for d in days], "offset": mean, "readings": count, "line": line}),
        verdict=None if limit is None else _verdict(now, limit),
        limit=limit,
        limit_set_by=limit_set_by,
        confidence=confidence,
        cautions=tuple(cautions),
    )


def _offsets(
    readings: pd.DataFrame, value: str, when: str, tile: str, expected: float | str, instrument: str | None
) -> tuple[np.ndarray, np.ndarray, tuple[str, str], list[str]]:
    """Return offsets, their moments, the names of tile and meter, and cautions; or every mistake."""
    names = [str(c) for c in readings.columns]
    shown = ", ".join(names)
    missing = [
        f"column '{c}' is missing. Columns: {shown}. Say {word}= its column{more}."
        for c, word, more in (
            (value, "value", ""),
            (when, "when", ""),
            (tile, "tile", ""),
            *([(expected, "expected", ", or the tile's value")] if isinstance(expected, str) else []),
        )
        if c not in names
    ]
    if missing:
        raise RecordsError(
            missing, heading="The table of tile readings lacks columns." if len(missing) > 1 else ""
        )
    if not len(readings):
        raise RecordsError(
            "the table of tile readings has no rows. Read the tile first, each day before work."
        )
    table = readings.rename(columns=str)
    index = list(table.index)
    mistakes = Mistakes(lambda i: f"row {index[i]}", len(table))
    numbers = Numbers(mistakes, False)
    read = numbers.read(table[value].to_numpy(), value)
    if isinstance(expected, str):
        true = numbers.read(table[expected].to_numpy(), expected, "Write the value of the tile.")
        mistakes.cells(
            expected, np.isnan(true) & ~np.isnan(read), lambda i: "is empty. Write the value of the tile."
        )
    else:
        true = np.full(len(read), float(expected))
    moment = dates(table[when].to_numpy(), when, mistakes)
    mistakes.cells(
        when, np.isnat(moment) & ~np.isnan(read), lambda i: "is empty. Write the day, as 2026-03-09."
    )
    mistakes.raise_any("the table of tile readings")
    keep = ~np.isnan(read)
    if instrument is not None and "instrument" in names:
        keep &= words(table["instrument"].to_numpy(object)) == instrument
    found = []
    for column, word in ((tile, "tile"), ("instrument", "instrument")):
        labels = words(table[column].to_numpy(object))[keep] if column in names else np.array([], object)
        several = sorted({str(v) for v in labels if v is not None})
        if len(several) > 1:
            way = (
                f"instrument='{several[0]}'"
                if word == "instrument"
                else f"readings[readings['{tile}'] == '{several[0]}']"
            )
            raise RecordsError(
                f"the readings are of several sorts in column '{column}': {show.listed(several)}. One drift is of one: take {way}, say."
            )
        found.append(several[0] if several else "")
    if not keep.any():
        raise RecordsError("no reading of the tile is left to look at. Check what was asked for.")
    return read[keep] - true[keep], moment[keep], (found[0], found[1]), list(numbers.cautions())


def _through(
    x: np.ndarray, y: np.ndarray, confidence: float
) -> tuple[Interval, Interval, Interval, np.ndarray]:
    """Return mean, slope in 30 days and value on the last day of a straight line, and the line."""
    from statsmodels.regression.linear_model import OLS

    shift = mean_interval(y, confidence)
    if len(x) < _TREND:
        unknown = Interval(math.nan, math.nan, math.nan)
        return (
            shift,
            unknown,
            shift if len(x) > 1 else Interval(float(y[-1]), math.nan, math.nan),
            np.full(len(x), shift.value),
        )
    matrix = np.column_stack([np.ones(len(x)), x - x.mean()])
    fit = OLS(y, matrix).fit()
    trend = Interval(*(PER_DAYS * float(v) for v in (fit.params[1], *fit.conf_int(1 - confidence)[1])))
    line = np.asarray(fit.fittedvalues)
    end = fit.get_prediction(matrix[-1:]).conf_int(alpha=1 - confidence)[0]
    return shift, trend, Interval(float(line[-1]), *map(float, end)), line


def _jump(x: np.ndarray, y: np.ndarray, days: np.ndarray, confidence: float) -> dict[str, Any] | None:
    """Return the sudden change that explains the days better than a trend, if there is one."""
    from scipy.special import stdtr, stdtrit

    n = len(y)
    places = range(_SIDE, n - _SIDE + 1)
    if len(places) < 1 or np.ptp(y) == 0:
        return None
    rest = [float(((y[:k] - y[:k].mean()) ** 2).sum() + ((y[k:] - y[k:].mean()) ** 2).sum()) for k in places]
    best = int(np.argmin(rest))
    k = places[best]
    about = x - x.mean()
    straight = float(((y - y.mean() - about * (about @ y) / (about @ about)) ** 2).sum())
    size = float(y[k:].mean() - y[:k].mean())
    if rest[best] >= straight or size == 0:
        return None
    se = math.sqrt(rest[best] / (n - 2) * (1 / k + 1 / (n - k)))
    chance = 2 * float(stdtr(n - 2, -abs(size) / se)) * len(places) if se > 0 else 0.0
    if chance > _JUMP_LEVEL:
        return None
    half = float(stdtrit(n - 2, (1 + confidence) / 2)) * se
    after, before = (d.item() for d in days[k - 1 : k + 1])
    assert isinstance(after, dt.date)
    return {"after": after, "before": before, "size": size, "low": size - half, "high": size + half}


def _verdict(now: Interval, limit: float) -> str:
    low, high = (now.value, now.value) if math.isnan(now.low) else (now.low, now.high)
    if low > limit or high < -limit:
        return "beyond"
    if not math.isnan(now.low) and -limit <= low and high <= limit:
        return "within"
    return "cannot tell yet"
