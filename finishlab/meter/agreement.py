"""How well two meters agree: the bias between them and limits of agreement, each with its interval.

Patches are what is drawn at random. Whether two meters may stand in for each other is decided
against a limit that somebody named; there is none by default.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from finishlab.errors import ModelError, RecordsError
from finishlab.meter.meter_spreads import Interval, mean_interval, normal_factor, plain_fields
from finishlab.meter.meter_words import (
    confidence_mistakes,
    ends,
    figure,
    in_words,
    limit_mistakes,
    quantity,
)
from finishlab.meter.reading_arrays import Taken, take
from finishlab.words import show

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.axes import Axes

#: Share of pairs of readings that the limits of agreement hold.
_HELD = 0.95


@dataclass(frozen=True, eq=False)
class MeterAgreement:
    """
    How well two meters agree on the same patches.

    Made by `compare_meters`. Differences are the second meter less the first.

    Attributes
    ----------
    reading : str
    meters : (str, str)
    bias : Interval
        Mean difference, in the unit of the readings.
    sd : float
        SD over patches of the difference of single readings, in that unit.
    low, high : Interval
        Limits of agreement, in that unit: 95 of 100 pairs of single readings differ by something between.
    slope : Interval
        Change of the difference with each unit of the mean of both.
    pairs : DataFrame
        One row a patch: ``patch``, the mean reading of each meter, ``mean`` of both and ``difference``.
    verdict : {"agree", "differ", "cannot tell yet"} or None
        Against `limit`; None where no limit was named.
    limit : float or None
        How far apart two readings may lie, in the unit of the readings.
    limit_set_by : str
    confidence : float
        Probability that each interval holds the true value.
    cautions : tuple of str
    """

    reading: str
    meters: tuple[str, str]
    bias: Interval
    sd: float
    low: Interval
    high: Interval
    slope: Interval
    pairs: pd.DataFrame
    verdict: str | None
    limit: float | None
    limit_set_by: str
    confidence: float
    cautions: tuple[str, ...]

    def text(self) -> str:
        """Say in plain words whether the meters agree."""
        unit, cover = show.spaced(quantity(self.reading)[1]), show.asked_percent(self.confidence)
        first, second = self.meters
        b = self.bias
        way = "higher" if b.value >= 0 else "lower"
        low, high = (b.low, b.high) if b.value >= 0 else (-b.high, -b.low)
        sure = "" if low > 0 else ", which may be nothing"
        lines = [
            f"On {len(self.pairs)} patches meter {second} reads {figure(abs(b.value))}{unit} {way} than meter {first} on average "
            f"({ends(low, high, b.value)}, {cover} interval){sure}.",
            f"Of 100 pairs of single readings, 95 differ by {ends(self.low.value, self.high.value)}{unit}; with what "
            f"{len(self.pairs)} patches leave open, by {ends(self.low.low, self.high.high)}.",
        ]
        if self.verdict is not None:
            within = f"± {self.limit:g}{unit} (limit set by {self.limit_set_by})"
            lines.append(
                {
                    "agree": f"That is within {within}: one may stand in for the other.",
                    "differ": f"That is beyond {within}: one may not stand in for the other as they are.",
                    "cannot tell yet": f"Whether that is within {within} these patches cannot tell yet; read more patches by both.",
                }[self.verdict]
            )
        return " ".join(lines)

    def table(self) -> pd.DataFrame:
        """Return bias, limits of agreement and slope with their intervals."""
        import pandas as pd

        rows = self._rows()
        return pd.DataFrame(
            [(n, i.value, i.low, i.high) for n, i in rows],
            columns=["what", "value", "value_low", "value_high"],
        )

    def to_dict(self) -> dict[str, Any]:
        """Return everything as plain Python, at full precision."""
        return plain_fields(self) | {
            "meters": list(self.meters),
            "pairs": self.pairs.to_dict("records"),
            "cautions": list(self.cautions),
        }

    def plot(self, ax: Axes | None = None) -> Axes:
        """Draw the differences over the level, with the limits of agreement and their intervals."""
        from finishlab.figures import meter_figures

        return meter_figures.agreement(
            self.pairs,
            reading=self.reading,
            meters=self.meters,
            lines=self.table().head(3),
            confidence=self.confidence,
            limit=self.limit,
            ax=ax,
        )

    def _repr_html_(self) -> str:
        unit = quantity(self.reading)[1]
        return show.sentence_and_table(self.text(), in_words(self._rows(), unit, self.confidence))

    def _rows(self) -> list[tuple[str, Interval]]:
        return [
            ("mean difference", self.bias),
            ("lower limit of agreement", self.low),
            ("upper limit of agreement", self.high),
            ("change with each unit read", self.slope),
        ]


def compare_meters(
    readings: pd.DataFrame,
    *,
    reading: str = "gloss_20",
    part: str = "patch",
    instrument: str = "instrument",
    meters: tuple[str, str] | None = None,
    after: str | None = None,
    limit: float | None = None,
    limit_set_by: str = "",
    confidence: float = 0.95,
) -> MeterAgreement:
    """
    Say how far single readings of two meters lie apart on the same patch.

    Parameters
    ----------
    readings : DataFrame
        One row a reading, as for `study_meter`; both meters on the same patches.
    reading, part, instrument : str, optional
        Columns, or a word in the column `quantity`, as for `study_meter`.
    meters : (str, str), optional
        Which two and in which order, where the table has more.
    after : str, optional
        Which readings, where the table has some after several steps.
    limit : float, optional
        How far apart two readings may lie, in the unit of the readings. It has no default.
    limit_set_by : str, optional
        Who said so; needed with a limit.
    confidence : float, optional
        Probability that each interval holds the true value, from 0.5 to below 1.

    Returns
    -------
    MeterAgreement

    Raises
    ------
    RecordsError
        The table lacks columns, holds text where numbers belong, or not two meters.
    ModelError
        Fewer than three patches were read by both, or an argument is not right.

    Notes
    -----
    Limits are bias less and plus 1.96 SD of the difference of single readings. Where a meter
    read a patch several times, the SD of the means is enlarged by what averaging took away.
    The intervals of the limits are those of normal quantiles (non-central t), exact for single
    readings; the usual approximation (standard error 1.71 SD over the root of the number) is symmetric
    and a little narrow outward. pingouin draws limits with such an interval and returns no numbers: with ten
    patches its upper one runs from 0.72 to 3.20 SD where the exact one runs from 1.16 to 3.80.

    References
    ----------
    Bland, J. M. & Altman, D. G. (1999), Statistical Methods in Medical Research 8, 135-160,
    sections 2, 3 and 5. Carkeet, A. (2015), Optometry and Vision Science 92, e71-e80 (from
    memory): exact intervals of the limits.

    Examples
    --------
    >>> import pandas as pd
    >>> import finishlab as fl
    >>> table = pd.DataFrame({
    ...     "patch": [1, 2, 3, 4, 5] * 2, "instrument": ["old"] * 5 + ["new"] * 5,
    ...     "gloss_20": [80.1, 82.4, 84.0, 86.2, 88.1, 80.8, 82.9, 84.8, 86.7, 88.9]})
    >>> agree = fl.compare_meters(table, meters=("old", "new"), limit=2.0, limit_set_by="owner, 3 March")
    >>> print(f"{agree.bias.value:.2f} {agree.low.value:.2f} {agree.high.value:.2f} {agree.verdict}")
    0.66 0.36 0.96 agree

    >>> fl.compare_meters(table, limit=2.0)
    Traceback (most recent call last):
        ...
    finishlab.errors.ModelError: a limit of 2 was given without limit_set_by. Say who set it, by role and date.
    """
    mistakes = limit_mistakes(limit, limit_set_by) + confidence_mistakes(confidence)
    if mistakes:
        raise ModelError(mistakes)
    taken = take(
        readings, reading=reading, part=part, technician=_there(readings, "technician"), after=after, instrument=None,
        meter=instrument,
    )  # fmt: skip
    first, second = _two(taken, meters)
    compared = _compared(taken, first, second)
    means, cautions = compared.means, list(compared.cautions)
    gap = means[:, 1] - means[:, 0]
    n = len(gap)
    sd_of_means = float(gap.std(ddof=1))
    sd = math.sqrt(sd_of_means**2 + compared.extra)
    df = _df(sd_of_means, n, compared.extra, compared.repeats)
    bias = mean_interval(gap, confidence)
    low, high = (_limit(float(gap.mean()), sd_of_means, sd, n, df, z, confidence) for z in (-1, 1))
    slope = _slope(means.mean(axis=1), gap, confidence)
    if slope.low > 0 or slope.high < 0:
        cautions.append(
            f"The difference changes with the level, by {figure(abs(slope.value))} with each unit read: the limits are right on "
            "average only, not at every level."
        )
    return MeterAgreement(
        reading=reading,
        meters=(first, second),
        bias=bias,
        sd=sd,
        low=low,
        high=high,
        slope=slope,
        pairs=_pairs(compared, first, second),
        verdict=None if limit is None else _verdict(low, high, limit),
        limit=limit,
        limit_set_by=limit_set_by,
        confidence=confidence,
        cautions=(*taken.cautions, *cautions),
    )


def _there(readings: pd.DataFrame, column: str) -> str | None:
    return column if column in getattr(readings, "columns", ()) else None


def _two(taken: Taken, meters: tuple[str, str] | None) -> tuple[str, str]:
    there = taken.meter.names if taken.meter is not None else ()
    shown = show.listed(there) or "none named"
    if meters is None:
        if len(there) != 2:
            raise RecordsError(
                f"two meters are wanted; the table has {len(there)}: {shown}. Say meters=('first', 'second')."
            )
        return there[0], there[1]
    wanted = tuple(map(str, meters))
    if len(wanted) != 2 or wanted[0] == wanted[1] or not set(wanted) <= set(there):
        raise RecordsError(
            f"meters={wanted}: two different meters of the table are wanted. There are: {shown}."
        )
    return wanted[0], wanted[1]


@dataclass(frozen=True, eq=False)
class _Compared:
    """
    Like with like: readings of a patch by the same technician in the same direction, by both meters.

    Attributes
    ----------
    patches : list of str
    means : ndarray, shape (patches, 2)
    extra : float
        Variance that the difference of single readings has beyond that of these means.
    repeats : list of (float, float)
        Each meter's part of it with its degrees of freedom.
    cautions : list of str
    """

    patches: list[str]
    means: np.ndarray
    extra: float
    repeats: list[tuple[float, float]]
    cautions: list[str]


def _compared(taken: Taken, first: str, second: str) -> _Compared:
    assert taken.meter is not None
    which = [taken.meter.of == taken.meter.names.index(m) for m in (first, second)]
    like = [g.of for g in (taken.part, taken.technician, taken.direction) if g is not None]
    sets = np.unique(np.stack(like), axis=1, return_inverse=True)[1].reshape(-1)
    count = np.stack([np.bincount(sets[w], minlength=sets.max() + 1) for w in which], axis=1)
    both = np.asarray((count > 0).all(axis=1))[sets]
    patches = np.unique(taken.part.of[both])
    if len(patches) < 3:
        raise ModelError(
            f"{show.counted(len(patches), 'patch')} read by both {first} and {second} (by the same "
            "technician in the same direction); three at least are wanted, ten tell more. Read the same patches by both."
        )
    means, extra, repeats = np.empty((len(patches), 2)), 0.0, []
    for k, w in enumerate(which):
        mine = w & both
        cell = np.unique(sets[mine], return_inverse=True)[1]
        mean = np.bincount(cell, taken.value[mine]) / np.bincount(cell)
        patch = np.searchsorted(patches, taken.part.of[mine])
        of_cell = np.zeros(len(mean), int)
        of_cell[cell] = patch
        means[:, k] = np.bincount(of_cell, mean) / np.bincount(of_cell)
        df = int(mine.sum()) - len(mean)
        if df > 0:
            variance = float(((taken.value[mine] - mean[cell]) ** 2).sum() / df)
            # The mean over a patch's sets of means of their readings.
            known = np.bincount(of_cell, 1 / np.bincount(cell)) / np.bincount(of_cell) ** 2
            repeats.append((variance * float((1 - known).mean()), float(df)))
            extra += repeats[-1][0]
    passed_over = int((~both & (which[0] | which[1])).sum())
    cautions = []
    if passed_over:
        cautions.append(
            f"{show.counted(passed_over, 'reading')} had no counterpart by the other meter on that patch, by the same technician in "
            "the same direction, and stayed out."
        )
    return _Compared([taken.part.names[i] for i in patches], means, extra, repeats, cautions)


def _pairs(compared: _Compared, first: str, second: str) -> pd.DataFrame:
    import pandas as pd

    means = compared.means
    return pd.DataFrame(
        {
            "patch": compared.patches,
            first: means[:, 0],
            second: means[:, 1],
            "mean": means.mean(axis=1),
            "difference": means[:, 1] - means[:, 0],
        }
    )


def _df(sd_of_means: float, n: int, extra: float, repeats: list[tuple[float, float]]) -> float:
    """Return Satterthwaite's degrees of freedom of the variance of single differences."""
    parts = [(sd_of_means**2, n - 1.0), *repeats]
    total = sd_of_means**2 + extra
    below = sum(v**2 / df for v, df in parts)
    return total**2 / below if below > 0 else n - 1.0


