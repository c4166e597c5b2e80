"""One practice bench through the whole path: planned, worked, fitted, followed up, scored on its truth.

The scenarios and the ways of collecting trials are listed here. Many benches at once, and
the table of them, are `proving_ground.py`'s; the textbook's ways are `textbook_rivals.py`'s.
"""

from __future__ import annotations

import time
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Literal

import numpy as np

from finishlab.errors import FinishlabError
from finishlab.model import FinishModel, fit
from finishlab.plan import plan_trials
from finishlab.practice.invented_shop import PracticeBench
from finishlab.proving.textbook_rivals import RIVALS, recommended
from finishlab.solve import follow_up, shortest

if TYPE_CHECKING:
    import pandas as pd

OURS = "finishlab"
WAYS = (OURS, *RIVALS)
#: A bench counts as answerable where some process truly reaches this.
_REACHABLE = 0.97


@dataclass(frozen=True)
class Scenario:
    """A kind of shop with a kind of goal: ``kinds`` by turns, the bench's own goal or three together."""

    words: str
    kinds: tuple[int, ...]
    joint: bool = False

    def bench(self, seed: int) -> PracticeBench:
        """Return the bench of a seed."""
        return PracticeBench(kind=self.kinds[seed % len(self.kinds)], seed=seed)


SCENARIOS: dict[str, Scenario] = {
    "exponential": Scenario("roughness decays exponentially", (1,)),
    "power law": Scenario("gains never end but slow down", (2,)),
    "plateau": Scenario("gloss climbs to a plateau", (3,)),
    "scratch depths": Scenario("scratches of many depths are worn away", (4,)),
    "overworked": Scenario("past a best number of passes gloss falls", (5,)),
    "stray scratches": Scenario("stray deep scratches, and misread spots", (6,)),
    "S-shaped": Scenario("the first passes do little", (7,)),
    "worn pads": Scenario("pads wear over their life", (8,)),
    "technicians": Scenario("two technicians unlike each other", (9,)),
    "lot change": Scenario("every drum of product a little unlike the last", (10,)),
    "panels": Scenario("panels unlike each other", (11,)),
    "misread": Scenario("one reading in twenty-five is misread", (12,)),
    "failing patches": Scenario("some patches fail whatever the process", (13,)),
    "at the ceiling": Scenario("a goal near the ceiling", (14,)),
    "three goals": Scenario("gloss, haze and faults together", (1, 2, 3, 4, 5, 6, 7), joint=True),
}


@dataclass(frozen=True)
class Design:
    """How trials come about: planned ones on four panels, then follow-up rounds of four; and what is fitted."""

    words: str
    planned: int
    rounds: int
    every_step: bool = True
    kind: Literal["auto", "surface"] = "auto"


DESIGNS: dict[str, Design] = {
    "24": Design("12 planned + 3 rounds of 4, readings after each step", 12, 3),
    "24 final": Design("12 planned + 3 rounds of 4, final readings only", 12, 3, every_step=False),
    "24 surface": Design("12 planned + 3 rounds of 4, surface model", 12, 3, kind="surface"),
    "40": Design("28 planned + 3 rounds of 4, final readings only", 28, 3, every_step=False),
    "40 read": Design("28 planned + 3 rounds of 4, readings after each step", 28, 3),
    "40 surface": Design("28 planned + 3 rounds of 4, surface model", 28, 3, kind="surface"),
}
PANELS, ROUND = 4, 4


@dataclass(frozen=True)
class Task:
    """One bench to be worked: which scenario, seed, design and assurance."""

    scenario: str
    seed: int
    design: str
    assurance: float

    @property
    def key(self) -> tuple[str, int, str, float]:
        """Return what tells this task from others in a file of rows."""
        return self.scenario, self.seed, self.design, self.assurance


def plan(trials: int, number: int) -> pd.DataFrame:
    """Return one of the plans that all benches share, for they have one shape."""
    bench = PracticeBench(kind=1, seed=0)
    return plan_trials(bench.study, trials=trials, panels=PANELS, seed=1000 + number)


