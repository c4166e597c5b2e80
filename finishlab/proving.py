"""The proving ground: many practice benches through the whole path, scored on their truth.

    python -m finishlab.proving --benches 100 --rows rows.csv

For each bench: plan, work, fit, follow up, recommend; then the recipe's true probability
and true minutes, which only an invented shop can tell. Beside it the textbook's ways on the
same trials. The scenarios are in `SCENARIOS`, the ways of collecting trials in `DESIGNS`.
Nothing here is used by the other rooms; no figure here says anything about a real paint.
"""

from __future__ import annotations

import argparse
import sys
import time
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from finishlab import _show
from finishlab._proving_rivals import RIVALS, recommended
from finishlab.bench import PracticeBench
from finishlab.errors import FinishlabError, PlanError
from finishlab.model import fit
from finishlab.plan import plan_trials
from finishlab.solve import follow_up, shortest

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.axes import Axes

OURS = "finishlab"
WAYS = (OURS, *RIVALS)
#: Plans of one shape; benches take them by turns, so that each is searched for once.
_PLANS = 12
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
    """How trials come about: planned ones on four panels, then follow-up rounds of four."""

    words: str
    planned: int
    rounds: int
    every_step: bool


DESIGNS: dict[str, Design] = {
    "24": Design("12 planned + 3 rounds of 4, readings after each step", 12, 3, True),
    "40": Design("28 planned + 3 rounds of 4, final readings only", 28, 3, False),
}
_PANELS, _ROUND = 4, 4


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


@dataclass(frozen=True, eq=False)
class Proving:
    """
    How often the promise was kept, by scenario.

    Attributes
    ----------
    rows : DataFrame
        One row a bench and way: `scenario`, `seed`, `design`, `assurance`, `way`, `answered`,
        `true` (true probability of what was recommended), `ratio` (its true minutes over the
        best possible), `reachable`, `trials`, `seconds`, `error`.
    """

    rows: pd.DataFrame

    def text(self) -> str:
        """Say how the promise was kept, one sentence for each design and assurance."""
        said = []
        ours = self.rows[self.rows["way"] == OURS]
        for (design, assurance), some in ours.groupby(["design", "assurance"], sort=False):
            mean, error = _mean(some["true"])
            kept = some[some["true"] >= assurance]
            said.append(
                f"{DESIGNS[str(design)].words}, {_show.asked_percent(float(str(assurance)))} asked: over {len(some)} practice benches the "
                f"recommended process truly reaches its goal in {mean:.3f} of jobs (standard error {error:.3f}); "
                f"{some.loc[some['reachable'], 'answered'].mean():.1%} of benches where that can be had were answered; "
                f"where the promise was kept, the median took {kept['ratio'].median():.3f} of the fewest minutes possible."
            )
        return " ".join(said)

    def table(self) -> pd.DataFrame:
        """
        Return one line a design, assurance, way and scenario, and one for all scenarios.

        `kept` is the mean true probability of what was recommended, `kept_low` and `kept_high`
        two standard errors about it; `lowest_tenth` the true probability that one recommendation
        in ten falls below; `answered` the share of benches answered where some process truly
        reaches 0.97; `minutes` the median of true minutes over the best possible among
        recommendations that truly keep the promise.
        """
        import pandas as pd

        lines = []
        for (design, assurance, way), some in self.rows.groupby(["design", "assurance", "way"], sort=False):
            for scenario, part in [*some.groupby("scenario", sort=False), ("all", some)]:
                told = part["true"].dropna()
                mean, error = _mean(told)
                kept = part[part["true"] >= float(str(assurance))]
                lines.append(
                    {
                        "design": design,
                        "assurance": assurance,
                        "way": way,
                        "scenario": scenario,
                        "benches": len(part),
                        "kept": mean,
                        "kept_low": mean - 2 * error,
                        "kept_high": mean + 2 * error,
                        "lowest_tenth": told.quantile(0.1) if len(told) else np.nan,
                        "answered": part.loc[part["reachable"], "answered"].mean(),
                        "minutes": kept["ratio"].median(),
                        "trials": part["trials"].mean(),
                        "seconds": part["seconds"].mean(),
                        "failed": int((part["error"] != "").sum()),
                    }
                )
        return pd.DataFrame(lines)

    def to_dict(self) -> dict[str, Any]:
        """Return the table as plain Python."""
        return {"table": self.table().to_dict("records")}

    def plot(self, ax: Axes | None = None) -> Axes:
        """Draw how the promise was kept by scenario and way, for the first design and assurance."""
        from finishlab._proving_figure import kept

        table = self.table()
        first = table.iloc[0]
        of_first = (table["design"] == first["design"]) & (table["assurance"] == first["assurance"])
        return kept(table[of_first], ax=ax)

    def _repr_html_(self) -> str:
        return _show.sentence_and_table(self.text(), self.table())


