"""When no process is sure enough: whether that can be told yet, what limits it, and what would settle it.

"Cannot tell yet" and "not reachable" are told apart by the chance that some studied process
truly comes up to what is asked, once everything were known of it. What is found is
`choice.py`'s; nothing is searched here.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Literal

import numpy as np
from scipy import stats

from finishlab.model.trial_coverage import PLAN_THEM
from finishlab.study import RESPONSES, Condition
from finishlab.words import show

if TYPE_CHECKING:
    from finishlab.model import FinishModel
    from finishlab.solve.search import Candidates

Words = Literal["found", "cannot tell yet", "not reachable"]
Limit = Literal["", "ceiling", "limit", "level", "panels", "patches", "trials"]

#: A chance below this that any process truly comes up to it: it is not reachable.
_HARDLY = 0.05
#: Likeliest processes that are asked what they may truly be, and points over what is not known of each.
_ASKED, _POINTS = 64, 9
#: Rounds of four looked ahead when asking what would settle a question.
_MOST_ROUNDS = 10


@dataclass(frozen=True)
class Verdict:
    """
    Why no process was named.

    Attributes
    ----------
    words : {"cannot tell yet", "not reachable"}
    limited_by : {"ceiling", "limit", "level", "panels", "patches", "trials"}
        The clear's ceiling, a limit of the film, the level that the closest process reaches, the
        spread between panels or patches, or that too little is known.
    would_settle : str
        In plain words, with the next step.
    """

    words: Words
    limited_by: Limit
    would_settle: str


def judged(
    model: FinishModel, goal: Mapping[str, Condition], wanted: float, seen: Candidates, closest: np.ndarray
) -> Verdict:
    """
    Say why no process was found.

    Parameters
    ----------
    model : FinishModel
    goal : mapping of response -> Condition
    wanted : float
    seen : Candidates
        All processes that keep to what was worked, none of them sure enough within the limits.
    closest : ndarray, shape (1, factors)
    """
    verdict = _of_worked(model, goal, wanted, seen, closest)
    beyond = model.worked.beyond
    if not beyond or verdict.words != "not reachable" or verdict.limited_by == "ceiling":
        return verdict
    # What no trial worked may still reach it, or keep a limit.
    return replace(
        verdict,
        words="cannot tell yet",
        would_settle=f"Cannot tell yet: the study has settings that no trial worked ({show.listed(beyond)}). To have them judged, "
        f"type: {PLAN_THEM}. Of the settings worked: {verdict.would_settle}",
    )


def _of_worked(
    model: FinishModel, goal: Mapping[str, Condition], wanted: float, seen: Candidates, closest: np.ndarray
) -> Verdict:
    """Return the verdict on the processes that keep to what was worked."""
    for name, condition in goal.items():
        if name.startswith("gloss") and condition.at_least is not None:
            ceilings = model.response(name).posterior.ceilings.astype(float)
            low, high = np.quantile(ceilings, [0.05, 0.95])
            if condition.at_least >= high:
                return Verdict(
                    "not reachable",
                    "ceiling",
                    f"The goal, {condition.text(name)}, lies above the ceiling of this clear, {show.interval_text(low, high, 'GU')} as far as "
                    "the trials tell: no process reaches it. Lower the goal.",
                )
    if not seen.keeps_limits.any():
        named = show.listed(
            f"{limit.condition.text(n)} (set by {limit.set_by})" for n, limit in model.study.limits.items()
        )
        return Verdict(
            "not reachable",
            "limit",
            f"No studied process keeps {named or 'clear of the burn-through'} surely enough. Study milder settings; "
            "whether a limit may change is for the person who set it.",
        )
    if model.panels == 1:
        return Verdict(
            "cannot tell yet",
            "trials",
            "Cannot tell yet: all trials are on one panel, so nothing says how the next one differs, and the promise is about "
            "the next one. Work rounds on new panels, three at best; follow_up plans them.",
        )
    if ((seen.probability >= wanted) & ~seen.keeps_limits).any():
        return Verdict(
            "not reachable",
            "limit",
            "Processes that reach the goal break a limit or are as harsh as one that burned through. Study a gentler way to the "
            "same finish, or lower the goal; whether a limit may change is for the person who set it.",
        )
    likeliest = np.argsort(-seen.probability * seen.keeps_limits, kind="stable")[:_ASKED]
    chance = chance_to_reach(model, seen.at(likeliest), goal, wanted)
    if chance < _HARDLY:
        return _out_of_reach(model, goal, wanted, closest)
    return Verdict("cannot tell yet", "trials", _more_trials(model, goal, wanted, closest, chance))


def chance_to_reach(
    model: FinishModel, values: np.ndarray, goal: Mapping[str, Condition], wanted: float
) -> float:
    """
    Return the chance that the best of some processes truly has the probability asked for.

    Parameters
    ----------
    model : FinishModel
    values : ndarray, shape (rows, factors)
    goal : mapping of response -> Condition
    wanted : float

    Notes
    -----
    What is not known of a process is gone through draw by draw and point by point; at each,
    its true probability follows. Several goals count as if each had its own luck.
    """
    points = stats.norm.ppf((np.arange(_POINTS) + 0.5) / _POINTS)
    rng = np.random.default_rng(20)  # only shuffles the points of one response against another's
    truly = np.ones(())
    for name, condition in goal.items():
        fit = model.response(name)
        p = fit.predicted(values)
        known = replace(p, sd_known=np.zeros_like(p.sd_known))
        shifts = rng.permuted(np.tile(points, (len(p.scales), 1)), axis=1)
        truly = truly * np.array(
            [
                fit.chances(replace(known, mean=p.mean + p.sd_known * shifts[:, [k]]), condition)
                for k in range(_POINTS)
            ]
        )
    return float((truly >= wanted).mean(axis=(0, 1)).max())


def _out_of_reach(
    model: FinishModel, goal: Mapping[str, Condition], wanted: float, closest: np.ndarray
) -> Verdict:
    """Say what keeps the closest process from the goal: its level, or the spread of panels or patches."""
    begin = "Not reachable with what was worked, as far as the trials tell: "
    chances: dict[str, float] = {}
    for without in ("panels", "patches"):
        p = 1.0
        for name, condition in goal.items():
            fit = model.response(name)
            known = fit.predicted(closest)
            known = replace(known, sd_known=0 * known.sd_known, sd_panel=0 * known.sd_panel)
            if without == "patches":
                known = replace(known, sd_section=0 * known.sd_section, sd_meter=0 * known.sd_meter)
            p *= float(fit.chance(known, condition)[0])
        chances[without] = p
    sections = model.study.job.sections
    job = (
        f" in every one of {sections} sections"
        if sections > 1 and model.study.job.accept == "every section"
        else ""
    )
    lower = (
        "Lower the goal or the assurance, or study a process that comes further, such as a finer last step."
    )
    if chances["panels"] >= wanted:
        why = (
            f"the spread from panel to panel leaves the closest process short{job}; were panels alike, it would do. "
            f"Prepare panels more alike. {lower}"
        )
        return Verdict("not reachable", "panels", begin + why)
    if chances["patches"] >= wanted:
        why = f"the spread from panel to panel and patch to patch leaves the closest process short{job}. {lower}"
        return Verdict("not reachable", "patches", begin + why)
    name = next(iter(goal))
    read = {k: float(v[0]) for k, v in model.response(name).intervals(closest).items()}
    label, unit = RESPONSES[name]
    level = show.interval_text(read["mean_low"], read["mean_high"], unit)
    why = f"the closest process itself comes to a {label} of {level} and no further. {lower}"
    return Verdict("not reachable", "level", begin + why)


def _more_trials(
    model: FinishModel, goal: Mapping[str, Condition], wanted: float, closest: np.ndarray, chance: float
) -> str:
    """Say how many more trials may settle it."""
    for rounds in range(1, _MOST_ROUNDS + 1):
        if model.probability_of(closest, goal, more_trials=4.0 * rounds)[0] >= wanted:
            return (
                f"Cannot tell yet: about {4 * rounds} more trials of the closest process, on new panels, would settle it "
                "if they read as it is now expected to. Plan them with follow_up."
            )
    if model.probability_of(closest, goal, more_trials=math.inf)[0] >= wanted:
        return "Cannot tell yet, and many more trials would be needed. Plan rounds with follow_up, or lower the goal or the assurance."
    return (
        f"Cannot tell yet: as it is now expected to read, the closest process stays short, but with a chance of {show.percent(chance)} some studied "
        "process truly comes up to it. Plan a round with follow_up, lower the goal or the assurance, or study a process that comes further."
    )
