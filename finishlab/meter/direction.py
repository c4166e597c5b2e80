"""What the direction of reading does: along less across the sanding, patch by patch.

Lines left by the abrasive throw light to their sides, so a patch that reads differently along and
across may still have scratches (common practice, no source).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from finishlab.meter.meter_spreads import Interval, mean_interval
from finishlab.meter.meter_words import ends, figure, quantity, signed
from finishlab.meter.reading_arrays import Taken
from finishlab.words import show

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.axes import Axes

ALONG, ACROSS = "along", "across"


@dataclass(frozen=True, eq=False)
class DirectionEffect:
    """
    Along less across the sanding.

    Attributes
    ----------
    reading : str
    mean : Interval
        Over the patches, with patches as what is drawn at random; not known with one patch.
    by_patch : DataFrame
        ``patch``, ``difference``, ``low``, ``high``, ``apart``: the intervals hold for all
        patches together, and `apart` is whether they leave zero out.
    confidence : float
    """

    reading: str
    mean: Interval
    by_patch: pd.DataFrame
    confidence: float

    def text(self) -> str:
        """Say in plain words whether the direction matters."""
        unit = quantity(self.reading)[1]
        cover = show.asked_percent(self.confidence)
        m = self.mean
        if math.isnan(m.low):
            lines = [
                f"Along the sanding this patch reads {signed(m.value)}{show.spaced(unit)} beside across."
            ]
        else:
            way = "higher" if m.value >= 0 else "lower"
            low, high = (m.low, m.high) if m.value >= 0 else (-m.high, -m.low)
            sure = "" if m.low > 0 or m.high < 0 else ", which may be nothing"
            lines = [
                f"Along the sanding patches read {figure(abs(m.value))}{show.spaced(unit)} {way} than across ({ends(low, high, m.value)}, {cover} interval){sure}."
            ]
        apart = self.by_patch[self.by_patch["apart"]]
        if len(apart):
            named = show.listed(
                f"{row['patch']} ({signed(row['difference'])}{show.spaced(unit)})"
                for row in apart.to_dict("records")
            )
            lines.append(
                f"Beyond the meter's own spread: patch{'es' if len(apart) > 1 else ''} {named}. Look there for leftover "
                "scratches, under the lamp."
            )
        return " ".join(lines)

    def table(self) -> pd.DataFrame:
        """Return the difference of every patch with its interval."""
        return self.by_patch.copy()

    def to_dict(self) -> dict[str, Any]:
        """Return everything as plain Python, at full precision."""
        return {
            "reading": self.reading,
            "mean": vars(self.mean).copy(),
            "by_patch": self.by_patch.to_dict("records"),
            "confidence": self.confidence,
        }

    def plot(self, ax: Axes | None = None) -> Axes:
        """Draw the difference of every patch with its interval."""
        from finishlab.figures import meter_figures

        return meter_figures.direction(
            self.by_patch, mean=self.mean.value, reading=self.reading, confidence=self.confidence, ax=ax
        )

    def _repr_html_(self) -> str:
        return show.sentence_and_table(self.text(), self.table())


def direction_effect(
    taken: Taken, *, reading: str, repeat_sd: float, repeat_df: float, confidence: float
) -> DirectionEffect | None:
    """
    Return along less across, or None where both were not read on any patch by one technician.

    Parameters
    ----------
    taken : Taken
        With directions ``along`` and ``across``.
    reading : str
    repeat_sd, repeat_df : float
        Repeatability, for the intervals of single patches.
    confidence : float

    References
    ----------
    Student's paired comparison over patches. Bonferroni's correction for single patches.
    """
    import pandas as pd
    from scipy.special import stdtrit

    ways = taken.direction
    if ways is None or not {ALONG, ACROSS} <= set(ways.names):
        return None
    table = pd.DataFrame(
        {
            "patch": taken.part.of,
            "who": 0 if taken.technician is None else taken.technician.of,
            "way": np.array(ways.names, object)[ways.of],
            "value": taken.value,
        }
    )
    cells = table.groupby(["patch", "who", "way"], as_index=False)["value"].agg(["mean", "size"])
    along, across = (cells[cells["way"] == way].set_index(["patch", "who"]) for way in (ALONG, ACROSS))
    both = along.add_suffix("_along").join(across.add_suffix("_across"), how="inner")
    if not len(both):
        return None
    pair = pd.DataFrame(
        {
            "gap": both["mean_along"] - both["mean_across"],
            "noise": 1 / both["size_along"] + 1 / both["size_across"],
        }
    )
    by = pair.groupby("patch").agg(gap=("gap", "mean"), noise=("noise", "sum"), n=("gap", "size"))
    count = len(by)
    reach = (
        stdtrit(repeat_df, 1 - (1 - confidence) / (2 * count)) * repeat_sd * np.sqrt(by["noise"]) / by["n"]
    )
    difference = by["gap"].to_numpy(float)
    low, high = difference - reach.to_numpy(float), difference + reach.to_numpy(float)
    return DirectionEffect(
        reading=reading,
        mean=mean_interval(difference, confidence),
        by_patch=pd.DataFrame(
            {
                "patch": [taken.part.names[i] for i in by.index],
                "difference": difference,
                "low": low,
                "high": high,
                "apart": (low > 0) | (high < 0),
            }
        ),
        confidence=confidence,
    )