def _mean(values: pd.Series) -> tuple[float, float]:
    """Return mean and standard error."""
    told = values.dropna()
    return float(told.mean()), float(told.std() / np.sqrt(len(told))) if len(told) > 1 else float("nan")


def prove(
    scenarios: Sequence[str] | None = None,
    *,
    benches: int = 100,
    first_seed: int = 1,
    designs: Sequence[str] = ("24",),
    assurances: Sequence[float] = (0.90,),
    ways: Sequence[str] = WAYS,
    jobs: int = -1,
    rows: Path | None = None,
) -> Proving:
    """
    Work practice benches of every kind through the whole path and score what is recommended.

    Parameters
    ----------
    scenarios : sequence of str, optional
        Of `SCENARIOS`; all when not given.
    benches : int
        Of each scenario; their seeds run from `first_seed`.
    first_seed : int
    designs : sequence of str
        Of `DESIGNS`.
    assurances : sequence of float
    ways : sequence of str
        Of `WAYS`.
    jobs : int
        Processes at once, as joblib counts them; -1 is one a core. Inside joblib's
        ``parallel_config(backend="dask")`` the same runs on a cluster.
    rows : Path, optional
        CSV file that every bench is added to as it is done. Benches that are in it already
        are not worked again.

    Returns
    -------
    Proving

    Raises
    ------
    PlanError
        A scenario, design or way is not known, or there are no benches.

    Examples
    --------
    >>> proved = prove(["exponential"], benches=1, ways=["finishlab"], jobs=1)
    >>> proved.rows[["scenario", "seed", "trials"]].values.tolist()
    [['exponential', 1, 24]]

    >>> prove(["marble"], benches=1)
    Traceback (most recent call last):
        ...
    finishlab.errors.PlanError: 'marble' is not a scenario. Known are exponential, power law, ...
    """
    import joblib
    import pandas as pd

    names = list(SCENARIOS) if scenarios is None else list(scenarios)
    _check(names, designs, ways, benches)
    tasks = [
        Task(name, seed, design, assurance)
        for design in designs
        for assurance in assurances
        for seed in range(first_seed, first_seed + benches)
        for name in names
    ]
    found = _done(rows)
    keys = {key for part in found for key in _keys(part)}
    todo = [task for task in tasks if task.key not in keys]
    parallel = joblib.Parallel(n_jobs=jobs, return_as="generator_unordered")
    if todo:
        plans = _plans(sorted({DESIGNS[task.design].planned for task in todo}), jobs)
        worked = parallel(
            joblib.delayed(work_bench)(
                task, plans[DESIGNS[task.design].planned, task.seed % _PLANS], tuple(ways)
            )
            for task in todo
        )
        found += [_kept(part, rows) for part in _shown(worked, len(todo))]
    every = pd.concat(found, ignore_index=True)
    asked = {task.key for task in tasks}
    mine = np.array([key in asked for key in _keys(every)], bool)
    every = every[mine & every["way"].isin(ways)]
    place = {name: i for i, name in enumerate(names)}
    order = every.assign(_at=every["scenario"].map(place), _way=every["way"].map(list(ways).index))
    order = order.sort_values(["design", "assurance", "_way", "_at", "seed"], kind="stable")
    return Proving(order.drop(columns=["_at", "_way"]).reset_index(drop=True))