def _limit(
    mean: float, sd_of_mean: float, sd: float, n: int, df: float, side: int, confidence: float
) -> Interval:
    """
    Return one limit of agreement with its interval.

    With means of repeats the mean difference is known better than `n` single ones would tell it,
    as if there were more of them; the quantile of a normal distribution is then bounded as usual.
    """
    from scipy.stats import nct

    z = normal_factor(_HELD)
    value = mean + side * z * sd
    if sd == 0:
        return Interval(value, value, value)
    root = math.sqrt(n) * sd / sd_of_mean if sd_of_mean > 0 else math.sqrt(n * 1e6)
    inner, outer = (
        float(nct.ppf(p, df, z * root)) / root for p in ((1 - confidence) / 2, (1 + confidence) / 2)
    )
    ends = sorted(mean + side * k * sd for k in (inner, outer))
    return Interval(value, ends[0], ends[1])


def _slope(level: np.ndarray, gap: np.ndarray, confidence: float) -> Interval:
    from statsmodels.regression.linear_model import OLS

    about = level - level.mean()
    if len(gap) < 3 or float(about @ about) <= 1e-12 * max(1.0, float(level @ level)):
        return Interval(math.nan, math.nan, math.nan)
    fit = OLS(gap, np.column_stack([np.ones(len(gap)), about])).fit()
    return Interval(*map(float, (fit.params[1], *fit.conf_int(1 - confidence)[1])))


def _verdict(low: Interval, high: Interval, limit: float) -> str:
    if -limit <= low.low and high.high <= limit:
        return "agree"
    if low.high < -limit or high.low > limit:
        return "differ"
    return "cannot tell yet"
