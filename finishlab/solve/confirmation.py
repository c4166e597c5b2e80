"""Confirmation: do trials on fresh panels read as was predicted before they were worked?

The answer in words, table and figure; how trials are judged is `confirming.py`'s. Jobs over
months belong to the monitor.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from finishlab import _show
from finishlab.solve.forecast import Forecast
from finishlab.solve.together import RATE
from finishlab.study import RESPONSES, Condition

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.axes import Axes


_COLUMNS = ("row", "panel", "patch", "response", "reading", "repeats", "job_low", "job_high", "inside", "met")


@dataclass(frozen=True, eq=False)
class Confirmation:
    """
    Confirmation trials held against what was predicted before them.

    Made by `confirm`.

    Attributes
    ----------
    process : str
        The process confirmed, in words.
    goal : dict of response -> Condition
    wanted : float
        The assurance asked for, a probability.
    readings : DataFrame
        One row a trial and response: `row`, `panel`, `patch`, `response`, `reading`,
        `repeats`, `job_low` and `job_high` (90 % interval of that reading, predicted before),
        `inside`, `met`.
    trials, met : int
        Trials that can be judged on every goal, burn-throughs among them, and those that met all.
    met_low, met_high : float
        90 % interval of the share of sections that meet the goal, from these trials alone.
    section_before : float
        Share of sections that was predicted to meet the goal.
    share_together : float
        Share of rounds, drawn from the forecast, whose readings lie together at least as far from it.
    off_by : dict of response -> float
        How far the readings lie above (below: negative) their prediction on average, in units of the response.
    before, now : float
        Probability that the next job meets every goal, before these trials and with them.
    forecast : Forecast
        Brought up to date by these trials.
    minutes, minutes_before : float
        Average minutes of the trials, and as predicted.
    panels, burned, spoiled, unread : int
        Fresh panels; burn-throughs; trials spoiled; trials that lack a reading of the goal.
    cautions : tuple of str
    """

    process: str
    goal: dict[str, Condition]
    wanted: float
    readings: pd.DataFrame
    trials: int
    met: int
    met_low: float
    met_high: float
    section_before: float
    share_together: float
    off_by: dict[str, float]
    before: float
    now: float
    minutes: float
    minutes_before: float
    forecast: Forecast
    panels: int
    burned: int
    spoiled: int
    unread: int
    cautions: tuple[str, ...]

    @property
    def agrees(self) -> bool:
        """Whether the trials read together as predicted, and as many met the goal as may be expected."""
        return self.share_together >= RATE and self.met_high >= self.section_before

    def text(self) -> str:
        """Say in plain words whether the forecast held, and what is now known."""
        goal = _show.listed(c.text(name) for name, c in self.goal.items())
        inside, all_ = int(self.readings["inside"].sum()), len(self.readings)
        lines = [
            f"{self.process}: {self.met} of {_show.counted(self.trials, 'trial')} on {_show.counted(self.panels, 'fresh panel')} met {goal}, "
            f"where {_show.percent(self.section_before)} was predicted; by these trials alone the share lies between "
            f"{_show.percent(self.met_low)} and {_show.percent(self.met_high)}.",
            f"{inside} of {_show.counted(all_, 'reading')} lie inside the 90 % interval predicted for each.",
            self._together(),
        ]
        if not math.isnan(self.minutes):
            lines.append(
                f"They took {_show.minutes_text(self.minutes)} a section on average, {_show.number(self.minutes_before)} predicted."
            )
        if self.agrees:
            lines.append(
                f"With these trials the next job meets the goal with {_show.percent(self.now)} assurance "
                f"({_show.percent(self.before)} before, {_show.asked_percent(self.wanted)} wanted)."
            )
        else:
            lines.append(
                "What was predicted no longer holds: do not go by the recipe. Fit all trials together and look for what changed."
            )
        return " ".join(lines)

    def _together(self) -> str:
        if self.readings.empty:
            return "There is no reading to hold against the forecast."
        off = _show.listed(_off(name, v) for name, v in self.off_by.items())
        often = _show.percent(self.share_together)
        verdict = (
            "They read together as predicted"
            if self.share_together >= RATE
            else "They do not read as predicted"
        )
        return f"{verdict}: on average {off}; when the forecast is right, {often} of such rounds lie as far from it or farther."

    def table(self) -> pd.DataFrame:
        """Return one line a trial and response: what was predicted, what was read."""
        return self.readings.copy()

    def to_dict(self) -> dict[str, Any]:
        """Return everything as plain Python, at full precision; `from_dict` brings it back."""
        plain = ("process", "wanted", *_NUMBERS)
        return {
            **{k: getattr(self, k) for k in plain},
            "goal": {name: c.to_dict() for name, c in self.goal.items()},
            "readings": self.readings.to_dict("records"),
            "off_by": dict(self.off_by),
            "forecast": self.forecast.to_dict(),
            "cautions": list(self.cautions),
        }

    @classmethod
    def from_dict(cls, facts: Mapping[str, Any]) -> Confirmation:
        """Make the confirmation again from what `to_dict` gave."""
        import pandas as pd

        forecast = Forecast.from_dict(facts["forecast"])
        return cls(
            process=facts["process"],
            wanted=facts["wanted"],
            **{k: facts[k] for k in _NUMBERS},
            goal=forecast.goal,
            readings=pd.DataFrame(facts["readings"], columns=list(_COLUMNS)),
            off_by=dict(facts["off_by"]),
            forecast=forecast,
            cautions=tuple(facts["cautions"]),
        )

    def plot(self, ax: Axes | None = None) -> Axes:
        """Draw the readings of the first goal, each beside the interval predicted for it."""
        from finishlab import _confirm_figure

        name, condition = next(iter(self.goal.items()))
        rows = self.readings[self.readings["response"] == name]
        ends = [e for e in (condition.at_least, condition.at_most) if e is not None]
        title = (
            f"{self.process}: {int(rows['inside'].sum())} of {len(rows)} readings inside what was predicted"
        )
        return _confirm_figure.confirmed(rows, label=_show.label(name), ends=ends, title=title, ax=ax)

    def _repr_html_(self) -> str:
        return _show.sentence_and_table(self.text(), self.table())


def _off(name: str, by: float) -> str:
    words, unit = RESPONSES[name]
    size = f"{_show.number(abs(by))} {unit}".strip()
    return f"{words} lies {size} {'above' if by > 0 else 'below'} the prediction"


_NUMBERS = (
    "trials",
    "met",
    "met_low",
    "met_high",
    "section_before",
    "share_together",
    "before",
    "now",
    "minutes",
    "minutes_before",
    "panels",
    "burned",
    "spoiled",
    "unread",
)
