"""What if the goal, the assurance or the job were another: answers quick enough to follow a slider.

Everything that does not depend on the question is predicted once; a question then costs a
tenth of a second for a thousand processes. The page with the sliders is
`finishlab.bench.forms.what_if_page`'s.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from finishlab.errors import ModelError
from finishlab.model import FinishModel
from finishlab.model.all_goals import all_met
from finishlab.solve.search import in_order
from finishlab.study import Condition, Job

#: More processes than this cannot follow a slider.
MOST_PROCESSES = 20_000


@dataclass(frozen=True)
class Answer:
    """
    The shortest process for one question.

    Attributes
    ----------
    found : bool
    settings : dict
        Of the process, or of the likeliest when none was found.
    job_minutes, job_minutes_low, job_minutes_high : float
        Of the job as it was asked about, with the 90 % interval of the next job.
    minutes, minutes_low, minutes_high : float
        Working minutes of a section, with the 90 % interval of the next section.
    assurance : float
    """

    found: bool
    settings: dict[str, Any]
    minutes: float
    minutes_low: float
    minutes_high: float
    job_minutes: float
    job_minutes_low: float
    job_minutes_high: float
    assurance: float


class WhatIf:
    """
    A model made ready for many questions.

    Parameters
    ----------
    model : FinishModel

    Raises
    ------
    ModelError
        The study has more than 20,000 processes.

    Examples
    --------
    >>> ask = WhatIf(model)
    >>> easy, hard = (ask.answer({"gloss_20": {"at_least": t}}, assurance=0.8) for t in (70, 76))
    >>> easy.minutes < hard.minutes
    True

    More sections to meet the goal in take longer:

    >>> six = ask.answer({"gloss_20": {"at_least": 70}}, assurance=0.8, sections=6)
    >>> six.minutes >= easy.minutes
    True
    """

    def __init__(self, model: FinishModel) -> None:
        walk = in_order(model)
        if len(walk) > MOST_PROCESSES:
            raise ModelError(
                f"{len(walk):,} processes are too many to follow a slider, which takes {MOST_PROCESSES:,} at most. Ask shortest instead, or hold "
                "a setting in the study file."
            )
        self.model = model
        self._values, self._minutes = walk.at(slice(None)), walk.minutes
        self._predicted = {name: model.response(name).predicted(self._values) for name in model.study.goal}

    def answer(
        self,
        goal: Mapping[str, Any] | None = None,
        *,
        assurance: float | None = None,
        sections: int | None = None,
    ) -> Answer:
        """
        Return the shortest process for a question.

        Parameters
        ----------
        goal : mapping, optional
            In the words of the study file, of responses that its own goal names; its own when not given.
        assurance : float, optional
        sections : int, optional
            Of the job; as the study's job when not given.

        Raises
        ------
        StudyError
            The goal or assurance is not right.
        ModelError
            A response is not one of the study's own goal.
        """
        model = self.model
        conditions, wanted = model.study.asked(goal, assurance)
        if unknown := [name for name in conditions if name not in self._predicted]:
            raise ModelError(
                f"{unknown[0]} is not in the study's goal, {', '.join(self._predicted)}. Add it there, or ask shortest."
            )
        job = model.study.job if sections is None else replace(model.study.job, sections=sections)
        p = self._probability(conditions, job, wanted)
        keeps = model.keeps_limits(self._values, sections=job.sections)
        sure = np.flatnonzero((p >= wanted) & keeps) if model.panels > 1 else np.empty(0, int)
        # A job of other sections may be shorter by another process.
        takes = model.study.basis.job_minutes(self._values, self._minutes, job.sections)
        at = int(sure[np.argmin(takes[sure])]) if len(sure) else int(np.argmax(p * keeps))
        values = self._values[[at]]
        times = {name: float(v[0]) for name, v in model.times(values, job.sections).items()}
        return Answer(
            found=bool(len(sure)),
            settings=model.study.basis.settings(values[0]),
            assurance=float(p[at]),
            **times,
        )

    def _probability(self, conditions: Mapping[str, Condition], job: Job, wanted: float) -> np.ndarray:
        """
        Return the probability of each process.

        Joined where it matters: a process that the least likely of its goals rules out keeps the
        bound that their misses add up to.
        """
        model = self.model
        predicted = [self._predicted[name] for name in conditions]
        chances = np.array(
            [
                model.response(name).chance(p, c, job)
                for p, (name, c) in zip(predicted, conditions.items(), strict=True)
            ]
        )
        joint = np.maximum(1 - (1 - chances).sum(axis=0), 0.0)
        some = np.flatnonzero(chances.min(axis=0) >= wanted)
        if not len(some):
            some = np.argsort(-joint)[:16]  # the likeliest of those that fall short is shown
        those = [replace(p, mean=p.mean[:, some], sd_known=p.sd_known[:, some]) for p in predicted]
        joint[some] = all_met(
            conditions, chances[:, some], those, model.correlations(conditions), model.study.reading.spots
        )
        return joint
