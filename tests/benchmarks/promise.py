"""Is the promise kept? Many practice benches through the whole path, scored on their truth.

    python tests/benchmarks/promise.py [--benches 40] [--kinds 1,2,3] [--goal gloss|joint] [--ways ...]

For each bench: 28 planned trials on 4 panels, then three follow-up rounds of four, then
the recipe for the bench's goal at 0.90; beside it the textbook way on 40 planned trials.
A recipe is scored by the true probability that the next job reaches the goal. Prints one
table a way of working; every number comes with its seeds (the bench's own number).
"""

from __future__ import annotations

import argparse
import multiprocessing
import os
import time
from collections.abc import Mapping
from typing import Any

for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
    os.environ.setdefault(_name, "1")

import numpy as np
import pandas as pd
from rich.progress import track

import finishlab as fl
from finishlab.study import Condition, Study

ASSURANCE = 0.90
WAYS = {
    "steps": "step model, readings after every step, 28 + 12 trials",
    "steps 12": "step model, readings after every step, 12 + 12 trials",
    "steps final": "step model, final readings only, 28 + 12 trials",
    "surface": "surface model, 28 + 12 trials",
    "point": "raw-gloss quadratic, point prediction, 40 trials",
    "bound": "raw-gloss quadratic, 90 % predictive bound, 40 trials",
}


def study_rounds(
    bench: fl.PracticeBench,
    way: str,
    goal: Mapping[str, Any] | None,
    seed: int,
    *,
    sheet: pd.DataFrame | None = None,
    rounds: int = 3,
) -> dict[str, Any] | None:
    """Return the settings recommended after planned trials, or those of a sheet, and follow-up rounds of four."""
    if sheet is None:
        first = 12 if way == "steps 12" else 28
        sheet = fl.plan_trials(bench.study, trials=first, panels=4, seed=seed)
    kind = "surface" if way == "surface" else "steps"
    trials = _logged(bench, sheet, way, seed * 100)
    for round_ in range(1, rounds + 1):
        model = fl.fit(bench.study, trials, kind=kind)
        sheet = fl.follow_up(model, trials=4, goal=goal, seed=round_)
        more = _logged(bench, sheet, way, seed * 100 + round_)
        more["trial"] += trials["trial"].max()
        trials = pd.concat([trials, more], ignore_index=True)
    recipe = fl.shortest(fl.fit(bench.study, trials, kind=kind), goal=goal, assurance=ASSURANCE)
    return recipe.settings if recipe.found else None


def _logged(bench: fl.PracticeBench, sheet: pd.DataFrame, way: str, seed: int) -> pd.DataFrame:
    trials = bench.work(sheet, seed=seed)
    if way == "steps final":
        steps = tuple(f"{s.name}_gloss" for s in bench.study.steps)
        trials = trials[[c for c in trials.columns if not c.startswith(steps)]]
    return trials


def textbook(bench: fl.PracticeBench, way: str, goal: Mapping[str, Any], seed: int) -> dict[str, Any] | None:
    """Return what a full quadratic of the raw reading recommends by point or by predictive bound."""
    from scipy import stats

    study: Study = bench.study
    trials = bench.work(fl.plan_trials(study, trials=40, panels=5, seed=seed), seed=seed * 100)
    trials = trials[trials["gloss_20"].notna()]
    values = study.basis.values(trials)
    x, y = _quadratic(study, values), trials["gloss_20"].to_numpy(float)
    coef, _, rank, _ = np.linalg.lstsq(x, y, rcond=None)
    inverse = np.linalg.pinv(x.T @ x)
    df = max(len(y) - rank, 1)
    s = np.sqrt(((y - x @ coef) ** 2).sum() / df)
    grid = np.concatenate(list(study.basis.chunks()))
    new = _quadratic(study, grid)
    expected = new @ coef
    if way == "bound":
        spread = s * np.sqrt(1 + np.einsum("ij,jk,ik->i", new, inverse, new))
        expected = expected - stats.t.ppf(ASSURANCE, df) * spread
    conditions, _ = study.asked(goal)
    ok = conditions["gloss_20"].met(expected)
    if not ok.any():
        return None
    minutes = fl.fit(study, trials, kind="surface").minutes.mean(grid)
    return study.basis.settings(grid[np.flatnonzero(ok)[np.argmin(minutes[ok])]])


