"""The main question: by which process does the job take the least minutes and keep its promise?

Never by point prediction: among many processes the one whose error flatters it most would
win. A process counts when the probability that the next job meets every goal is as high
as asked, and every limit is kept as surely as its setter asked.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

import numpy as np

from finishlab.model import FinishModel
from finishlab.solve.answer_parts import Saving, TimedProcess
from finishlab.solve.forecast import forecast_of
from finishlab.solve.recipe import Recipe
from finishlab.solve.search import Candidates, candidates, timed
from finishlab.solve.verdict import judged
from finishlab.study import Condition

if TYPE_CHECKING:
    import pandas as pd

#: Rivals shown of each sort, and how much longer than the chosen a near equal may be.
_RIVALS, _NEAR = 5, 1.10
#: A quicker process less probable than this is no rival (common practice, no source).
_RIVAL_CHANCE = 0.05
#: Below this probability "likeliest" means nothing.
_SOME_CHANCE = 0.01
#: Of many without a chance so many of the likeliest are looked at for the one that reads nearest.
_CLOSEST = 5_000
#: Of what takes as long as the chosen for all that is known, so many are looked at, and kept.
_EQUALS_ASKED, _EQUALS = 60, 8


def shortest(
    model: FinishModel, *, goal: Mapping[str, Any] | None = None, assurance: float | None = None
) -> Recipe:
    """
    Find the process by which the job takes the least predicted minutes and keeps its promise.

    The job's minutes are those of `Basis.job_minutes`: sections times working minutes, the change-overs of the
    steps used, and the waits before readings.

    Parameters
    ----------
    model : FinishModel
    goal : mapping of response -> condition, optional
        In the words of the study file, as ``{"gloss_20": {"at_least": 84}}``; the study's own when not given.
    assurance : float, optional
        Probability that the next job meets every goal, above 0 and below 1; the study's own when not given.

    Returns
    -------
    Recipe
        ``found`` False when nothing studied reaches it surely enough, or all trials are on
        one panel, with the closest and what would settle it. Only settings within the study that the trials
        worked, and what lies between them, are ever named.

    Raises
    ------
    StudyError
        The goal or assurance is not right.
    ModelError
        The goal names a response that was never read, or a limit cannot be judged.

    References
    ----------
    The probability that all goals are met, as the measure of a process: Peterson, J. J. (2004), Journal of
    Quality Technology 36, 139. Why the best prediction of many disappoints: Smith, J. E. & Winkler, R. L.
    (2006), Management Science 52, 311 (abstracts read). Several goals together: Genz, A. (1992), J. Comput.
    Graph. Stat. 1, 141 (from memory).

    Examples
    --------
    >>> import finishlab as fl
    >>> recipe = fl.shortest(model, goal={"gloss_20": {"at_least": 75}}, assurance=0.8)
    >>> recipe.found, recipe.assurance >= 0.8
    (True, True)

    What no clear coat reads is answered, not raised:

    >>> beyond = fl.shortest(model, goal={"gloss_20": {"at_least": 99}})
    >>> beyond.found, beyond.would_settle.endswith("no process reaches it. Lower the goal.")
    (False, True)
    """
    conditions, wanted = model.study.asked(goal, assurance)
    seen = candidates(model, conditions, wanted, enough=lambda c: _seen_enough(c, wanted))
    at = seen.best(wanted) if model.panels > 1 else None
    if at is None:
        return _not_found(model, conditions, wanted, seen)
    values = seen.at([at])
    predicted = {k: float(v[0]) for k, v in model.predict_values(values, conditions).items()}
    return Recipe(
        found=True,
        settings=model.study.basis.settings(values[0]),
        minutes=predicted["minutes"],
        minutes_low=predicted["minutes_low"],
        minutes_high=predicted["minutes_high"],
        assurance=float(seen.probability[at]),
        wanted=wanted,
        goal=dict(conditions),
        study=model.study,
        predicted=predicted,
        rivals=_table(model, conditions, seen.where(_rivals(model, conditions, seen, at, wanted))),
        closest=None,
        saves=_saves(model, values, conditions),
        limits=model.limit_forecasts(values),
        evidence=model.evidence(),
        verdict="found",
        limited_by="",
        would_settle="",
        equals=_equals(model, conditions, seen, at, wanted),
        cautions=(*model.cautions, *model.worked.edges(values[0])),
        forecast=forecast_of(model, values, conditions),
    )


def _seen_enough(seen: Candidates, wanted: float) -> bool:
    at = seen.best(wanted)
    return at is not None and bool(seen.job_minutes[-1] > _near(seen, at))


def _near(seen: Candidates, at: int) -> float:
    """Return up to which minutes of the job another is a near equal: change-overs and waits are no share to be near by."""
    return float(seen.job_minutes[at] + (_NEAR - 1) * seen.work[at])


def _rivals(
    model: FinishModel, goal: Mapping[str, Condition], seen: Candidates, at: int, wanted: float
) -> np.ndarray:
    """Return the quicker ones with a fair chance that no still quicker one beats, and near equals that keep the promise."""
    quicker, best = [], _RIVAL_CHANCE
    for i in range(at):
        if seen.keeps_limits[i] and seen.probability[i] > best:
            # Of very many processes the unlikely ones carry a rough probability.
            exact = float(model.probability_of(seen.at([i]), goal)[0])
            if exact > best:
                best = exact
                quicker.append(i)
    near = [
        i
        for i in range(at + 1, len(seen))
        if seen.job_minutes[i] <= _near(seen, at) and seen.probability[i] >= wanted and seen.keeps_limits[i]
    ]
    return np.array([*quicker[-_RIVALS:], *near[:_RIVALS]], int)


def _equals(
    model: FinishModel, goal: Mapping[str, Condition], seen: Candidates, at: int, wanted: float
) -> tuple[TimedProcess, ...]:
    """Return what keeps the promise too and takes as long for all that is known, the surest first."""
    keep = np.flatnonzero((seen.probability >= wanted) & seen.keeps_limits)
    near = keep[(keep > at) & (seen.job_minutes[keep] <= _near(seen, at))][:_EQUALS_ASKED]
    chosen = seen.at([at])
    found: list[TimedProcess] = []
    for i in near:
        values = seen.at([i])
        if model.job_difference(values, chosen)[1] <= 0:  # the difference may be none
            found.append(
                TimedProcess(
                    settings=model.study.basis.settings(values[0]),
                    minutes=float(seen.minutes[i]),
                    job_minutes=float(seen.job_minutes[i]),
                    assurance=float(seen.probability[i]),
                )
            )
    return tuple(sorted(found, key=lambda e: -e.assurance)[:_EQUALS])


def _table(model: FinishModel, goal: Mapping[str, Condition], some: Candidates) -> pd.DataFrame:
    table = model.study.basis.frame(some.values)
    table = table.assign(**model.times(some.values))
    table["assurance"] = model.probability_of(some.values, goal)
    table["keeps_limits"] = some.keeps_limits
    return table


def _today(model: FinishModel) -> np.ndarray | None:
    today = model.study.today
    return None if today is None else model.study.basis.row(today)


def _saves(model: FinishModel, values: np.ndarray, goal: Mapping[str, Condition]) -> Saving | None:
    today = _today(model)
    if today is None:
        return None
    saved, low, high = model.minutes.difference(today, values)
    return Saving(
        minutes=saved,
        low=low,
        high=high,
        **{f"today_{name}": float(v[0]) for name, v in model.times(today).items()},
        today_assurance=float(model.probability_of(today, goal)[0]),
        today_keeps_limits=bool(model.keeps_limits(today)[0]),
    )


# --- nothing found -----------------------------------------------------------------------


def _not_found(model: FinishModel, goal: dict[str, Condition], wanted: float, seen: Candidates) -> Recipe:
    nearest = _nearest(model, goal, seen)
    values = seen.at(nearest[:1])
    predicted = {k: float(v[0]) for k, v in model.predict_values(values, goal).items()}
    verdict = judged(model, goal, wanted, seen, values)
    nan = math.nan
    return Recipe(
        found=False,
        settings={},
        minutes=nan,
        minutes_low=nan,
        minutes_high=nan,
        assurance=nan,
        wanted=wanted,
        goal=dict(goal),
        study=model.study,
        predicted=predicted,
        rivals=_table(model, goal, seen.where(nearest[1 : 1 + _RIVALS])),
        closest=timed(
            model,
            values,
            float(model.probability_of(values, goal)[0]),
            keeps_limits=bool(seen.keeps_limits[nearest[0]]),
        ),
        saves=_saves(model, values, goal),
        limits=model.limit_forecasts(values),
        evidence=model.evidence(),
        verdict=verdict.words,
        limited_by=verdict.limited_by,
        would_settle=verdict.would_settle,
        cautions=model.cautions,
        forecast=forecast_of(model, values, goal),
    )


def _nearest(model: FinishModel, goal: dict[str, Condition], seen: Candidates) -> np.ndarray:
    """
    Return positions, nearest to the goal first; those that keep the limits, if any do.

    The likeliest is nearest; where none has a chance, the one whose first goal reads nearest.
    """
    allowed = np.flatnonzero(seen.keeps_limits if seen.keeps_limits.any() else np.ones(len(seen), bool))
    short = -seen.probability[allowed]
    if short.min() > -_SOME_CHANCE:
        name, condition = next(iter(goal.items()))
        if len(allowed) > _CLOSEST and short.min() < 0:
            allowed = allowed[np.argsort(short, kind="stable")[:_CLOSEST]]
        parts = np.array_split(allowed, -(-len(allowed) // _CLOSEST))
        value = np.concatenate([model.response(name).typical(seen.at(part)) for part in parts])
        low = -np.inf if condition.at_least is None else condition.at_least
        high = np.inf if condition.at_most is None else condition.at_most
        short = np.maximum(low - value, 0) + np.maximum(value - high, 0)
    return allowed[np.argsort(short, kind="stable")]
