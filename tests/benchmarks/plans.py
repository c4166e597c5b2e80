"""How much do good plans matter? On practice benches, beside other ways of choosing trials.

    python tests/benchmarks/plans.py [--benches 4] [--kinds 1,2,3] [--trials 20] [--rounds 0]
        [--rows rows.csv]

`kind="best"`, by either aim, against trials drawn at random and against changing one
setting at a time, the same number of trials on practice benches, with or without follow-up
rounds of four. Numbers come with their seeds.
"""

from __future__ import annotations

import argparse
import os
import time

for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
    os.environ.setdefault(_name, "1")

import numpy as np
import pandas as pd
from rich.progress import track

import finishlab as fl
from finishlab.proving.bench_path import Design, own_goal, scored, worked_trials
from finishlab.proving.proving_ground import Proving
from finishlab.study import Study

ASSURANCE = 0.90


def at_random(study: Study, trials: int, panels: int, seed: int) -> pd.DataFrame:
    """Return processes drawn at random, today's on every panel."""
    every = np.vstack(list(study.basis.chunks()))
    return _sheet(study, every[np.random.default_rng(seed).integers(len(every), size=trials)], panels)


def one_at_a_time(study: Study, trials: int, panels: int, seed: int) -> pd.DataFrame:
    """Return today's process with one setting changed at a time, in turn, and itself on every panel."""
    today = study.basis.row(study.today)[0]
    changed = []
    for j, levels in enumerate(study.basis.levels):
        for level in levels[levels != today[j]]:
            row = today.copy()
            row[j] = level
            changed.append(row)
    order = np.random.default_rng(seed).permutation(len(changed))
    return _sheet(study, np.array(changed)[order[np.arange(trials) % len(changed)]], panels)


def _sheet(study: Study, values: np.ndarray, panels: int) -> pd.DataFrame:
    """Put processes on panels, today's in place of the first on each."""
    panel = np.repeat(np.arange(panels), [len(part) for part in np.array_split(values, panels)])
    values = values.copy()
    values[np.r_[True, panel[1:] != panel[:-1]]] = study.basis.row(study.today)
    sheet = study.basis.frame(study.basis.canonical(values))
    return sheet.assign(panel=[str(p + 1) for p in panel])


WAYS = {
    "best": lambda study, trials, panels, seed: fl.plan_trials(
        study, trials=trials, panels=panels, seed=seed
    ),
    "best for settings": lambda study, trials, panels, seed: fl.plan_trials(
        study, trials=trials, panels=panels, seed=seed, aim="settings"
    ),
    "at random": at_random,
    "one setting at a time": one_at_a_time,
}


def on_benches(benches: int, kinds: list[int], trials: int, rounds: int) -> pd.DataFrame:
    """Work each way of planning on practice benches, fit, choose, and score on the truth; a row a bench."""
    rows = []
    tasks = [(kind, seed, way) for seed in range(1, benches + 1) for kind in kinds for way in WAYS]
    for kind, seed, way in track(tasks, description="working benches"):
        bench = fl.PracticeBench(kind=kind, seed=seed)
        goal, design = own_goal(bench), Design(way, trials, rounds)
        sheet = WAYS[way](bench.study, trials, 4, seed)
        log = worked_trials(bench, sheet, design, goal, assurance=ASSURANCE, seed=seed)
        recipe = fl.shortest(fl.fit(bench.study, log), assurance=ASSURANCE)
        best = bench.best(assurance=ASSURANCE)
        row = {"way": way, "scenario": f"kind {kind}", "seed": seed, "trials": len(log)}
        row |= {
            "design": f"{trials} + {rounds} rounds",
            "assurance": ASSURANCE,
            "seconds": np.nan,
            "error": "",
        }
        row |= {"reachable": bench.best(assurance=0.97)["found"]}
        rows.append(row | scored(bench, recipe.settings if recipe.found else None, goal, best))
    return pd.DataFrame(rows)


def main() -> None:
    """Print the time of a plan, and the table."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--benches", type=int, default=4, help="benches of each kind, seeds 1 to this")
    parser.add_argument("--kinds", default=",".join(map(str, fl.PracticeBench.KINDS)), help="as 1,2,3")
    parser.add_argument("--trials", type=int, default=20)
    parser.add_argument("--rounds", type=int, default=0, help="follow-up rounds of four")
    parser.add_argument("--rows", help="also write one row a bench to this CSV file")
    asked = parser.parse_args()
    study = fl.PracticeBench(kind=1, seed=3).study
    begun = time.perf_counter()
    fl.plan_trials(study, trials=40, panels=5, seed=1)
    print(f"\nplan_trials, 40 trials of 5 factors on 5 panels: {time.perf_counter() - begun:.1f} s")
    kinds = [int(k) for k in asked.kinds.split(",")]
    rows = on_benches(asked.benches, kinds, asked.trials, asked.rounds)
    if asked.rows:
        rows.to_csv(asked.rows, index=False)
    after = f"then {asked.rounds} follow-up rounds of four" if asked.rounds else "no follow-up"
    print(f"\n{asked.trials} trials on 4 panels, read after every step, {after}")
    every = Proving(rows).table()
    shown = ["way", "benches", "kept", "sure", "lowest_tenth", "answered", "minutes"]
    print(every.loc[every["scenario"] == "all", shown].round(3).to_string(index=False))


if __name__ == "__main__":
    main()
