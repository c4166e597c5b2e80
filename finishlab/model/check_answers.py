"""What a fitted response is asked with, and an answer: the trials of its readings in order, and one `Check` a question.

The questions themselves are in `check_questions.py` and `scale_questions.py`.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cached_property
from typing import TYPE_CHECKING, Any

import numpy as np

from finishlab.model.linear_view import LinearView, linear_view
from finishlab.model.response import ResponseFit
from finishlab.study import RESPONSES
from finishlab.words.show import number, spaced

if TYPE_CHECKING:
    import pandas as pd

#: A figure that fewer of the model's own draws reach is bad (common practice, no source).
ODD = 0.005
#: Half the width of a 90 % interval, in its spreads.
REACH = 1.645


@dataclass(frozen=True)
class Check:
    """
    One question and its answer.

    Attributes
    ----------
    question, response : str
    sentence : str
    caution : str
        Empty when nothing is wrong.
    facts : dict
        The numbers in the sentence, at full precision.
    """

    question: str
    response: str
    sentence: str
    caution: str = ""
    facts: dict[str, Any] = field(default_factory=dict)


@dataclass(frozen=True, eq=False)
class Asked:
    """One response's fit with what its questions need of the trials."""

    fit: ResponseFit
    done: pd.DataFrame

    @property
    def label(self) -> str:
        """What was read, in words."""
        return RESPONSES[self.fit.name][0]

    def size(self, value: float) -> str:
        """Return a size of the response with its unit."""
        unit = RESPONSES[self.fit.name][1]
        return number(value, 1) + spaced(unit)

    @cached_property
    def view(self) -> LinearView:
        """The linear view of the fit."""
        return linear_view(self.fit.posterior, len(self.fit.study.steps) - 1)

    @cached_property
    def trials(self) -> pd.DataFrame:
        """The trial of each last reading."""
        return self.done.iloc[self.fit.posterior.observed.trial[self.view.at]]

    @cached_property
    def panels(self) -> np.ndarray:
        """The panel of each last reading."""
        return self.trials["panel"].astype(str).to_numpy()

    @cached_property
    def order(self) -> np.ndarray:
        """The place of each last reading in the order of work; as listed where it was not logged."""
        if "run_order" in self.trials.columns and self.trials["run_order"].notna().all():
            return self.trials["run_order"].to_numpy(float)
        return np.arange(len(self.trials), dtype=float)

    @cached_property
    def expected(self) -> np.ndarray:
        """What the other trials say of each last reading."""
        return self.fit.left_out.expected

    @cached_property
    def luck(self) -> np.ndarray:
        """How far each trial lies from what the others say, in units of its spread."""
        return self.view.standardised(self.view.residual)

    @cached_property
    def near(self) -> np.ndarray:
        """Which trials read nearest to the goal: a third of them, three at least; all without a goal."""
        condition = self.fit.study.goal.get(self.fit.name)
        y = self.fit.left_out.y
        if condition is None:
            return np.ones(len(y), bool)
        edges = [v for v in (condition.at_least, condition.at_most) if v is not None]
        far = np.abs(y[:, None] - np.array(edges)).min(axis=1)
        return far <= np.sort(far)[min(max(len(y) // 3, 3), len(y)) - 1]

    @cached_property
    def one(self) -> float:
        """One spread of a trial near the goal, in units of the response."""
        return float(np.median(self.fit.left_out.sd[self.near]))

    def row(self, i: int) -> str:
        """Return the row of a trial in words."""
        return f"row {self.fit.left_out.row[i]}"
