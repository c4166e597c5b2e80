"""What several answers are made of: a process with its minutes, what it saves, and the answer before."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from finishlab.plain import from_plain

if TYPE_CHECKING:
    from finishlab.study import Study


@dataclass(frozen=True)
class TimedProcess:
    """
    A process with its minutes and its assurance.

    Attributes
    ----------
    settings : dict of factor -> setting
        None for the settings of a left-out step.
    minutes : float
        Working minutes of one section.
    job_minutes : float
        Minutes of the job: its sections, the change-overs of the steps used, waits before readings.
    assurance : float
        Probability that the next job meets every goal, 0 to 1.
    minutes_low, minutes_high, job_minutes_low, job_minutes_high : float or None
        90 % intervals of the next section and of the next job, in minutes; None where they were not asked for.
    keeps_limits : bool
        Whether it keeps every limit as surely as its setter asked; True where that was not kept.
    """

    settings: dict[str, Any]
    minutes: float
    job_minutes: float
    assurance: float
    minutes_low: float | None = None
    minutes_high: float | None = None
    job_minutes_low: float | None = None
    job_minutes_high: float | None = None
    keeps_limits: bool = True

    @classmethod
    def from_dict(cls, facts: Mapping[str, Any], study: Study) -> TimedProcess:
        """Make it again from what was kept; an older finishlab kept the minutes of a section alone."""
        job = study.basis.job_of(facts["settings"], facts["minutes"])
        return from_plain(cls, {"job_minutes": job, **facts})


@dataclass(frozen=True)
class Saving:
    """
    What a process saves against today's: of a section in `Recipe.saves`, of the job in `Recipe.job_saves`.

    Attributes
    ----------
    minutes, low, high : float
        Minutes saved on average, with their 90 % interval; below 0 where the process takes longer.
    today_minutes : float
        Minutes of today's process.
    today_assurance : float
        Probability that the next job by today's process meets every goal, 0 to 1.
    today_minutes_low, today_minutes_high : float or None
        90 % interval of the next section by today's process, minutes.
    today_job_minutes, today_job_minutes_low, today_job_minutes_high : float or None
        Minutes of the job by today's process, with the 90 % interval of the next one.
    today_keeps_limits : bool
        Whether today's process keeps every limit as surely as its setter asked; True where that was not kept.
    """

    minutes: float
    low: float
    high: float
    today_minutes: float
    today_assurance: float
    today_minutes_low: float | None = None
    today_minutes_high: float | None = None
    today_job_minutes: float | None = None
    today_job_minutes_low: float | None = None
    today_job_minutes_high: float | None = None
    today_keeps_limits: bool = True


@dataclass(frozen=True)
class EarlierAnswer:
    """
    An answer before this one, as `Recipe.after` notes it.

    Attributes
    ----------
    found : bool
    process : str
        In words; the closest when none was found.
    minutes : float
        Working minutes of one section.
    assurance : float
        Probability that the next job meets every goal, 0 to 1.
    trials, panels : int
        That it rested on.
    fingerprint : str
        SHA-256 of those trials.
    job_minutes : float or None
        Minutes of the job; None in a recipe kept before they were.
    """

    found: bool
    process: str
    minutes: float
    assurance: float
    trials: int
    panels: int
    fingerprint: str
    job_minutes: float | None = None

    @classmethod
    def from_dict(cls, facts: Mapping[str, Any]) -> EarlierAnswer:
        """Make it again from what was kept, where a number that is not known is None."""
        numbers = {k: math.nan if facts[k] is None else facts[k] for k in ("minutes", "assurance")}
        return from_plain(cls, {**facts, **numbers})