def _check(names: Sequence[str], designs: Sequence[str], ways: Sequence[str], benches: int) -> None:
    mistakes = []
    for what, asked, known in (
        ("a scenario", names, SCENARIOS),
        ("a design", designs, DESIGNS),
        ("a way", ways, WAYS),
    ):
        mistakes += [f"{a!r} is not {what}. Known are {', '.join(known)}." for a in asked if a not in known]
    if benches < 1:
        mistakes.append(f"benches is {benches}; work one of each scenario at least.")
    if mistakes:
        raise PlanError(mistakes)


def _done(rows: Path | None) -> list[pd.DataFrame]:
    """Return what a file of rows holds already: one table, or none."""
    import pandas as pd

    if rows is None or not rows.exists() or not rows.stat().st_size:
        return []
    return [
        pd.read_csv(
            rows,
            dtype={"design": str, "error": str},
            keep_default_na=False,
            na_values={"true": [""], "ratio": [""]},
        )
    ]


def _keys(rows: pd.DataFrame) -> list[tuple[str, int, str, float]]:
    return list(zip(rows["scenario"], rows["seed"], rows["design"], rows["assurance"], strict=True))


def _plans(sizes: Sequence[int], jobs: int) -> dict[tuple[int, int], pd.DataFrame]:
    """Return the plans: practice benches have one shape, so a few plans serve them all."""
    import joblib

    keys = [(size, k) for size in sizes for k in range(_PLANS)]
    plans = joblib.Parallel(n_jobs=jobs)(joblib.delayed(_plan)(*key) for key in keys)
    return dict(zip(keys, plans, strict=True))


def _plan(trials: int, number: int) -> pd.DataFrame:
    return plan_trials(PracticeBench(kind=1, seed=0).study, trials=trials, panels=_PANELS, seed=1000 + number)


def _shown(parts: Iterator[pd.DataFrame], count: int) -> Iterator[pd.DataFrame]:
    from rich.console import Console
    from rich.progress import track

    console = Console(stderr=True)
    return iter(
        track(
            parts,
            total=count,
            description="working benches",
            console=console,
            disable=not console.is_terminal,
        )
    )


def _kept(part: pd.DataFrame, rows: Path | None) -> pd.DataFrame:
    """Add the rows of one bench to the file at once, so that an interrupted run loses none."""
    if rows is not None:
        part.to_csv(rows, mode="a", header=not rows.exists(), index=False)
    return part


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
    goal = bench.joint_goal if scenario.joint else {name: c.to_dict() for name, c in bench.study.goal.items()}
    start = time.perf_counter()
    trials = worked_trials(bench, plan, design, goal, task)
    spent = time.perf_counter() - start
    best = bench.best(goal=goal, assurance=task.assurance)
    reachable = bool(bench.best(goal=goal, assurance=max(_REACHABLE, task.assurance))["found"])
    lines = []
    for way in ways:
        start, error = time.perf_counter(), ""
        settings: Mapping[str, Any] | None = None
        try:
            settings = _recommends(way, bench, trials, goal, task.assurance)
        except (FinishlabError, np.linalg.LinAlgError) as problem:
            error = f"{type(problem).__name__}: {str(problem)[:200]}"
        line = {"scenario": task.scenario, "seed": task.seed, "design": task.design}
        line |= {"assurance": task.assurance, "way": way, "answered": settings is not None}
        line |= {"true": np.nan, "ratio": np.nan}
        if settings is not None:
            chosen = pd.DataFrame([dict(settings)])
            line["true"] = float(bench.true_probability(chosen, goal=goal).iloc[0])
            if best["found"]:
                line["ratio"] = float(bench.true_minutes(chosen).iloc[0]) / best["minutes"]
        seconds = time.perf_counter() - start + (spent if way == OURS else 0.0)
        line |= {
            "reachable": reachable,
            "trials": len(trials),
            "seconds": round(seconds, 3),
            "error": error,
        }
        lines.append(line)
    return pd.DataFrame(lines)