def _quadratic(study: Study, values: np.ndarray) -> np.ndarray:
    return np.hstack([np.ones((len(values), 1)), study.basis.columns(values)[0]])


def one(task: tuple[str, int, int, str]) -> dict[str, Any]:
    """Score one way on one bench."""
    way, kind, seed, which = task
    bench = fl.PracticeBench(kind=kind, seed=seed)
    plain = {k: c.to_dict() if isinstance(c, Condition) else c for k, c in bench.study.goal.items()}
    goal = plain if which == "gloss" else bench.joint_goal
    start = time.perf_counter()
    settings = (textbook if way in ("point", "bound") else study_rounds)(bench, way, goal, seed)
    seconds = time.perf_counter() - start
    best = bench.best(goal=goal, assurance=ASSURANCE)
    surely = bench.best(goal=goal, assurance=0.97)["found"]
    row: dict[str, Any] = {"way": way, "kind": kind, "seed": seed, "seconds": seconds, "reachable": surely}
    row |= {"answered": settings is not None, "true": np.nan, "ratio": np.nan}
    if settings is not None:
        chosen = pd.DataFrame([settings])
        row["true"] = float(bench.true_probability(chosen, goal=goal).iloc[0])
        if best["found"]:
            row["ratio"] = float(bench.true_minutes(chosen).iloc[0]) / best["minutes"]
    return row


def summary(rows: pd.DataFrame) -> pd.DataFrame:
    """Return one line a way and kind, and one for all kinds."""
    lines = []
    for way, of_way in rows.groupby("way", sort=False):
        for kind, some in [*of_way.groupby("kind"), ("all", of_way)]:
            answered = some[some["answered"]]
            kept = answered[answered["true"] >= ASSURANCE]
            lines.append(
                {
                    "way": way,
                    "kind": kind,
                    "benches": len(some),
                    "next job reaches the goal (mean)": answered["true"].mean(),
                    "one in ten not below": answered["true"].quantile(0.1),
                    "share of recipes at 0.90 or more": (answered["true"] >= ASSURANCE).mean(),
                    "answered where 0.97 is reachable": some[some["reachable"]]["answered"].mean(),
                    "median minutes / best, kept ones": kept["ratio"].median(),
                    "seconds a bench": some["seconds"].mean(),
                }
            )
    return pd.DataFrame(lines)


def main() -> None:
    """Run the benches asked for and print the tables."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--benches", type=int, default=40, help="benches of each kind, seeds 1 to this")
    parser.add_argument("--kinds", default=",".join(map(str, fl.PracticeBench.KINDS)), help="as 1,2,3")
    parser.add_argument(
        "--goal", choices=("gloss", "joint"), default="gloss", help="gloss alone, or gloss, haze and faults"
    )
    parser.add_argument(
        "--ways", default="steps,surface,point,bound", help=f"of {', '.join(WAYS)}, separated by commas"
    )
    parser.add_argument("--rows", help="also write one row a bench to this CSV file")
    asked = parser.parse_args()
    kinds = [int(k) for k in asked.kinds.split(",")]
    ways = [w.strip() for w in asked.ways.split(",")]
    tasks = [(w, k, s, asked.goal) for w in ways for k in kinds for s in range(1, asked.benches + 1)]
    with multiprocessing.get_context("spawn").Pool() as pool:
        rows = pd.DataFrame(track(pool.imap(one, tasks), total=len(tasks), description="working benches"))
    if asked.rows:
        rows.to_csv(asked.rows, index=False)
    for way in ways:
        print(f"\n{WAYS[way]}; goal: {asked.goal}")
        print(summary(rows[rows["way"] == way]).drop(columns="way").round(3).to_string(index=False))


if __name__ == "__main__":
    main()
