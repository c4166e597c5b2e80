"""Walking the admissible processes in order of the minutes that a job by them takes.

The minutes of every process are cheap and are found for all; what a process will reach is
dear and is asked only as far as needed, quickest first, and of very many processes only
where a few of the model's draws leave it a chance. Settings that no trial worked are not
walked, unless a trial is what is looked for. What is done with the candidates
is `choice.py`'s and `follow_up_rounds.py`'s.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from contextlib import nullcontext
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from finishlab import progress
from finishlab.errors import ModelError
from finishlab.model import FinishModel
from finishlab.model.trial_coverage import PLAN_THEM
from finishlab.solve.answer_parts import TimedProcess
from finishlab.study import Condition

if TYPE_CHECKING:
    from finishlab.study.basis import Basis

#: Processes asked about at first, in order of minutes, and at most at a time.
_BATCH, _LARGEST_BATCH = 512, 8_192
#: Of up to so many processes every one is asked exactly.
_FEW_PROCESSES = 5_000
#: Of very many, so many of the likeliest that fall short are asked exactly: rivals, or what comes nearest.
_LIKELIEST = 256


@dataclass(frozen=True, eq=False)
class InOrder:
    """
    Admissible processes in order of the job's minutes.

    They are held by their numbers and made when they are asked for (`at`): a million take a
    few megabytes, whatever they are made of.

    Attributes
    ----------
    basis : Basis
    numbers : ndarray of int, shape (processes,)
        As `Basis.numbered`.
    minutes : ndarray, shape (processes,)
        Working minutes of a section.
    job_minutes : ndarray, shape (processes,)
        Of the job, as `Basis.job_minutes`.
    worked : ndarray of bool, shape (processes,)
        Whether the trials worked its settings (`finishlab.model.trial_coverage`).
    """

    basis: Basis
    numbers: np.ndarray
    minutes: np.ndarray
    job_minutes: np.ndarray
    worked: np.ndarray

    def __len__(self) -> int:
        return len(self.numbers)

    def at(self, pick: Any) -> np.ndarray:
        """Return some of the processes, as `Basis.values`, by slice, mask or positions."""
        return self.basis.at(self.numbers[pick])

    def where(self, pick: Any) -> InOrder:
        """Return some of the processes by slice, mask or positions, in the order they are picked."""
        return InOrder(
            self.basis, self.numbers[pick], self.minutes[pick], self.job_minutes[pick], self.worked[pick]
        )

    @property
    def work(self) -> np.ndarray:
        """The working minutes of all sections of the job, which a share of the minutes is a share of."""
        return self.basis.study.job.sections * self.minutes


@dataclass(frozen=True, eq=False)
class Candidates(InOrder):
    """
    Processes with what is predicted of them, in order of the job's minutes.

    Attributes
    ----------
    probability : ndarray, shape (processes,)
        That the next job meets every goal.
    keeps_limits : ndarray of bool, shape (processes,)
    """

    probability: np.ndarray
    keeps_limits: np.ndarray

    @property
    def values(self) -> np.ndarray:
        """All of the processes, as `Basis.values`."""
        return self.at(slice(None))

    def where(self, pick: Any) -> Candidates:
        """As of `InOrder`, with what is predicted of them."""
        return Candidates(
            self.basis,
            self.numbers[pick],
            self.minutes[pick],
            self.job_minutes[pick],
            self.worked[pick],
            self.probability[pick],
            self.keeps_limits[pick],
        )

    def best(self, wanted: float) -> int | None:
        """Return the position of the quickest worked one that keeps promise and limits, or None."""
        fit = np.flatnonzero((self.probability >= wanted) & self.keeps_limits & self.worked)
        return int(fit[0]) if len(fit) else None


def in_order(model: FinishModel, *, beyond: bool = False) -> InOrder:
    """
    Return the admissible processes in order of the job's minutes; equal ones in order of their numbers.

    Those that keep to what the trials worked; with `beyond` every one that the study admits.
    """
    basis = model.study.basis
    parts = []
    for numbers, values in basis.numbered():
        worked = model.worked.covers(values)
        use = np.ones(len(values), bool) if beyond else worked
        minutes = model.minutes.mean(values[use])
        parts.append((numbers[use], minutes, basis.job_minutes(values[use], minutes), worked[use]))
    numbers, minutes, job, worked = (np.concatenate(part) for part in zip(*parts, strict=True))
    if not len(numbers):
        raise ModelError(
            "no process that the study allows keeps to what the trials worked. Look at [[avoid]] and the ranges in the study "
            f"file, or plan trials of what they allow: {PLAN_THEM}."
        )
    order = np.argsort(job, kind="stable")
    return InOrder(basis, numbers[order], minutes[order], job[order], worked[order])


def candidates(
    model: FinishModel,
    goal: Mapping[str, Condition],
    wanted: float,
    enough: Callable[[Candidates], bool] | None = None,
    processes: InOrder | None = None,
) -> Candidates:
    """
    Return admissible processes in order of the job's minutes until `enough` says so; all without it.

    Parameters
    ----------
    model : FinishModel
    goal : mapping of response -> Condition
    wanted : float
        Assurance asked for. Of very many processes, those that are proved not to come up to it
        (`finishlab.model.bounds`) carry a rough probability, below it; the likeliest of them
        are asked exactly at the end.
    enough : callable, optional
        Asked with all candidates so far, now and then.
    processes : InOrder, optional
        Some of the processes in order of the job's minutes; all that keep to what was worked when not given.

    Notes
    -----
    The quickest that keeps promise and limits is never missed: processes are walked in order of
    minutes, every one whose probability may reach `wanted` is asked exactly, and the walk ends
    no sooner than at one that does.
    """
    walked = in_order(model) if processes is None else processes
    many = len(walked) > _FEW_PROCESSES
    probability, keeps = np.zeros(len(walked)), np.zeros(len(walked), bool)
    every = Candidates(
        walked.basis, walked.numbers, walked.minutes, walked.job_minutes, walked.worked, probability, keeps
    )
    seen = every.where(slice(0))
    parts = _batches(len(walked))
    with progress.bar(len(parts)) if many else nullcontext(lambda words: None) as stage:
        for part in parts:
            stage(f"asking processes, {part.start:,} of {len(walked):,}")
            values = walked.at(part)
            probability[part] = _probability(model, values, goal, wanted, many)
            keeps[part] = model.keeps_limits(values)
            seen = every.where(slice(part.stop))
            if enough is not None and enough(seen):
                break
    if many:
        short = np.where(seen.probability < wanted, seen.probability * seen.keeps_limits, -1.0)
        top = np.argsort(-short, kind="stable")[:_LIKELIEST]
        top = top[short[top] >= 0]
        seen.probability[top] = model.probability_of(seen.at(top), goal)
    return seen


@dataclass(frozen=True, eq=False)
class Quickest:
    """
    The quickest of some processes that keeps promise and limits.

    Attributes
    ----------
    at : int
        Its position among them, in order of minutes.
    values : ndarray, shape (1, factors)
    process : TimedProcess
        With the 90 % intervals of its minutes.
    """

    at: int
    values: np.ndarray
    process: TimedProcess


def quickest(
    model: FinishModel, goal: Mapping[str, Condition], wanted: float, processes: InOrder
) -> Quickest | None:
    """Return the quickest of some processes that keeps promise and limits; None where none does."""
    if not len(processes):
        return None
    seen = candidates(model, goal, wanted, lambda c: c.best(wanted) is not None, processes)
    at = seen.best(wanted)
    if at is None:
        return None
    values = seen.at([at])
    return Quickest(at, values, timed(model, values, float(seen.probability[at])))


def timed(
    model: FinishModel, values: np.ndarray, assurance: float, *, keeps_limits: bool = True
) -> TimedProcess:
    """Return one process, of shape (1, factors), with its minutes and what is known of its assurance and limits."""
    times = {name: float(v[0]) for name, v in model.times(values).items()}
    settings = model.study.basis.settings(values[0])
    return TimedProcess(settings=settings, assurance=assurance, keeps_limits=keeps_limits, **times)


def _batches(count: int) -> list[slice]:
    """Return so many processes in batches that double up to the largest."""
    parts, start, size = [], 0, _BATCH
    while start < count:
        parts.append(slice(start, min(start + size, count)))
        start, size = start + size, min(2 * size, _LARGEST_BATCH)
    return parts


def _probability(
    model: FinishModel, values: np.ndarray, goal: Mapping[str, Condition], wanted: float, many: bool
) -> np.ndarray:
    if not many:
        return model.probability_of(values, goal)
    possible, p = model.can_be_sure(values, goal, wanted)
    # What is proved to fall short must not look as if it did not.
    p = np.minimum(p, np.nextafter(wanted, 0.0))
    p[possible] = model.probability_of(values[possible], goal)
    return p
