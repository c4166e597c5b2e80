"""How long the search takes, and how much memory, from a thousand to a million processes; and that it misses nothing.

    python tests/benchmarks/search.py                 # time and memory beside asking every process
    python tests/benchmarks/search.py --studies 1000  # against full enumeration on random studies

Of an invented shop with three steps; 28 trials on 4 panels, seed 1. Each size is searched in a
Python of its own, for a goal that is found and for one that nothing reaches. Beside it stands plain full
enumeration: every process made, its probability asked for in one go, the quickest taken.
"""

from __future__ import annotations

import argparse
import json
import os
import subprocess
import sys
import time
from pathlib import Path

for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
    os.environ.setdefault(_name, "1")

import numpy as np
import pandas as pd

import finishlab as fl
from finishlab.solve import search

sys.path.insert(0, str(Path(__file__).parents[1]))

from random_studies import random_study, random_trials

#: Most sanding passes, and highest cutting and polishing speed, of each size.
SIZES = ((1, 600, 600), (3, 700, 800), (6, 1100, 1000), (10, 1500, 1600))
FOUND, BEYOND = 84.0, 87.9

STUDY = """
title = "A large study (invented)"
pass_means = "one direction, 50 % overlap"
[[step]]
name = "sand"
grit = ["P1500", "P2000", "P3000"]
{sand}
[[step]]
name = "cut"
pad = ["wool", "microfibre", "foam"]
product = ["compound A", "compound B"]
passes = {{ lowest = 1, highest = 8 }}
{cut}
[[step]]
name = "polish"
passes = {{ lowest = 0, highest = 6 }}
{polish}
[goal]
gloss_20 = {{ at_least = 84 }}
assurance = 0.9
[reading]
after = ["sand", "cut", "polish"]
"""


def study_of(sand: int, cut: int, polish: int) -> fl.Study:
    """Return a study of one of the sizes."""

    def speed(highest: int) -> str:
        return (
            "speed = 600" if highest == 600 else f"speed = {{ lowest = 600, highest = {highest}, by = 100 }}"
        )

    passes = "passes = 4" if sand == 1 else f"passes = {{ lowest = 1, highest = {sand} }}"
    return fl.Study.from_toml(STUDY.format(sand=passes, cut=speed(cut), polish=speed(polish)))


def worked(study: fl.Study) -> pd.DataFrame:
    """Return 28 trials of an invented shop whose roughness decays with the passes of every step."""
    rng = np.random.default_rng(1)
    log = fl.plan_trials(study, trials=28, panels=4, seed=1)
    n = len(log)

    def setting(name: str, otherwise: float) -> np.ndarray:
        return (
            pd.to_numeric(log[name]).fillna(otherwise).to_numpy(float)
            if name in log
            else np.full(n, otherwise)
        )

    panel = dict(zip(log["panel"].unique(), 0.05 * rng.standard_normal(log["panel"].nunique()), strict=True))
    own = log["panel"].map(panel).to_numpy() + 0.04 * rng.standard_normal(n)

    def read(z: np.ndarray) -> np.ndarray:
        return np.maximum(88 * np.exp(-np.exp(2 * (z + own))) + 0.3 * rng.standard_normal(n), 0.2)

    z = log["sand_grit"].map({"P1500": 0.1, "P2000": -0.15, "P3000": -0.5}).to_numpy()
    z = z - 0.02 * setting("sand_passes", 4)
    out = log.assign(sand_gloss_20=read(z))
    rate = log["cut_pad"].map({"wool": 0.42, "microfibre": 0.35, "foam": 0.28}).to_numpy()
    rate = rate * (setting("cut_speed", 600) / 1000) ** 0.3
    z = -1.3 + (z + 1.3) * np.exp(-rate * setting("cut_passes", 1))
    out = out.assign(cut_gloss_20=read(z))
    rate = 0.3 * (setting("polish_speed", 600) / 1000) ** 0.3
    z = -1.9 + (z + 1.9) * np.exp(-rate * setting("polish_passes", 0))
    minutes = 1 + 0.3 * setting("sand_passes", 4) + 0.8 * setting("cut_passes", 1)
    minutes = (minutes + 0.7 * setting("polish_passes", 0)) * (1 + 0.03 * rng.standard_normal(n))
    return out.assign(gloss_20=read(z), minutes=minutes)


