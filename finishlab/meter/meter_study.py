"""What a meter study found: `MeterStudy`, its sentences and its tables.

How it is computed is in `analysis.py`; here is what it says to a person and hands to the model.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING, Any, Literal

from finishlab.errors import ModelError
from finishlab.meter import meter_spreads
from finishlab.meter.anova import REST
from finishlab.meter.averaging import Averaging
from finishlab.meter.direction import DirectionEffect
from finishlab.meter.meter_spreads import Components, Interval, mean_variance
from finishlab.meter.meter_words import ends, figure, quantity, signed
from finishlab.meter.reliability import Reliability, reliability
from finishlab.words import show

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.axes import Axes

#: Meter SD above this share of the patches' asks for more readings before more patches
#: (common practice, no source).
_MUCH = 0.30
#: Readings that the sentences average.
AVERAGED = 3
#: Readings that stand apart named in a sentence each before the rest is counted.
_NAMED = 3
#: Every figure of a study, one question each.
FIGURES = ("spread", "readings", "averages", "direction")


@dataclass(frozen=True, eq=False)
class MeterStudy:
    """
    How good a meter is: where the spread of its readings comes from, and what it can tell.

    Made by `study_meter`. Attributes that end in ``low`` and ``high`` are the ends of an
    interval that holds the true value in the share `confidence` of studies.

    Attributes
    ----------
    reading : str
        What was read, as ``gloss_20``.
    method : str
        How the variance components were found.
    confidence : float
        Probability that each interval holds the true value.
    mean : float
        Of all readings, in their unit.
    counts : dict of str -> int
        ``readings``, ``patches``, ``technicians``, ``panels``, ``spots`` and ``directions``.
    components : Components
        Variance by source of spread, in the square of the unit; a source that the readings
        cannot tell is left out, one that came out below zero is zero.
    anova : DataFrame
        One row a source: ``source``, ``df``, ``ss``, ``ms``, the analysis of variance behind the intervals.
    meter_ss, meter_df : float
        Sum of squares of single readings about what their patch would be read on average, and
        its degrees of freedom: what a model of trials takes for the meter's spread. Spots of
        a patch are part of it, technicians are not.
    direction : DirectionEffect or None
        Along less across the sanding, where both were read.
    flagged : DataFrame
        One row a finding of a named test, what stands apart: ``rows``, ``patch``, ``technician``, ``value``,
        ``test``, ``statistic``, ``critical``, ``outlier`` (1 % level, else 5 %). All stay in.
    without_outliers : MeterStudy or None
        The same study without those marked as outliers, if there are any.
    points : DataFrame
        One row a reading as it was taken in: ``patch``, ``technician``, ``direction``, ``value``.
    cautions : tuple of str
    """

    reading: str
    method: str
    confidence: float
    mean: float
    counts: dict[str, int]
    components: Components
    anova: pd.DataFrame
    meter_ss: float
    meter_df: float
    direction: DirectionEffect | None
    flagged: pd.DataFrame
    without_outliers: MeterStudy | None
    points: pd.DataFrame
    cautions: tuple[str, ...]

    @property
    def unit(self) -> str:
        """Unit of the readings, empty where they have none."""
        return quantity(self.reading)[1]

    @cached_property
    def meter_share(self) -> Interval:
        """The meter's part of the variance of single readings, 0 to 1; NaN with one patch only."""
        return self._of(
            meter_spreads.share_of(meter_spreads.meter_variance) if self._has_patches else lambda v: math.nan
        )

    @cached_property
    def meter_sd(self) -> Interval:
        """SD of single readings of one spot in any technician's hands: the reproducibility SD."""
        return self._of(lambda v: meter_spreads.meter_variance(v) ** 0.5)

    @cached_property
    def repeatability_sd(self) -> Interval:
        """SD of single readings of one spot by one technician."""
        return self._of(lambda v: v[REST] ** 0.5)

    @cached_property
    def patch_sd(self) -> Interval:
        """SD of the patches' true values, panels included."""
        return self._of(lambda v: meter_spreads.patch_variance(v) ** 0.5 if self._has_patches else math.nan)

    @cached_property
    def reliability(self) -> Reliability | None:
        """Intraclass correlation of a patch's readings with its 95 % interval; None where the table is not complete."""
        return reliability(self.points)

    def difference(self, readings: int = 1, *, same_technician: bool = True) -> Interval:
        """
        Return by how much two means must differ before their patches can be called different.

        Two patches that are truly alike differ by more than this in 5 of 100 pairs.

        Parameters
        ----------
        readings : int, optional
            Readings averaged on each patch, each at a spot of its own.
        same_technician : bool, optional
            Whether one technician reads both patches, or each another.

        References
        ----------
        ISO 5725-6: repeatability and reproducibility limits, 1.96 times the root of 2 times
        the SD (there rounded to 2.8 SD).
        """
        factor = meter_spreads.normal_factor(0.95) * math.sqrt(2)
        return self._of(lambda v: factor * mean_variance(v, readings, same_technician=same_technician) ** 0.5)

    def readings_for(
        self, precision: float, *, spots: int | None = None, same_technician: bool = True
    ) -> Averaging:
        """
        Return how many readings of a patch to average for a wanted precision.

        Parameters
        ----------
        precision : float
            Half width of the interval that holds the patch's true value in 95 of 100 patches,
            in the unit of the readings.
        spots : int, optional
            At most that many spots, where a patch has no room for more; every reading at a
            spot of its own when left out.
        same_technician : bool, optional
            Whether the mean is only compared with others of the same technician.

        Returns
        -------
        Averaging

        Raises
        ------
        ModelError
            The precision or the number of spots is not right.
        """
        mistakes = []
        if not (isinstance(precision, int | float) and math.isfinite(precision) and precision > 0):
            mistakes.append(
                f"precision is {precision!r}; it must be a number above 0, in the unit of the readings."
            )
        if spots is not None and not (isinstance(spots, int) and spots >= 1):
            mistakes.append(f"spots is {spots!r}; it must be a whole number, 1 or more.")
        if mistakes:
            raise ModelError(mistakes)
        return Averaging.solve(
            self.components, self.reading, float(precision), spots=spots, same_technician=same_technician
        )

    def text(self) -> str:
        """Say in plain words what the meter can tell, and what deserves a look."""
        return " ".join(s for s in (*self._meter(), *self._advice(), *self._look()) if s)

    def table(self) -> pd.DataFrame:
        """
        Return where the spread comes from.

        Returns
        -------
        DataFrame
            One row a source: ``source``, ``sd``, ``sd_low``, ``sd_high`` in the unit of the
            readings and ``share``, ``share_low``, ``share_high`` of the variance of single
            readings, 0 to 1; then the meter in all, and all readings.
        """
        import pandas as pd

        def row(source: str, variance: Callable[[meter_spreads.Variances], Any]) -> tuple[Any, ...]:
            sd = self._of(lambda v: variance(v) ** 0.5)
            share = self._of(meter_spreads.share_of(variance) if self._has_patches else lambda v: math.nan)
            return source, sd.value, sd.low, sd.high, share.value, share.low, share.high

        rows = [
            *(
                row(words, meter_spreads.source_variance(name))
                for name, words in meter_spreads.SOURCES.items()
                if name in self.components.estimate
            ),
            row("the meter in all", meter_spreads.meter_variance),
            row("all readings", meter_spreads.total_variance),
        ]
        return pd.DataFrame(
            rows, columns=["source", "sd", "sd_low", "sd_high", "share", "share_low", "share_high"]
        )

    def to_dict(self) -> dict[str, Any]:
        """Return everything as plain Python, at full precision."""
        return {
            "reading": self.reading,
            "unit": self.unit,
            "method": self.method,
            "confidence": self.confidence,
            "mean": self.mean,
            "counts": dict(self.counts),
            "variances": dict(self.components.estimate),
            "sources": self.table().to_dict("records"),
            "anova": self.anova.to_dict("records"),
            "difference": {
                f"{who}_{k}": vars(self.difference(k, same_technician=who == "same_technician"))
                for who in ("same_technician", "other_technician")
                for k in (1, AVERAGED)
            },
            "intraclass_correlation": None
            if self.reliability is None
            else vars(self.reliability.correlation),
            "meter_ss": self.meter_ss,
            "meter_df": self.meter_df,
            "direction": None if self.direction is None else self.direction.to_dict(),
            "flagged": self.flagged.to_dict("records"),
            "without_outliers": None if self.without_outliers is None else self.without_outliers.to_dict(),
            "cautions": list(self.cautions),
        }

    def plot(
        self,
        ax: Axes | None = None,
        *,
        of: Literal["spread", "readings", "averages", "direction"] = "spread",
    ) -> Axes:
        """
        Draw the answer to one question.

        Parameters
        ----------
        ax : Axes, optional
        of : {"spread", "readings", "averages", "direction"}, optional
            Where the spread comes from; every reading by patch and technician; what averaging
            gains; along less across, patch by patch.

        Raises
        ------
        ModelError
            There is no such figure, or no direction was read.
        """
        from finishlab.figures import meter_figures

        if of == "spread":
            return meter_figures.spread(self.table(), reading=self.reading, confidence=self.confidence, ax=ax)
        if of == "readings":
            return meter_figures.by_patch(
                self.points, reading=self.reading, flagged=self.flagged[self.flagged["outlier"]], ax=ax
            )
        if of == "averages":
            return Averaging.solve(self.components, self.reading, None).plot(ax)
        if of == "direction":
            if self.direction is None:
                raise ModelError(
                    "along and across were not both read, so there is no direction to draw. Read each patch both "
                    "ways and log it in the column 'direction'."
                )
            return self.direction.plot(ax)
        raise ModelError(f"of='{of}' is no figure. There are: {', '.join(FIGURES)}.")

    def _repr_html_(self) -> str:
        return show.sentence_and_table(self.text(), self._in_words())

    @property
    def _has_patches(self) -> bool:
        return any(k in self.components.estimate for k in (meter_spreads.PATCH, meter_spreads.PANEL))

    def _of(self, function: Callable[[meter_spreads.Variances], Any]) -> Interval:
        return self.components.of(function)

    def _in_words(self) -> pd.DataFrame:
        """Return the table as it is read: digits as the intervals support them, shares in percent."""
        import pandas as pd

        rows = self.table()
        sd, share = f"SD{f', {self.unit}' if self.unit else ''}", "share of the spread"
        cover = f"{show.asked_percent(self.confidence)} interval"

        def percents(low: float, high: float) -> str:
            if math.isnan(low):
                return show.UNKNOWN
            return f"{show.number(100 * low, 0, 'down')} to {show.number(100 * high, 0, 'up')}"

        return pd.DataFrame(
            {
                "spread": rows["source"],
                sd: [figure(v) for v in rows["sd"]],
                cover: [ends(*i) for i in rows[["sd_low", "sd_high", "sd"]].itertuples(index=False)],
                share: [
                    show.UNKNOWN if math.isnan(v) else f"{show.number(100 * v, 0)} %" for v in rows["share"]
                ],
                f"{cover} of it, %": [
                    percents(a, b) for a, b in zip(rows["share_low"], rows["share_high"], strict=True)
                ],
            }
        )

    def _meter(self) -> list[str]:
        words, unit = quantity(self.reading)
        share, lines = self.meter_share, []
        cover = show.asked_percent(self.confidence)
        if not math.isnan(share.value):
            value, high = (show.number(100 * x, 0, "up") for x in (share.value, share.high))
            low = show.number(100 * share.low, 0, "down")
            lines.append(
                f"Of the spread of {words} readings, {value} % is the meter's ({low} to {high} %, {cover} interval), "
                "as the variance of single readings."
            )
        one, several = self.difference(), self.difference(AVERAGED)
        lines.append(
            f"It tells two patches apart that one technician reads {figure(one.value, 'up')}{show.spaced(unit)} or more apart, "
            f"read once each, and {figure(several.value, 'up')}{show.spaced(unit)} as means of {AVERAGED} (95 %)."
        )
        if meter_spreads.TECHNICIAN in self.components.estimate:
            other = self.difference(same_technician=False)
            lines.append(f"Between two technicians it takes {figure(other.value, 'up')}{show.spaced(unit)}.")
        half = meter_spreads.normal_factor(0.95) * mean_variance(self.components.estimate, AVERAGED) ** 0.5
        lines.append(f"Average {AVERAGED} readings for ± {figure(half, 'up')}{show.spaced(unit)}.")
        if self.reliability is not None:
            value, low, high = vars(self.reliability.correlation).values()
            k = self.reliability.averaged
            lines.append(
                f"The intraclass correlation of {f'means of {k}' if k > 1 else 'single readings'} is {signed(value, 'down', 2)} "
                f"({signed(low, 'down', 2)} to {signed(high, 'up', 2)}, 95 % interval); 1 is a meter without scatter."
            )
        return lines

    def _advice(self) -> list[str]:
        if self._has_patches and self.meter_sd.value > _MUCH * self.patch_sd.value:
            return [
                f"That is much beside how these patches differ (meter SD {figure(self.meter_sd.value)}, patch SD "
                f"{figure(self.patch_sd.value)}{show.spaced(self.unit)}): take more readings a patch before working more patches "
                "(common practice, no source)."
            ]
        return []

    def _look(self) -> list[str]:
        lines = [] if self.direction is None else [self.direction.text()]
        outliers = self.flagged[self.flagged["outlier"]]
        for flag in outliers.head(_NAMED).to_dict("records"):
            lines.append(f"{flag['what']} stands apart ({flag['test']}, 1 % level); it stays in.")
        if len(outliers) > _NAMED:
            lines.append(
                f"So {'does' if len(outliers) == _NAMED + 1 else 'do'} {len(outliers) - _NAMED} more; see `flagged`."
            )
        if self.without_outliers is not None:
            other = self.without_outliers.difference()
            lines.append(
                f"Without {'it' if len(outliers) == 1 else 'them'} the difference told would be "
                f"{figure(other.value, 'up')} instead of {figure(self.difference().value, 'up')}{show.spaced(self.unit)}: find out "
                "what happened before leaving anything out."
            )
        return lines
