"""How good are the plans? Beside general-purpose libraries, and on practice benches.

    python tests/benchmarks/plans.py [--skip-benches] [--skip-libraries]
        [--benches 4] [--kinds 1,2,3] [--trials 20] [--rounds 0] [--rows rows.csv]

First table: our D-efficiency |X'V^-1X|^(1/p) (over n where V is the identity) and mean
prediction variance (I) on fixed problems, beside the figures of general-purpose libraries.
These were run once in environments of their own, because they clash with ours: pyoptex 1.2.1
and oapackage, Python 3.11, one thread, November 2026; best of as many starts as said. Second
table: `kind="best"`, by either aim, against trials drawn at random and against changing one
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
from finishlab._proving_work import Design, own_goal, scored, worked_trials
from finishlab.plan.exchange import Problem, exchange, free
from finishlab.proving import Proving
from finishlab.study import Study

ASSURANCE = 0.90

# --- beside general-purpose libraries -------------------------------------------------------------


def _model(pairs: str):
    """Return the model matrix of three numbers and two settings of three choices, by its products."""
    effect = np.array([[1.0, 0.0], [0.0, 1.0], [-1.0, -1.0]])

    def matrix(v: np.ndarray) -> np.ndarray:
        blocks = [v[:, [j]] for j in range(3)] + [effect[v[:, j].astype(int)] for j in (3, 4)]
        columns = [np.ones((len(v), 1)), *blocks, *[v[:, [j]] ** 2 for j in range(3)]]
        for a in range(5):
            for b in range(a + 1, 5):
                if pairs == "all" or (pairs == "numbers" and b < 3):
                    product = blocks[a][:, :, None] * blocks[b][:, None, :]
                    columns.append(product.reshape(len(v), -1))
        return np.hstack(columns)

    return matrix


_LEVELS = [np.array([-1.0, 0.0, 1.0])] * 3 + [np.arange(3.0)] * 2


def _panels(rows: int, panels: int) -> np.ndarray:
    panel = np.repeat(np.arange(panels), [len(p) for p in np.array_split(np.arange(rows), panels)])
    return np.linalg.inv(np.eye(rows) + (panel[:, None] == panel[None, :]))


def problems() -> list[dict]:
    """Return each problem with the best figure of a general-purpose library, where one was run."""
    numbers, every = _model("numbers"), _model("all")
    plain = free(_LEVELS, 30, numbers)
    grit = [np.arange(30)] * 3 + [np.repeat(np.arange(6), 5), np.arange(30)]

    def allowed(v: np.ndarray) -> np.ndarray:
        return ~((v[:, 3] == 0) & (v[:, 0] == -1))

    hard = Problem(
        **vars(plain) | {"units": grit, "weight": _panels(30, 6), "allowed": allowed, "starts": plain.starts[allowed(plain.starts)]}
    )  # fmt: skip
    eight = [np.array([-1.0, 0.0, 1.0])] * 8
    return [
        {"problem": "30 trials, 14 terms", "task": plain, "starts": 80, "per_trial": True, "theirs": 0.4987, "by": "pyoptex, best of 80"},
        {"problem": "30 trials, all pairs (30 terms)", "task": free(_LEVELS, 30, every), "starts": 80, "per_trial": True, "theirs": 0.4034, "by": "pyoptex, best of 80"},
        {"problem": "6 panels, grit by panel, an avoid rule", "task": hard, "starts": 30, "per_trial": False, "theirs": np.nan, "by": "not run with this rule"},
        {"problem": "30 trials on 4 panels", "task": Problem(**vars(plain) | {"weight": _panels(30, 4)}), "starts": 30, "per_trial": False, "theirs": np.nan, "by": "not run"},
        {"problem": "60 trials, 8 numbers (45 terms)", "task": free(eight, 60, _second_order), "starts": 5, "per_trial": True, "theirs": np.nan, "by": "not run"},
    ]  # fmt: skip


def _second_order(v: np.ndarray) -> np.ndarray:
    pairs = [v[:, [a]] * v[:, [b]] for a in range(v.shape[1]) for b in range(a + 1, v.shape[1])]
    return np.hstack([np.ones((len(v), 1)), v, v**2, *pairs])


def beside_libraries() -> pd.DataFrame:
    """Return our D and I on every problem, and the ratio to the library's D."""
    lines = []
    for p in track(problems(), description="plans beside libraries"):
        task, begun = p["task"], time.perf_counter()
        values, _ = exchange(task, starts=p["starts"], rng=np.random.default_rng(1))
        seconds = time.perf_counter() - begun
        x = task.matrix(values)
        information = x.T @ task.weight @ x
        d = float(np.exp(np.linalg.slogdet(information)[1] / x.shape[1])) / (len(x) if p["per_trial"] else 1)
        where = task.matrix(task.starts)
        i = float(np.einsum("ij,jk,ik->i", where, np.linalg.inv(information), where).mean())
        lines.append(
            {"problem": p["problem"], "D": d, "library D": p["theirs"], "ratio": d / p["theirs"], "library": p["by"], "I (mean variance)": i, "starts": p["starts"], "seconds": seconds}
        )  # fmt: skip
    return pd.DataFrame(lines)


# --- that it matters ---------------------------------------------------------------------------------


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
        best = bench.best(assurance=ASSURANCE)["minutes"]
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
    """Print both tables."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--benches", type=int, default=4, help="benches of each kind, seeds 1 to this")
    parser.add_argument("--kinds", default=",".join(map(str, fl.PracticeBench.KINDS)), help="as 1,2,3")
    parser.add_argument("--trials", type=int, default=20)
    parser.add_argument("--rounds", type=int, default=0, help="follow-up rounds of four")
    parser.add_argument("--rows", help="also write one row a bench to this CSV file")
    parser.add_argument("--skip-benches", action="store_true")
    parser.add_argument("--skip-libraries", action="store_true")
    asked = parser.parse_args()
    if not asked.skip_libraries:
        print(beside_libraries().round(4).to_string(index=False))
    study = fl.PracticeBench(kind=1, seed=3).study
    begun = time.perf_counter()
    fl.plan_trials(study, trials=40, panels=5, seed=1)
    print(f"\nplan_trials, 40 trials of 5 factors on 5 panels: {time.perf_counter() - begun:.1f} s")
    if not asked.skip_benches:
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