def one(size: int, goal: float, way: str) -> None:
    """Search once, in this Python, and print what it took as JSON."""
    import resource

    study = study_of(*SIZES[size])
    model = fl.fit(study, worked(study))
    model.response("gloss_20"), model.minutes
    begun = time.perf_counter()
    if way == "search":
        recipe = fl.shortest(model, goal={"gloss_20": {"at_least": goal}})
        found = recipe.minutes if recipe.found else None
    else:
        conditions, wanted = study.asked({"gloss_20": {"at_least": goal}})
        values = np.concatenate(list(study.basis.chunks()))
        keeps = model.probability_of(values, conditions) >= wanted
        minutes = model.minutes.mean(values)
        found = float(minutes[keeps].min()) if keeps.any() else None
    seconds = time.perf_counter() - begun
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 2**10
    print(json.dumps({"processes": study.basis.size, "seconds": seconds, "MB": peak, "minutes": found}))


def sizes(enumerated: int) -> None:
    """Print time and memory of every size; full enumeration up to so many processes."""
    lines = []
    for size in range(len(SIZES)):
        for goal in (FOUND, BEYOND):
            line: dict[str, object] = {}
            for way in ("search", "every one"):
                if way == "every one" and line["processes"] > enumerated:  # type: ignore[operator]
                    continue
                command = [sys.executable, __file__, "--one", str(size), str(goal), way]
                told = json.loads(subprocess.run(command, capture_output=True, text=True, check=True).stdout)
                line |= {"processes": told["processes"], "goal": goal}
                line |= {f"{way}, {k}": told[k] for k in ("seconds", "MB", "minutes")}
            lines.append(line)
            print(json.dumps(line), flush=True)
    print(pd.DataFrame(lines).round(2).to_string(index=False))


def against_enumeration(studies: int) -> None:
    """Ask random goals of random studies both ways; print how many questions agree."""
    search._FEW_PROCESSES = 0  # prune small studies too
    asked = agreed = 0
    for seed in range(1, studies + 1):
        rng = np.random.default_rng(seed)
        study = random_study(rng)
        model = fl.fit(study, random_trials(study, rng))
        values = np.concatenate(list(study.basis.chunks()))
        values = values[model.worked.covers(values)]
        minutes = study.basis.job_minutes(values, model.minutes.mean(values))
        limits = model.keeps_limits(values)
        read = model.predict_values(values)["gloss_20"]
        order = np.argsort(minutes, kind="stable")
        for _ in range(4):
            goal, wanted = study.asked(
                {"gloss_20": {"at_least": float(rng.uniform(read.min() - 2, read.max() + 1))}},
                float(rng.choice([0.5, 0.8, 0.9, 0.95])),
            )
            keeps = (model.probability_of(values, goal) >= wanted) & limits
            best = next((minutes[i] for i in order if keeps[i]), None)
            seen = search.candidates(model, goal, wanted, lambda c, w=wanted: c.best(w) is not None)
            at = seen.best(wanted)
            asked += 1
            agreed += (None if at is None else seen.job_minutes[at]) == best
    print(f"{agreed} of {asked} questions over {studies} random studies answered as full enumeration does")


def main() -> None:
    """Print the table, or what was asked for."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--studies", type=int, help="random studies against full enumeration")
    parser.add_argument(
        "--enumerate", type=int, default=200_000, help="full enumeration up to so many processes"
    )
    parser.add_argument("--one", nargs=3, help=argparse.SUPPRESS)
    asked = parser.parse_args()
    if asked.one:
        one(int(asked.one[0]), float(asked.one[1]), asked.one[2])
    elif asked.studies:
        against_enumeration(asked.studies)
    else:
        sizes(asked.enumerate)


if __name__ == "__main__":
    main()
