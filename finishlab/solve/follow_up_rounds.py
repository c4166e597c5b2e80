"""Which few trials to work next, why each, and when to stop.

A round confirms the process in hand on a new panel and spends its other trials where they
may be expected to save most minutes of the job (`outlook.py`). The process in hand keeps to what was
worked; a trial may go beyond. Planning a study from nothing is
`finishlab.plan`'s; whether a recipe held on its confirmation trials is `confirmation.py`'s.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from finishlab.errors import PlanError
from finishlab.model import FinishModel
from finishlab.model.check_questions import REACH
from finishlab.plan import new_panels, run_day
from finishlab.solve.outlook import Outlook, outlook
from finishlab.solve.search import Candidates, candidates, in_order
from finishlab.words import show

if TYPE_CHECKING:
    import pandas as pd

#: A quicker process less probable than this is looked at no further; below the second its
#: trial is for the model rather than for the process.
_LEAST_CHANCE, _FAIR_CHANCE = 0.05, 0.25
#: Quicker processes looked at, and longer ones that may stand in if the choice fails.
_QUICKER, _LONGER = 32, 8
#: Trials of a round that repeat the process in hand: the model does not know where it is
#: wrong, so they are not left to what it expects (method of the study).
_CONFIRM = 2
#: A round is worth it while it may be expected to save this share of the working minutes (common
#: practice, no source: the recipe is wanted within 2 % of the best).
_WORTH = 0.01
#: Rounds looked ahead, and rounds that a choice must have stood.
_AHEAD, _STOOD = 5, 2
#: Share of readings that lie further than `REACH` spreads off.
_OUTSIDE = 0.10


@dataclass(frozen=True, eq=False)
class _Round:
    """What a round is chosen from: a few processes, the one in hand, whether it keeps the promise."""

    some: Candidates
    chosen: int
    found: bool
    view: Outlook


def follow_up(
    model: FinishModel,
    *,
    trials: int = 4,
    goal: Mapping[str, Any] | None = None,
    assurance: float | None = None,
    budget_minutes: float | None = None,
    seed: int = 8,
) -> pd.DataFrame:
    """
    Plan the next round of trials.

    Parameters
    ----------
    model : FinishModel
    trials : int
        How many, at least 2. Two of them (one of two) repeat the process now chosen, or the one
        that comes closest; each other is the one that may be expected to save most minutes.
    goal : mapping of response -> condition, optional
        For one question, as for `shortest`; the study file's when not given.
    assurance : float, optional
        Probability for one question, above 0 and below 1; the study file's when not given.
    budget_minutes : float, optional
        What the bench can still give, in one person's minutes by `run_day`. The round is cut
        to what fits in.
    seed : int
        Of the order of work.

    Returns
    -------
    DataFrame
        One row a trial, in run order: the factors, ``panel`` (new labels), ``patch``, ``run_order``, ``why``.
        ``.attrs`` holds ``seed``, ``cautions``, ``stop`` (whether this round is no longer worth it) and
        ``says`` (why, in a sentence), ``saves`` (minutes of the job that it may be expected to save),
        ``minutes`` (of work at the bench) and ``rounds`` (how many such rounds are still worth it,
        and fit into the budget).

    Raises
    ------
    PlanError
        Fewer than two trials, or a budget that does not hold two.
    StudyError
        The goal or assurance is not right.
    ModelError
        The goal names a response that was never read, or a limit cannot be judged.

    References
    ----------
    What to measure by the expected gain of the choice that follows: Frazier, Powell & Dayanik
    (2008), SIAM J. Control Optim. 47, 2410 (from memory).

    Examples
    --------
    >>> import finishlab as fl
    >>> sheet = fl.plan_trials(bench.study, trials=16, panels=4, seed=1)
    >>> model = fl.fit(bench.study, bench.work(sheet, seed=1))
    >>> more = fl.follow_up(model, trials=4, seed=8)
    >>> set(more["panel"]) & set(sheet["panel"])
    set()
    >>> more.attrs["stop"], more.attrs["saves"] > 0
    (False, True)

    >>> fl.follow_up(model, trials=1)
    Traceback (most recent call last):
        ...
    finishlab.errors.PlanError: 1 trials were asked for; a round takes at least 2, so that the choice is repeated.
    """
    if trials < 2:
        raise PlanError(
            f"{trials} trials were asked for; a round takes at least 2, so that the choice is repeated."
        )
    conditions, wanted = model.study.asked(goal, assurance)
    all_ = candidates(model, conditions, wanted, processes=in_order(model, beyond=True))
    at = all_.best(wanted)
    found = at is not None
    if at is None:
        at = int(np.argmax(np.where(all_.worked, all_.probability * all_.keeps_limits, -1.0)))
    some, chosen = _looked_at(all_, at, wanted)
    round_ = _Round(some, chosen, found, outlook(model, some, conditions, wanted, trials * _AHEAD))
    picks = _picked(round_, trials)
    values, why = some.values[picks], [_why(model, round_, i) for i in picks]
    if found and (control := _control(model, round_, picks)) is not None:
        values[-1], why[-1] = (
            control,
            "repeats today's process: whether the recipe is quicker is not clear yet",
        )
    sheet = _sheet(model, values, why, seed)
    minutes = run_day(sheet, model.study).minutes
    if budget_minutes is not None and minutes > budget_minutes:
        if trials == 2:
            raise PlanError(
                f"two trials take about {minutes:.0f} minutes, the budget is {budget_minutes:g}. Give more time, or go by what is known."
            )
        return follow_up(
            model, trials=trials - 1, goal=goal, assurance=assurance, budget_minutes=budget_minutes, seed=seed
        )
    left = math.inf if budget_minutes is None else budget_minutes // minutes
    stop, says, saves, rounds = _stop(model, round_, picks, wanted, left)
    sheet.attrs.update(
        seed=seed,
        cautions=() if found else ("No process reaches the goal surely enough yet.",),
        stop=stop,
        says=says,
        saves=saves,
        minutes=minutes,
        rounds=rounds,
    )
    return sheet


def _looked_at(all_: Candidates, chosen: int, wanted: float) -> tuple[Candidates, int]:
    """
    Return a few dozen processes about the chosen one, in order of the job's minutes, and where that stands.

    Quicker ones by their chance and by what they promise, which is their chance times the
    minutes they would save; and the quickest of the longer ones that would keep the promise.
    """
    saved = all_.job_minutes[chosen] - all_.job_minutes
    p = all_.probability * all_.keeps_limits
    worth = (saved > 0) & (p > _LEAST_CHANCE)
    picks = {chosen}
    for score, count in ((p * saved, _QUICKER * 3 // 4), (p, _QUICKER // 4)):
        order = np.argsort(-np.where(worth, score, -1.0), kind="stable")[:count]
        picks |= {int(i) for i in order if worth[i]}
    longer = np.flatnonzero((saved <= 0) & (p >= min(wanted, p[chosen])))
    picks |= {int(i) for i in longer[: _LONGER + 1]}
    rows = np.array(sorted(picks))
    return all_.where(rows), int(np.flatnonzero(rows == chosen)[0])


def _picked(round_: _Round, trials: int) -> list[int]:
    """Return the processes to work: the one in hand, then by turns the one expected to save most."""
    # A fallback is only taken where no outcome of one trial more would change the choice.
    picks = [round_.chosen] * min(_CONFIRM, trials // 2)
    every = range(len(round_.some))
    likeliest = np.argsort(-round_.some.probability * round_.some.keeps_limits, kind="stable")
    while len(picks) < trials:
        now, _ = round_.view.after(picks)
        expected = np.array([round_.view.after([*picks, i])[0] for i in every])
        best = int(np.argmin(expected))
        if expected[best] >= now - 1e-9:  # none would change anything: take what is nearest
            best = next((int(i) for i in likeliest if i not in picks), round_.chosen)
        picks.append(best)
    return picks


def _control(model: FinishModel, round_: _Round, picks: Sequence[int]) -> np.ndarray | None:
    """Return today's process where its trial tells more than the last of a round would."""
    today = model.study.today
    if today is None or len(picks) < 4:
        return None
    gain = round_.view.after(picks[:-1])[0] - round_.view.after(picks)[0]
    row = model.study.basis.row(today)
    mine = round_.some.values[[round_.chosen]]
    _, low, high = model.job_difference(row, mine)
    if gain > _WORTH * round_.some.work[round_.chosen] or not low <= 0 <= high:
        return None
    return None if np.array_equal(row, mine, equal_nan=True) else np.asarray(row[0])


