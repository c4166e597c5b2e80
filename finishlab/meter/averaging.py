"""How many readings of a patch to average, and at how many spots."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from finishlab.meter import meter_spreads
from finishlab.meter.meter_spreads import Components, mean_variance
from finishlab.meter.meter_words import figure, quantity
from finishlab.words import show

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.axes import Axes

#: Readings of a patch beyond which nobody goes; more are answered as not reached.
MOST = 100
_SHOWN = 10


@dataclass(frozen=True, eq=False)
class Averaging:
    """
    Readings to average for a wanted precision.

    Made by `MeterStudy.readings_for`.

    Attributes
    ----------
    reading : str
    precision : float or None
        Wanted half width of the 95 % interval for the patch's true value.
    found : bool
    readings, spots : int
        The fewest readings that reach it, and the spots they are spread over; 0 when none do.
    readings_cautious : int
        The same where the meter is as bad as it well may be: the high end of its interval.
        0 when none do.
    floor : float
        Half width that no number of readings falls below.
    gain : DataFrame
        ``readings``, ``half_width``, ``half_width_low``, ``half_width_high``.
    same_technician : bool
    confidence : float
    """

    reading: str
    precision: float | None
    found: bool
    readings: int
    spots: int
    readings_cautious: int
    floor: float
    gain: pd.DataFrame
    same_technician: bool
    confidence: float

    @classmethod
    def solve(
        cls,
        components: Components,
        reading: str,
        precision: float | None,
        *,
        spots: int | None = None,
        same_technician: bool = True,
    ) -> Averaging:
        """Return the answer for some variance components; without a precision, what averaging gains."""
        import numpy as np
        import pandas as pd

        factor = meter_spreads.normal_factor(0.95)

        def half_width(v: meter_spreads.Variances, n: int) -> Any:
            over = n if spots is None else min(n, spots)
            return factor * mean_variance(v, n, over, same_technician=same_technician) ** 0.5

        def fewest(reached: Any) -> int:
            return next((n for n in range(1, MOST + 1) if reached(n) <= (precision or 0) * (1 + 1e-12)), 0)

        share = (1 + components.confidence) / 2
        n = fewest(lambda n: float(half_width(components.estimate, n)))
        careful = fewest(lambda n: float(np.quantile(half_width(components.draws, n), share))) if n else 0
        rows = []
        for k in range(1, max(_SHOWN, n) + 1):
            width = components.of(lambda v, k=k: half_width(v, k))  # type: ignore[misc]
            rows.append((k, width.value, width.low, width.high))
        endless = {**components.estimate, meter_spreads.REST: 0.0}
        if spots is None:
            endless[meter_spreads.SPOT] = 0.0
        return cls(
            reading=reading,
            precision=precision,
            found=n > 0,
            readings=n,
            spots=n if spots is None else min(n, spots),
            readings_cautious=max(careful, n) if careful else 0,
            floor=float(half_width(endless, MOST)),
            gain=pd.DataFrame(rows, columns=["readings", "half_width", "half_width_low", "half_width_high"]),
            same_technician=same_technician,
            confidence=components.confidence,
        )

    def text(self) -> str:
        """Say in plain words how many readings to take."""
        unit = show.spaced(quantity(self.reading)[1])
        if self.precision is None:
            first, last = self.gain.iloc[0], self.gain.iloc[-1]
            return (
                f"One reading is within ± {figure(first['half_width'], 'up')}{unit}, the mean of {int(last['readings'])} "
                f"within ± {figure(last['half_width'], 'up')}{unit} (95 %)."
            )
        wanted = f"± {self.precision:g}{unit}"
        if not self.found:
            why = "technicians differ by more" if self.floor > self.precision else "it would take too many"
            return (
                f"No number of readings up to {MOST} brings the mean within {wanted}: {why}. Without end of readings it "
                f"would be ± {figure(self.floor, 'up')}{unit}."
            )
        where = "" if self.readings == 1 else f", at {show.counted(self.spots, 'spot')}"
        careful = (
            f"; {self.readings_cautious} to be sure of it"
            if self.readings_cautious > self.readings
            else ""
            if self.readings_cautious
            else "; how technicians differ from patch to patch is not known well enough to be sure of it"
        )
        return f"Average {show.counted(self.readings, 'reading')} of a patch{where}, for {wanted} (95 %){careful}."

    def table(self) -> pd.DataFrame:
        """Return the half width of the 95 % interval of a mean, by readings averaged."""
        return self.gain.copy()

    def to_dict(self) -> dict[str, Any]:
        """Return everything as plain Python, at full precision."""
        return {k: v for k, v in vars(self).items() if k != "gain"} | {"gain": self.gain.to_dict("records")}

    def plot(self, ax: Axes | None = None) -> Axes:
        """Draw what averaging gains."""
        from finishlab.figures import meter_figures

        return meter_figures.averages(
            self.gain.head(max(_SHOWN, self.readings)),
            reading=self.reading,
            wanted=self.precision,
            title=self.text(),
            confidence=self.confidence,
            ax=ax,
        )

    def _repr_html_(self) -> str:
        return show.sentence_and_table(self.text(), self.table())
