"""Walking the admissible processes in order of predicted minutes.

The minutes of every process are cheap and are found for all; what a process will reach is
dear and is asked only as far as needed, quickest first, and of very many processes only
where a few of the model's draws leave it a chance. What is done with the candidates
is `choice.py`'s and `rounds.py`'s.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np

from finishlab.model import FinishModel
from finishlab.model.laplace import DRAWS
from finishlab.study import Condition

#: Processes asked about at first, in order of minutes, and at most at a time.
_BATCH, _LARGEST_BATCH = 512, 16_384
#: Of up to so many processes every one is asked exactly.
_FEW_PROCESSES = 5_000
#: Of very many, so many of the likeliest are asked exactly where none is sure enough.
_LIKELIEST = 256


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


@dataclass(frozen=True, eq=False)
class InOrder:
    """Every admissible process in order of predicted minutes."""

    values: np.ndarray
    minutes: np.ndarray


def in_order(model: FinishModel) -> InOrder:
    """Return every admissible process in order of predicted minutes."""
    grid = np.concatenate(list(model.study.basis.chunks()))
    minutes = np.concatenate([model.minutes.mean(v) for v in model.study.basis.chunks()])
    order = np.argsort(minutes, kind="stable")
    return InOrder(grid[order], minutes[order])


def candidates(
    model: FinishModel,
    goal: Mapping[str, Condition],
    wanted: float,
    enough: Callable[[Candidates], bool] | None = None,
    processes: InOrder | None = None,
) -> Candidates:
    """
    Return admissible processes in order of minutes until `enough` says so; all without it.

    Parameters
    ----------
    model : FinishModel
    goal : mapping of response -> Condition
    wanted : float
        Assurance asked for. Of very many processes, those that cannot come up to it carry
        a rough probability, below it; the likeliest of them are asked exactly at the end.
    enough : callable, optional
        Asked with all candidates so far, now and then.
    processes : InOrder, optional
        Some of the processes in order of minutes; all of them when not given.
    """
    walked = in_order(model) if processes is None else processes
    few = _draws_to_ask(wanted) if len(walked.minutes) > _FEW_PROCESSES else None
    parts: list[Candidates] = []
    start, size = 0, _BATCH
    while start < len(walked.minutes):
        values, minutes = walked.values[start : start + size], walked.minutes[start : start + size]
        p = _probability(model, values, goal, wanted, few)
        parts.append(Candidates(values, minutes, p, model.keeps_limits(values)))
        start += size
        size = min(2 * size, _LARGEST_BATCH)
        if enough is not None and enough(_joined(parts)):
            return _joined(parts)
    found = _joined(parts)
    if few is not None and found.best(wanted) is None:
        top = np.argsort(-found.probability * found.keeps_limits)[:_LIKELIEST]
        found.probability[top] = model.probability_of(found.values[top], goal)
    return found


def _draws_to_ask(wanted: float) -> int | None:
    """Return how many draws can rule a process out that fails under all but two of them."""
    few = int(np.ceil(DRAWS * (1 - wanted))) + 2
    return few if few < DRAWS / 2 else None


def _probability(
    model: FinishModel, values: np.ndarray, goal: Mapping[str, Condition], wanted: float, few: int | None
) -> np.ndarray:
    if few is None:
        return model.probability_of(values, goal)
    p, most = model.roughly(values, goal, few)
    open_ = most >= wanted
    p[open_] = model.probability_of(values[open_], goal)
    return p


def _joined(parts: list[Candidates]) -> Candidates:
    columns = ("values", "minutes", "probability", "keeps_limits")
    return Candidates(*(np.concatenate([getattr(part, c) for part in parts]) for c in columns))