def _why(model: FinishModel, round_: _Round, pick: int) -> str:
    """Say in words what the trial of a process is for."""
    if pick == round_.chosen:
        return "confirms the process chosen" if round_.found else "settles the process that comes closest"
    by = float(round_.some.job_minutes[round_.chosen] - round_.some.job_minutes[pick])
    p = float(round_.some.probability[pick])
    new = _never_worked(model, round_.some.values[pick])
    if by <= 0:
        return f"looks at what could stand in: {show.minutes_text(-by)} longer, {show.percent(p)}"
    # A saving is rounded down: toward caution.
    saving = f"would save {show.minutes_text(by, toward='down')} if it holds ({show.percent(p)})"
    if p < _FAIR_CHANCE and new:
        return f"settles the model: {new} was never worked; {saving}"
    return f"tries a quicker rival that {saving}" + (f"; {new} was never worked" if new else "")


def _never_worked(model: FinishModel, row: np.ndarray) -> str:
    """Return in words the settings of the first step that no trial had together, or nothing."""
    basis = model.study.basis
    done = basis.values(model.done)
    for step in model.study.steps:
        at = [basis.column(s.factor) for s in step.settings if not s.held]
        if at and not basis.same(done[:, at], row[at]).any():
            settings = basis.settings(row)
            words = ", ".join(show.setting_text(s, settings[s.factor]) for s in step.settings if not s.held)
            return f"{show.step_name(step)} {words}"
    return ""