def worked_trials(
    bench: PracticeBench, plan: pd.DataFrame, design: Design, goal: Mapping[str, Any], task: Task
) -> pd.DataFrame:
    """Return the trials of a bench after its plan and its follow-up rounds."""
    import pandas as pd

    trials = _logged(bench, plan, design, task.seed * 100)
    for round_ in range(1, design.rounds + 1):
        sheet = follow_up(
            fit(bench.study, trials), trials=_ROUND, goal=goal, assurance=task.assurance, seed=round_
        )
        more = _logged(bench, sheet, design, task.seed * 100 + round_)
        more["trial"] += trials["trial"].max()
        trials = pd.concat([trials, more], ignore_index=True)
    return trials


def _logged(bench: PracticeBench, sheet: pd.DataFrame, design: Design, seed: int) -> pd.DataFrame:
    trials = bench.work(sheet, seed=seed)
    if design.every_step:
        return trials
    steps = tuple(f"{s.name}_gloss" for s in bench.study.steps)
    return trials[[c for c in trials.columns if not c.startswith(steps)]]


def _recommends(
    way: str, bench: PracticeBench, trials: pd.DataFrame, goal: Mapping[str, Any], assurance: float
) -> Mapping[str, Any] | None:
    model = fit(bench.study, trials)
    if way == OURS:
        recipe = shortest(model, goal=goal, assurance=assurance)
        return recipe.settings if recipe.found else None
    # The rivals get our minutes, so that only the finish is compared.
    minutes = np.concatenate([model.minutes.mean(v) for v in bench.study.basis.chunks()])
    row = recommended(way, bench.study, trials, minutes, bench.study.asked(goal)[0], assurance)
    return None if row is None else bench.study.basis.settings(row)


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the proving ground from the command line and print its table."""
    parser = argparse.ArgumentParser(
        prog="python -m finishlab.proving",
        description="Work practice benches of every kind through the whole path and print how the promise was kept.",
    )
    parser.add_argument("--benches", type=int, default=100, help="benches of each scenario")
    parser.add_argument("--first-seed", type=int, default=1, help="seed of the first bench")
    parser.add_argument("--scenarios", help=f"separated by commas: {', '.join(SCENARIOS)}")
    parser.add_argument("--designs", default="24", help=f"separated by commas: {', '.join(DESIGNS)}")
    parser.add_argument("--assurances", default="0.9", help="as 0.8,0.95")
    parser.add_argument("--ours-only", action="store_true", help="leave out the textbook's ways")
    parser.add_argument("--jobs", type=int, default=-1, help="processes at once; -1 is one a core")
    parser.add_argument("--rows", type=Path, help="CSV file to add each bench to; a run that stopped goes on")
    asked = parser.parse_args(arguments)
    try:
        proved = prove(
            [s.strip() for s in asked.scenarios.split(",")] if asked.scenarios else None,
            benches=asked.benches,
            first_seed=asked.first_seed,
            designs=[d.strip() for d in asked.designs.split(",")],
            assurances=[float(a) for a in asked.assurances.split(",")],
            ways=(OURS,) if asked.ours_only else WAYS,
            jobs=asked.jobs,
            rows=asked.rows,
        )
    except FinishlabError as problem:
        print(problem, file=sys.stderr)
        return 2
    print(proved.text())
    for (design, assurance), some in proved.table().groupby(["design", "assurance"], sort=False):
        print(f"\n{DESIGNS[str(design)].words}; assurance {assurance}")
        print(some.drop(columns=["design", "assurance"]).round(3).to_string(index=False))
    return 0


if __name__ == "__main__":
    sys.exit(main())
