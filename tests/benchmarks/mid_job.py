"""Do jobs go better when a reading in the middle says how to go on? On practice benches whose truth is known.

    python tests/benchmarks/mid_job.py [--jobs 200] [--benches 4] [--sections 1]

For each bench: 24 trials read after each step, a fit, the shortest process at 0.90. Then jobs of so many
sections on new panels, every section read and gone on with by its own reading, each job worked four ways with the same luck: by the fixed recipe, which knows no reading; by `next_passes` after
cutting; by the bench card (`checkpoints`); and by the middle of what the reading foretells, without its spread (a
wrong way). Met is what the meter shows after the last step, its noise apart from the reading in the middle.
Going back to the cut is charged its set-up and wipe. The reading is charged as the plan of a day does (common practice, no
source); the study's wait before it stands in a column of its own, since other sections may be worked meanwhile.
Seeds: benches 1 to N, jobs 9000.
"""

from __future__ import annotations

import argparse
import os
import time
from functools import cache

for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
    os.environ.setdefault(_name, "1")

import numpy as np
import pandas as pd
from rich.progress import track

import finishlab as fl
from finishlab.model.patch_readings import GlossRead
from finishlab.plan.day import READING_MINUTES
from finishlab.solve.bench_card import Checkpoint
from finishlab.solve.mid_job_ways import Weighed

KINDS = (1, 2, 3, 4, 5, 7, 9, 10, 11)
ASSURANCE = 0.90


@cache
def plan(seed: int) -> pd.DataFrame:
    """Return the trials; every practice bench has the same settings, so one plan does for all kinds."""
    return fl.plan_trials(fl.PracticeBench(kind=1, seed=1).study, trials=24, panels=4, seed=seed)


def jobs_on(bench: fl.PracticeBench, rows: pd.DataFrame, sections: int) -> pd.DataFrame:
    """Return what jobs read when each section is worked by its row, each job on a panel of its own; the same luck at every call."""
    sheet = rows.reset_index(drop=True).assign(
        panel=[f"J{101 + k // sections}" for k in range(len(rows))],
        patch=[1 + k % sections for k in range(len(rows))],
    )
    return bench.work(sheet, seed=9000)


def surest(chance: np.ndarray, minutes: np.ndarray, keeps: np.ndarray, wanted: float) -> int:
    """Return the quickest way on that is sure enough, else the surest."""
    order = np.lexsort((-chance, minutes))
    fit = order[(chance[order] >= wanted) & keeps[order]]
    return int(fit[0] if len(fit) else np.argmax(chance * keeps))


def by_card(weigh: Weighed, rows: tuple[Checkpoint, ...], gu: float) -> int | None:
    """Return the way on that the card names; None where it sends back to the owner."""
    action = next(r.action for r in rows if r.step == "cut" and r.from_gu <= gu < r.to_gu)
    ways = ["done" if m == 0 else weigh.way(k) for k, m in enumerate(weigh.minutes)]
    return ways.index(action) if action in ways else None


def on_bench(kind: int, seed: int, jobs: int, sections: int) -> list[dict]:
    """Return one line a way."""
    bench = fl.PracticeBench(kind=kind, seed=seed)
    study = fl.Study.from_toml(f"{bench.study.source}\n[job]\nsections = {sections}\n")
    model = fl.fit(study, bench.work(plan(1 + seed % 3), seed=seed))
    recipe = fl.shortest(model, assurance=ASSURANCE)
    if not recipe.found:
        return []
    first = jobs_on(bench, pd.DataFrame([recipe.settings] * (jobs * sections)), sections)
    worked = {k: v for k, v in recipe.settings.items() if not k.startswith("polish")}
    weigh = Weighed(model, worked, recipe, recipe.goal)
    card = fl.checkpoints(model, recipe).rows
    # A patch burned through in the cut is not read; it meets nothing whatever is done. Readings are rounded down.
    read = (first["cut_gloss_20"].fillna(0.0) * 2 // 1 / 2).to_numpy()
    chosen: dict[str, dict[float, int]] = {"next_passes": {}, "bench card": {}, "middle foretold (wrong)": {}}
    for gu in np.unique(read):
        chance, keeps = weigh.at([GlossRead(20, float(gu), study.reading.spots)])
        advised = surest(chance, weigh.minutes, keeps, ASSURANCE)
        named = by_card(weigh, card, float(gu))
        chosen["next_passes"][gu] = advised
        chosen["bench card"][gu] = advised if named is None else named
        chosen["middle foretold (wrong)"][gu] = surest(chance, weigh.minutes, keeps, 0.5)
    goal = study.goal["gloss_20"]
    lines = []
    for name, picks in [("fixed recipe", None), *chosen.items()]:
        log, back = first, np.zeros(len(first), bool)
        if picks is not None:
            ways = np.array([picks[gu] for gu in read])
            log = jobs_on(bench, study.basis.frame(weigh.values[ways]), sections)
            back = weigh.goes_back[ways]
        met = goal.met(log["gloss_20"].fillna(-1).to_numpy()).reshape(jobs, sections).all(axis=1)
        again = bench._shop.setup_minutes[1] + bench._shop.wipe_minutes
        lines.append(
            {
                "kind": kind,
                "bench": seed,
                "way": name,
                "met": met.mean(),
                "minutes": (log["minutes"] + again * back).mean(),
                "reading": 0.0 if picks is None else READING_MINUTES,
                "wait": 0.0 if picks is None else study.reading.wait_minutes,
                "film_um": pd.to_numeric(log["removed_um"], errors="coerce").mean(),
                "went_back": back.mean(),
            }
        )
    return lines


def main() -> None:
    """Print the table, by kind and in all."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--jobs", type=int, default=200)
    parser.add_argument("--benches", type=int, default=4, help="of each kind")
    parser.add_argument("--sections", type=int, default=1, help="of each job")
    asked = parser.parse_args()
    began = time.process_time()
    tasks = [(kind, seed) for kind in KINDS for seed in range(1, asked.benches + 1)]
    lines = [
        line
        for task in track(tasks, description="working jobs")
        for line in on_bench(*task, asked.jobs, asked.sections)
    ]
    table = pd.DataFrame(lines)
    shown = ["met", "minutes", "reading", "wait", "film_um", "went_back"]
    print(table.groupby(["kind", "way"], sort=False)[shown].mean().round(3).to_string())
    every = table.groupby("way", sort=False)
    whole = every[shown].mean()
    whole["met_error"] = every["met"].sem()
    whole["met_lowest_tenth"] = every["met"].quantile(0.1)
    print(whole.round(3).to_string())
    print(
        f"{len(table) // 4} benches of {len(tasks)} with an answer, {asked.jobs} jobs each way; "
        f"{time.process_time() - began:.0f} s of processor time."
    )


if __name__ == "__main__":
    main()
