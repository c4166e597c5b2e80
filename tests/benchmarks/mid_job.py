"""Do jobs go better when a reading in the middle says how to go on? On practice benches whose truth is known.

    python tests/benchmarks/mid_job.py [--jobs 200] [--benches 3]

For each bench: 24 trials read after each step, a fit, the shortest process at 0.90. Then jobs of one
section on new panels, worked four ways with the same luck: by the fixed recipe; by `next_passes` after
cutting; by the bench card (`checkpoints`); and by the middle of what the reading foretells, without its spread (a
wrong way). A reading and its wipe are charged two minutes (common practice, no source). Seeds: benches 1 to N, jobs 9000.
"""

from __future__ import annotations

import argparse
import os

for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
    os.environ.setdefault(_name, "1")

import numpy as np
import pandas as pd
from rich.progress import track

import finishlab as fl
from finishlab.solve.mid_job import Weighed

KINDS = (1, 2, 3, 5, 11)
ASSURANCE, READING_MINUTES = 0.90, 2.0


def jobs_on(bench: fl.PracticeBench, rows: pd.DataFrame) -> pd.DataFrame:
    """Return what jobs read when each is worked by its row on a panel of its own; the same luck at every call."""
    sheet = rows.reset_index(drop=True).assign(panel=[f"J{k}" for k in range(len(rows))], patch=1)
    return bench.work(sheet, seed=9000)


def on_bench(kind: int, seed: int, jobs: int) -> list[dict]:
    """Return one line a way."""
    bench = fl.PracticeBench(kind=kind, seed=seed)
    model = fl.fit(
        bench.study, bench.work(fl.plan_trials(bench.study, trials=24, panels=4, seed=seed), seed=seed)
    )
    recipe = fl.shortest(model, assurance=ASSURANCE)
    if not recipe.found:
        return []
    goal = next(iter(bench.study.goal.values()))
    start = pd.DataFrame([recipe.settings] * jobs)
    first = jobs_on(bench, start)
    worked = {k: v for k, v in recipe.settings.items() if not k.startswith("polish")}
    weigh = Weighed(model, worked, recipe, recipe.goal)
    read = first["cut_gloss_20"].fillna(first["cut_gloss_20"].median()).round(0)
    card = [r for r in fl.checkpoints(model, recipe).rows if r["step"] == "cut"]
    ways = {"fixed recipe": start}
    for name, sure in (("next passes", ASSURANCE), ("middle of what is foretold", 0.5)):
        chosen = {}
        for reading in read.unique():
            chance, minutes, keeps = weigh.at("gloss_20", float(reading), bench.study.reading.spots, None)
            order = np.lexsort((-chance, minutes))
            fit = order[(chance[order] >= sure) & keeps[order]]
            chosen[reading] = weigh.values[fit[0] if len(fit) else int(np.argmax(chance * keeps))]
        ways[name] = bench.study.basis.frame(np.array([chosen[r] for r in read]))
    by_card = []
    for reading in read:
        row = next(r for r in card if r["from_gu"] <= reading < r["to_gu"])
        k = next((k for k in range(len(weigh.values)) if weigh.way(k) == row["action"]), None)
        chance, _, keeps = weigh.at("gloss_20", float(reading), 3, None) if k is None else (None, None, None)
        by_card.append(weigh.values[int(np.argmax(chance * keeps)) if k is None else k])
    ways["bench card"] = bench.study.basis.frame(np.array(by_card))
    lines = []
    for name, rows in ways.items():
        log = first if name == "fixed recipe" else jobs_on(bench, rows)
        # A burn-through has no reading and meets nothing.
        met = goal.met(log["gloss_20"].fillna(-1))
        charged = 0.0 if name == "fixed recipe" else READING_MINUTES
        lines.append(
            {
                "kind": kind,
                "seed": seed,
                "way": name,
                "met": met.mean(),
                "minutes": log["minutes"].mean(),
                "minutes, reading charged": log["minutes"].mean() + charged,
                "film removed, um": pd.to_numeric(log["removed_um"], errors="coerce").mean(),
            }
        )
    return lines


def main() -> None:
    """Print the table, by kind and in all."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--jobs", type=int, default=200)
    parser.add_argument("--benches", type=int, default=3, help="of each kind")
    asked = parser.parse_args()
    tasks = [(kind, seed) for kind in KINDS for seed in range(1, asked.benches + 1)]
    lines = [
        line for task in track(tasks, description="working jobs") for line in on_bench(*task, asked.jobs)
    ]
    table = pd.DataFrame(lines).drop(columns="seed")
    print(table.groupby(["kind", "way"], sort=False).mean().round(3).to_string())
    print(table.drop(columns="kind").groupby("way", sort=False).mean().round(3).to_string())


if __name__ == "__main__":
    main()
