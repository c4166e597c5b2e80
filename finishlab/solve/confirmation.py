"""Confirmation: do trials on fresh panels read as was predicted before they were worked?

The answer in words, table and figure: what was seen, how often chance alone does that when the recipe holds, and one
next step, as strong as that chance is small. How trials are judged is `confirming.py`'s. Jobs over months belong to
the monitor.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Literal

from finishlab.solve.forecast import Forecast
from finishlab.solve.forecast_test import RARE, RATE
from finishlab.study import RESPONSES, Condition
from finishlab.words import show

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
    share_as_few : float
        Share of rounds, drawn from the forecast, in which as few trials meet the goal, or fewer.
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
    share_as_few: float
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
    def by_chance(self) -> float:
        """How often chance alone does this when the recipe holds: the smaller of `share_together` and `share_as_few`."""
        return min(self.share_together, self.share_as_few)

    @property
    def verdict(self) -> Literal["as predicted", "may be chance", "not as predicted"]:
        """As predicted: chance does it in 1 round of 10 or more; may be chance: in 1 of 100 or more; else not as predicted."""
        if self.by_chance >= RATE:
            return "as predicted"
        return "may be chance" if self.by_chance >= RARE else "not as predicted"

    @property
    def agrees(self) -> bool:
        """Whether the trials read together as predicted, and as many met the goal as may be expected."""
        return self.verdict == "as predicted"

    @property
    def next_step(self) -> str:
        """What to type or do now, in one sentence."""
        if self.burned:
            return "Stop working this process, and type finishlab shortest with the study folder: it rules out what is as harsh."
        if self.verdict == "not as predicted":
            return "Stop working by the recipe, and look for what changed: lot, pad, wipe, technician, meter."
        if min(self.before, self.now) < self.wanted:
            return "Type finishlab shortest with the study folder: it counts these trials in and names the process anew."
        if self.verdict == "may be chance":
            return "Type finishlab follow-up --anyway with the study folder: it plans four more trials to confirm with."
        return "Work the next job by the recipe."

    def text(self) -> str:
        """Say in plain words what was seen, how often chance does that, what is now known, and what to do next."""
        goal = show.listed(c.text(name) for name, c in self.goal.items())
        inside, all_ = int(self.readings["inside"].sum()), len(self.readings)
        lines = [
            f"{self.process}: {self.met} of {show.counted(self.trials, 'trial')} on {show.counted(self.panels, 'fresh panel')} met {goal}, "
            f"where {show.percent(self.section_before)} was predicted; by these trials alone the share lies between "
            f"{show.percent(self.met_low)} and {show.percent(self.met_high)}.",
            f"{inside} of {show.counted(all_, 'reading')} lie inside the 90 % interval predicted for each.",
            *self._seen(),
        ]
        if not math.isnan(self.minutes):
            lines.append(
                f"They took {show.minutes_text(self.minutes)} a section on average, {show.number(self.minutes_before)} predicted."
            )
        if self.verdict != "not as predicted":
            keeps = "keeps its promise" if self.now >= self.wanted else "falls short of its promise"
            lines.append(
                f"With these trials the next job meets the goal with {show.percent(self.now)} assurance "
                f"({show.percent(self.before)} before, {show.asked_percent(self.wanted)} wanted): the recipe {keeps}."
            )
        return " ".join([*lines, f"Next: {self.next_step[0].lower()}{self.next_step[1:]}"])

    def _seen(self) -> list[str]:
        """Say how far the readings lie from the prediction, how often chance does that, and what follows."""
        said = []
        if self.readings.empty:
            said.append("There is no reading to hold against the forecast.")
        else:
            off = show.listed(_off(name, v) for name, v in self.off_by.items())
            said.append(f"On average {off}.")
        as_far = (
            "gives as few good trials to" if self.share_as_few < self.share_together else "puts as far off"
        )
        follows = {
            "as predicted": "the trials read as predicted",
            "may be chance": "this may be chance",
            "not as predicted": "this is hardly chance, and the prediction no longer holds",
        }[self.verdict]
        said.append(f"When the recipe holds, chance alone {as_far} {_often(self.by_chance)}: {follows}.")
        return said

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
        from finishlab.figures import confirmation_figure

        name, condition = next(iter(self.goal.items()))
        rows = self.readings[self.readings["response"] == name]
        ends = [e for e in (condition.at_least, condition.at_most) if e is not None]
        title = (
            f"{self.process}: {int(rows['inside'].sum())} of {len(rows)} readings inside what was predicted"
        )
        return confirmation_figure.confirmed(rows, label=show.label(name), ends=ends, title=title, ax=ax)

    def _repr_html_(self) -> str:
        return show.sentence_and_table(self.text(), self.table())


def _often(share: float) -> str:
    """
    Return a share of rounds as a person counts them.

    Examples
    --------
    >>> _often(0.37), _often(0.0625), _often(0.0004)
    ('about 37 rounds in 100', 'about 1 round in 16', 'fewer than 1 round in 1,000')
    """
    if share >= RATE:
        return f"about {100 * min(share, 0.99):.0f} rounds in 100"
    return f"about 1 round in {1 / share:.0f}" if share >= 0.001 else "fewer than 1 round in 1,000"


def _off(name: str, by: float) -> str:
    words, unit = RESPONSES[name]
    size = f"{show.number(abs(by))} {unit}".strip()
    return f"{words} lies {size} {'above' if by > 0 else 'below'} the prediction"


_NUMBERS = (
    "trials",
    "met",
    "met_low",
    "met_high",
    "section_before",
    "share_together",
    "share_as_few",
    "before",
    "now",
    "minutes",
    "minutes_before",
    "panels",
    "burned",
    "spoiled",
    "unread",
)
