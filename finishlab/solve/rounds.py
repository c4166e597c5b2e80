"""Which few trials to work next: confirm the choice, and try quicker rivals.

A round puts the recipe in hand on a new panel, twice, beside the quicker processes whose
success would pay best. Planning a study from nothing is `finishlab.plan`'s.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

import numpy as np

from finishlab.errors import PlanError
from finishlab.model import FinishModel
from finishlab.plan import new_panels
from finishlab.solve.search import Candidates, candidates

if TYPE_CHECKING:
    import pandas as pd

#: A rival less probable than this is not worth a patch.
_LEAST_CHANCE = 0.25


def follow_up(
    model: FinishModel,
    *,
    trials: int = 4,
    goal: Mapping[str, Any] | None = None,
    assurance: float | None = None,
    seed: int = 8,
) -> pd.DataFrame:
    """
    Plan the next round of trials.

    Parameters
    ----------
    model : FinishModel
    trials : int
        How many, at least 2: half of them repeat the process now chosen (or the one that
        comes closest), the rest try quicker rivals, those that promise most first.
    goal, assurance : optional
        For one question; the study file's when not given.
    seed : int
        Of the order of work.

    Returns
    -------
    DataFrame
        In run order: the factors, ``panel`` (new labels), ``patch``, ``run_order``, ``why``.
        ``.attrs`` holds the seed and cautions.

    Raises
    ------
    PlanError
        Fewer than two trials.

    Examples
    --------
    >>> import finishlab as fl
    >>> bench = fl.PracticeBench(kind=1, seed=3)
    >>> sheet = fl.plan_trials(bench.study, trials=16, panels=4, seed=1)
    >>> model = fl.fit(bench.study, bench.work(sheet, seed=1))
    >>> more = fl.follow_up(model, trials=4, seed=8)
    >>> set(more["panel"]) & set(sheet["panel"])
    set()

    >>> fl.follow_up(model, trials=1)
    Traceback (most recent call last):
        ...
    finishlab.errors.PlanError: 1 trials were asked for; a round takes at least 2, so that the choice is repeated.
    """
    import pandas as pd

    if trials < 2:
        raise PlanError(
            f"{trials} trials were asked for; a round takes at least 2, so that the choice is repeated."
        )
    conditions, wanted = model.study.asked(goal, assurance)
    all_ = candidates(model, conditions, wanted)
    at = all_.best(wanted)
    found = at is not None
    if at is None:
        allowed = all_.probability * all_.keeps_limits
        at = int(np.argmax(allowed))
    rivals = _rivals(all_, at, trials // 2)
    picks = [at] * (trials - len(rivals)) + rivals
    chosen_why = "confirms the process chosen" if found else "settles the process that comes closest"
    why = [chosen_why] * (trials - len(rivals)) + ["tries a quicker rival"] * len(rivals)
    order = np.random.default_rng(seed).permutation(trials)
    sheet = model.study.basis.frame(all_.values[[picks[i] for i in order]])
    size = model.study.patches
    labels = new_panels(-(-trials // size), model.trials["panel"])
    sheet["panel"] = [labels[i // size] for i in range(trials)]
    sheet["patch"] = [i % size + 1 for i in range(trials)]
    sheet["run_order"] = np.arange(1, trials + 1)
    sheet["why"] = pd.Series([why[i] for i in order], dtype=object)
    sheet.attrs.update(
        seed=seed, cautions=() if found else ("No process reaches the goal surely enough yet.",)
    )
    return sheet


def _rivals(all_: Candidates, chosen: int, count: int) -> list[int]:
    """
    Return quicker processes worth a patch: by turns the likeliest and the one that promises most.

    What a rival promises is its chance times the minutes it would save.
    """
    saved = all_.minutes[chosen] - all_.minutes
    p = all_.probability * all_.keeps_limits
    worth = (saved > 0) & (p > _LEAST_CHANCE)
    orders = [np.argsort(-np.where(worth, score, -1.0), kind="stable") for score in (p, p * saved)]
    picks: list[int] = []
    for turn in range(min(count, int(worth.sum()))):
        picks.append(next(int(i) for i in orders[turn % 2] if int(i) not in picks))
    return picks