def work_bench(task: Task, plan: pd.DataFrame, ways: Sequence[str]) -> pd.DataFrame:
    """
    Work one bench and score what each way recommends.

    Returns
    -------
    DataFrame
        One row a way. A way that raised is a row with its `error`, counted as no answer.
    """
    import pandas as pd

    design, scenario = DESIGNS[task.design], SCENARIOS[task.scenario]
    bench = scenario.bench(task.seed)
    goal = bench.joint_goal if scenario.joint else own_goal(bench)
    start = time.perf_counter()
    trials = worked_trials(bench, plan, design, goal, assurance=task.assurance, seed=task.seed)
    model = fit(bench.study, trials, kind=design.kind)
    spent = time.perf_counter() - start
    # What nobody can know but here: the best possible, and whether it can be had for sure.
    best = bench.best(goal=goal, assurance=task.assurance)
    reachable = bool(bench.best(goal=goal, assurance=max(_REACHABLE, task.assurance))["found"])
    lines = []
    for way in ways:
        start, error = time.perf_counter(), ""
        settings: Mapping[str, Any] | None = None
        try:
            settings = recommends(way, model, goal, task.assurance)
        except (FinishlabError, np.linalg.LinAlgError) as problem:
            error = f"{type(problem).__name__}: {str(problem)[:200]}"
        seconds = time.perf_counter() - start + (spent if way == OURS else 0.0)
        lines.append(
            {
                "scenario": task.scenario,
                "seed": task.seed,
                "design": task.design,
                "assurance": task.assurance,
                "way": way,
                **scored(bench, settings, goal, best),
                "reachable": reachable,
                "trials": len(trials),
                "seconds": round(seconds, 3),
                "error": error,
            }
        )
    return pd.DataFrame(lines)


def own_goal(bench: PracticeBench) -> dict[str, Any]:
    """Return the bench's own goal in the words of the study file."""
    return {name: condition.to_dict() for name, condition in bench.study.goal.items()}


def scored(
    bench: PracticeBench,
    settings: Mapping[str, Any] | None,
    goal: Mapping[str, Any],
    best: Mapping[str, Any],
) -> dict[str, Any]:
    """
    Score a recommendation, or that there was none, on the bench's truth.

    Returns
    -------
    dict
        `answered`, `true` (true probability) and `ratio`: 1, and what its job truly takes longer than by the
        `best` process as a share of the work in that (NaN where nothing reaches the goal). What every job spends
        on change-overs and waits makes no process look better.
    """
    import pandas as pd

    if settings is None:
        return {"answered": False, "true": np.nan, "ratio": np.nan}
    chosen = pd.DataFrame([dict(settings)])
    job = bench.study.basis.job_of(settings, float(bench.true_minutes(chosen).iloc[0]))
    return {
        "answered": True,
        "true": float(bench.true_probability(chosen, goal=goal).iloc[0]),
        "ratio": 1 + (job - best["job_minutes"]) / (bench.study.job.sections * best["minutes"]),
    }


def worked_trials(
    bench: PracticeBench,
    plan: pd.DataFrame,
    design: Design,
    goal: Mapping[str, Any],
    *,
    assurance: float,
    seed: int,
) -> pd.DataFrame:
    """Return the trials of a bench after its plan and the design's follow-up rounds."""
    import pandas as pd

    trials = logged(bench, plan, design, seed * 100)
    for round_ in range(1, design.rounds + 1):
        model = fit(bench.study, trials, kind=design.kind)
        sheet = follow_up(model, trials=ROUND, goal=goal, assurance=assurance, seed=round_)
        more = logged(bench, sheet, design, seed * 100 + round_)
        more["trial"] += trials["trial"].max()
        trials = pd.concat([trials, more], ignore_index=True)
    return trials


def logged(bench: PracticeBench, sheet: pd.DataFrame, design: Design, seed: int) -> pd.DataFrame:
    """Return the log of a sheet; without the readings after earlier steps where the design has none."""
    trials = bench.work(sheet, seed=seed)
    if design.every_step:
        return trials
    steps = tuple(f"{s.name}_gloss" for s in bench.study.steps)
    return trials[[c for c in trials.columns if not c.startswith(steps)]]


def recommends(
    way: str, model: FinishModel, goal: Mapping[str, Any], assurance: float
) -> Mapping[str, Any] | None:
    """Return the settings that a way recommends from the trials of a model; None where it has no answer."""
    if way == OURS:
        recipe = shortest(model, goal=goal, assurance=assurance)
        return recipe.settings if recipe.found else None
    study = model.study
    # The rivals get our minutes, so that only the finish is compared.
    minutes = np.concatenate(
        [study.basis.job_minutes(v, model.minutes.mean(v)) for v in study.basis.chunks()]
    )
    row = recommended(way, study, model.trials, minutes, study.asked(goal)[0], assurance)
    return None if row is None else study.basis.settings(row)