def _sheet(model: FinishModel, values: np.ndarray, why: list[str], seed: int) -> pd.DataFrame:
    """Return the trials in a drawn order, on new panels."""
    import pandas as pd

    trials = len(values)
    order = np.random.default_rng(seed).permutation(trials)
    sheet = model.study.basis.frame(values[order])
    size = model.study.patches
    labels = new_panels(-(-trials // size), model.trials["panel"])
    sheet["panel"] = [labels[i // size] for i in range(trials)]
    sheet["patch"] = [i % size + 1 for i in range(trials)]
    sheet["run_order"] = np.arange(1, trials + 1)
    sheet["why"] = pd.Series([why[i] for i in order], dtype=object)
    return sheet


def _stop(
    model: FinishModel, round_: _Round, picks: list[int], wanted: float, left: float
) -> tuple[bool, str, float, int]:
    """Return whether to stop, the sentence, what this round may be expected to save, and rounds still worth it."""
    view, size = round_.view, model.study.patches
    count = show.counted(len(picks), "more trial")
    ahead = [(view.now(), float(round_.found))]
    for n in range(1, _AHEAD + 1):
        panels = [r * len(picks) + i // size for r in range(n) for i in range(len(picks))]
        ahead.append(view.after(picks * n, panels))
    bring = [max(a[0] - b[0], 0.0) for a, b in itertools.pairwise(ahead)]
    if not round_.found:
        chance = ahead[1][1]
        if ahead[-1][1] == 0:
            return (
                True,
                (
                    f"None of the studied processes comes to {show.asked_percent(wanted)}, however {_AHEAD} such rounds come out as far as the model "
                    "can tell. Lower the goal or the assurance, or study other settings; shortest says what limits it."
                ),
                0.0,
                0,
            )
        rounds = next((n for n in range(1, _AHEAD + 1) if ahead[n][1] >= 0.5), _AHEAD)
        says = (
            f"Go on: no process is sure enough yet, and {count} bring one with a chance of {show.percent(chance)} as far as the "
            "model can tell."
        )
        return False, says, 0.0, int(min(rounds, left))
    work = float(round_.some.work[round_.chosen])
    time = show.time_text(*(float(m[round_.chosen]) for m in (round_.some.minutes, round_.some.job_minutes)))
    rounds = next((n for n, b in enumerate(bring) if b < _WORTH * work), _AHEAD)
    stood = _stood(model, round_.some.values[round_.chosen])
    if stood:
        return True, f"Stop: {stood}", bring[0], 0
    said = f"{count} may be expected to save {show.number(bring[0], 2, 'down')} of {time}"
    if not _worked(model, round_.some.values[round_.chosen]).any():
        return (
            False,
            f"Go on: the process chosen was never worked itself. {show.begun(said)}.",
            bring[0],
            int(min(max(rounds, 1), left)),
        )
    if bring[0] < _WORTH * work:
        return (
            True,
            f"Stop: no quicker process is worth the trials. {show.begun(said)}. Confirm the recipe on fresh panels before it goes up.",
            bring[0],
            0,
        )
    return False, f"Go on: {said}.", bring[0], int(min(rounds, left))


def _worked(model: FinishModel, row: np.ndarray) -> np.ndarray:
    """Return for each done trial whether it worked this process."""
    return model.study.basis.same(model.study.basis.values(model.done), row)


def _stood(model: FinishModel, row: np.ndarray) -> str:
    """Say that the choice was worked on each of the last panels and read as the others say; else nothing."""
    from scipy import stats

    done = model.done
    mine = _worked(model, row)
    panels = done["panel"].astype(str)
    last = list(dict.fromkeys(panels))[-_STOOD:]
    if len(last) < _STOOD or any(not mine[(panels == p).to_numpy()].any() for p in last):
        return ""
    if panels.nunique() <= _STOOD:  # a plan of two panels is no two rounds
        return ""
    rows = set(done.index[mine])
    outside = read = 0
    for name in model.study.goal:
        left = model.response(name).left_out
        own = np.array([r in rows for r in left.row], bool)
        far = np.abs(left.standardised[own]) > REACH
        outside, read = outside + int(far.sum()), read + len(far)
    if outside > stats.binom.ppf(1 - _OUTSIDE, read, _OUTSIDE):
        return ""
    return (
        f"the process chosen was worked on each of the last {_STOOD} panels, and {read - outside} of its {show.counted(read, 'reading')} "
        "lie inside the 90 % interval that the other trials predict. Confirm the recipe on fresh panels and write the procedure."
    )
