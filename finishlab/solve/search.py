"""Walking the admissible processes in order of predicted minutes.

The minutes of every process are cheap and are found for all; what a process will reach is
dear and is asked only as far as needed, quickest first. What is done with the candidates
is `choice.py`'s and `rounds.py`'s.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np

from finishlab.model import FinishModel
from finishlab.study import Condition

#: Processes asked about at a time, in order of minutes.
_BATCH = 512


@dataclass(frozen=True, eq=False)
class Candidates:
    """
    Processes with what is predicted of them, in order of minutes.

    Attributes
    ----------
    values : ndarray, shape (rows, factors)
        As `Basis.values`.
    minutes, probability : ndarray, shape (rows,)
        Working minutes of a section; probability that the next job meets every goal.
    keeps_limits : ndarray of bool, shape (rows,)
    """

    values: np.ndarray
    minutes: np.ndarray
    probability: np.ndarray
    keeps_limits: np.ndarray

    def __len__(self) -> int:
        return len(self.minutes)

    def where(self, pick: np.ndarray) -> Candidates:
        """Return some of the candidates by mask or position."""
        return Candidates(
            self.values[pick], self.minutes[pick], self.probability[pick], self.keeps_limits[pick]
        )

    def best(self, wanted: float) -> int | None:
        """Return the position of the quickest that keeps promise and limits, or None."""
        fit = np.flatnonzero((self.probability >= wanted) & self.keeps_limits)
        return int(fit[0]) if len(fit) else None


def candidates(
    model: FinishModel, goal: Mapping[str, Condition], enough: Callable[[Candidates], bool] | None = None
) -> Candidates:
    """
    Return admissible processes in order of minutes until `enough` says so; all without it.

    Parameters
    ----------
    model : FinishModel
    goal : mapping of response -> Condition
    enough : callable, optional
        Asked with all candidates so far after each batch.
    """
    grid = np.concatenate(list(model.study.basis.chunks()))
    minutes = np.concatenate([model.minutes.mean(v) for v in model.study.basis.chunks()])
    order = np.argsort(minutes, kind="stable")
    so_far: Candidates | None = None
    for start in range(0, len(order), _BATCH):
        pick = order[start : start + _BATCH]
        values = grid[pick]
        part = Candidates(
            values, minutes[pick], model.probability_of(values, goal), model.keeps_limits(values)
        )
        so_far = part if so_far is None else _joined(so_far, part)
        if enough is not None and enough(so_far):
            break
    assert so_far is not None  # a study without any process is refused when it is read
    return so_far


def _joined(a: Candidates, b: Candidates) -> Candidates:
    return Candidates(
        np.concatenate([a.values, b.values]),
        np.concatenate([a.minutes, b.minutes]),
        np.concatenate([a.probability, b.probability]),
        np.concatenate([a.keeps_limits, b.keeps_limits]),
    )
