"""What a class recommended on a hidden practice bench, beside the truth: in words, as a table, as a figure.

Nothing is worked and nobody is scored here: that is `exercise.py`'s.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from finishlab.plain import plain_rows
from finishlab.words import show

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.axes import Axes


@dataclass(frozen=True, eq=False)
class ClassScore:
    """
    What a class recommended, scored on the truth.

    Made by `ClassExercise.score`.

    Attributes
    ----------
    rows : DataFrame
        One row a student, then one for finishlab and one for the textbook's way: `who`; `process` in words; `true_probability` that
        the next job meets the goal; `kept`, whether that is as much as was asked for; `times_shortest`, its true minutes over the
        shortest possible; `said_probability`; `said_minus_true`; `trials` and `bench_minutes` used; `note`, why there is no answer.
    best : dict of str -> value
        The truly shortest process that keeps the promise: `settings`, `minutes` of a section, `job_minutes`, `assurance`, `process` in words.
    wanted : float
        The assurance asked for, a probability.
    budget : int
        Trials that everybody had.
    kind, seed : int
        Which shop it was: ``PracticeBench(kind=kind, seed=seed)``.
    shop : str
        How finishing goes in it.
    """

    rows: pd.DataFrame
    best: dict[str, Any]
    wanted: float
    budget: int
    kind: int
    seed: int
    shop: str

    def text(self) -> str:
        """Say what the truth was, how the class did, and how the two ways did."""
        asked, best = show.asked_percent(self.wanted), self.best
        told = self._class.dropna(subset=["true_probability"])
        kept = told[told["kept"]]
        said = [
            f"The shop: {self.shop}. The shortest process that truly meets the goal in {asked} of jobs or more: {best['process']}; "
            f"{show.time_text(best['minutes'], best['job_minutes'])}, {show.percent(best['assurance'])}.",
            f"{len(kept)} of {show.counted(len(self._class), 'student')} recommended one that keeps it"
            + (
                f", the median at {_times(kept['times_shortest'].median())} the shortest minutes."
                if len(kept)
                else "."
            ),
        ]
        if len(told):
            said.append(
                f"On average they said {_percent(told['said_probability'].mean())}, and it was {_percent(told['true_probability'].mean())}; "
                f"what a student said was typically off by {100 * self.off:.0f} percentage points."
            )
        for row in self.rows.tail(2).to_dict("records"):
            who = f"On the same budget of {show.counted(self.budget, 'trial')}, {row['who']}"
            if math.isnan(row["true_probability"]):
                said.append(f"{who}: no answer ({row['note']})")
                continue
            claim = (
                ""
                if math.isnan(row["said_probability"])
                else f", {show.percent(row['said_probability'])} said"
            )
            said.append(
                f"{who}: {_percent(row['true_probability'])}{claim}, {_times(row['times_shortest'])} the shortest minutes."
            )
        said.append(
            "One shop is one case: what a way does over many of them, `python -m finishlab.proving` tells."
        )
        return " ".join(said)

    @property
    def off(self) -> float:
        """
        How far what students said lies from the truth, as a probability: root of the mean square.

        Its square is what their words cost in Brier's score beyond what luck alone costs, p (1 - p).
        """
        return float(np.sqrt((self._class["said_minus_true"] ** 2).mean()))

    @property
    def _class(self) -> pd.DataFrame:
        return self.rows.iloc[:-2]

    def table(self) -> pd.DataFrame:
        """Return a copy of the rows."""
        return self.rows.copy()

    def to_dict(self) -> dict[str, Any]:
        """Return everything as plain Python."""
        return {**vars(self), "best": dict(self.best), "rows": plain_rows(self.rows)}

    def plot(self, ax: Axes | None = None) -> Axes:
        """Draw for each row what was said and what is true, and its minutes over the shortest possible."""
        from finishlab.figures.lesson_figures import scores

        kept = int(self._class["kept"].sum())
        title = f"{kept} of {show.counted(len(self._class), 'student')} keep the promise of {show.asked_percent(self.wanted)} on the next job"
        return scores(self.rows, wanted=self.wanted, title=title, ax=ax)

    def _repr_html_(self) -> str:
        return show.sentence_and_table(self.text(), self.rows)


def _percent(p: float) -> str:
    return f"{100 * p:.0f} %"


def _times(ratio: float) -> str:
    return f"{ratio:.2f} times"
