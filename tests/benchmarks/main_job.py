"""How long the main job takes, and how much memory: a script to run, not a test.

The main job is 40 trials of a study with about a thousand processes, read from its files,
fitted, and searched for the shortest process. It is timed in a fresh Python (imports and
reading of files included) and again in the same one, warm; beside it the whole command
`finishlab shortest` with its figure and procedure, `finishlab --help` and `import
finishlab`. The trials are those of an invented shop. Medians of several runs.

    python tests/benchmarks/main_job.py [runs]
"""

from __future__ import annotations

import json
import os
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

TRIALS = 40
#: One thread: other work on the machine disturbs the figures less, and so does the command itself.
ENVIRONMENT = {**os.environ, "OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1", "MKL_NUM_THREADS": "1"}

JOB = """
import json, sys, time
begun = time.perf_counter()
import finishlab as fl

def job():
    study = fl.Study.read("study.toml")
    return fl.shortest(fl.fit(study, fl.read_trials("trials.csv", study)))

recipe = job()
first = time.perf_counter() - begun
begun = time.perf_counter()
job()
warm = time.perf_counter() - begun
study = fl.Study.read("study.toml")
trials = fl.read_trials("trials.csv", study)
fits = {}
for kind in ("steps", "surface"):
    begun = time.perf_counter()
    fl.fit(study, trials, kind=kind).response("gloss_20")
    fits[kind] = time.perf_counter() - begun
try:
    import resource
    # Linux counts in kilobytes, macOS in bytes.
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / (2**20 if sys.platform == "darwin" else 2**10)
except ImportError:  # Windows
    peak = float("nan")
print(json.dumps({"fits": fits, "first": first, "warm": warm, "peak": peak, "size": recipe.study.basis.size, "text": recipe.text()}))
"""


def main(runs: int = 5) -> None:
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place, "study")
        make(folder)
        jobs, fresh = [], []
        for _ in range(runs):
            seconds, out = timed([sys.executable, "-c", JOB], folder)
            fresh.append(seconds)
            jobs.append(json.loads(out))
        command = [sys.executable, "-m", "finishlab"]
        whole = []
        for _ in range(runs):
            shutil.rmtree(folder / "procedures", ignore_errors=True)
            whole.append(timed([*command, "shortest", "."], folder)[0])
        helped = [timed([*command, "--help"], folder)[0] for _ in range(2 * runs)]
        imported = [timed([sys.executable, "-c", "import finishlab"], folder)[0] for _ in range(2 * runs)]
        bare = [timed([sys.executable, "-c", ""], folder)[0] for _ in range(2 * runs)]
    middle = statistics.median
    print(jobs[0]["text"])
    print(f"\n{TRIALS} trials, {jobs[0]['size']:,} processes; median of {runs} runs, one thread\n")
    # The fresh Python runs the job twice, and fits; what these took is not the first's.
    rows = [
        (
            "main job in a fresh Python",
            middle(f - j["warm"] - sum(j["fits"].values()) for f, j in zip(fresh, jobs, strict=True)),
            "s",
            4,
        ),
        ("main job, warm", middle(j["warm"] for j in jobs), "s", 1),
        ("fit of the gloss by the step model, warm", middle(j["fits"]["steps"] for j in jobs), "s", 1),
        ("fit of the gloss by the surface model, warm", middle(j["fits"]["surface"] for j in jobs), "s", 0.3),
        ("peak memory", middle(j["peak"] for j in jobs), "MB", 400),
        ("finishlab shortest, with figure and procedure", middle(whole), "s", None),
        ("finishlab --help", middle(helped), "s", 0.25),
        ("import finishlab, interpreter included", middle(imported), "s", 0.15),
        ("the interpreter alone", middle(bare), "s", None),
    ]
    for what, value, unit, most in rows:
        print(f"{what:<48}{value:8.2f} {unit:<3}" + (f"  wanted: under {most:g}" if most else ""))


def make(folder: Path) -> None:
    """Write the study and the trials of an invented shop into a new folder."""
    import finishlab as fl

    bench = fl.PracticeBench(kind=1, seed=3)
    sheet = fl.plan_trials(bench.study, trials=TRIALS, panels=5, seed=7)
    folder.mkdir()
    (folder / "study.toml").write_text(bench.study.source, encoding="utf-8")
    fl.write_trials(bench.work(sheet, seed=1), folder / "trials.csv")


def timed(command: list[str], folder: Path) -> tuple[float, str]:
    begun = time.perf_counter()
    done = subprocess.run(command, cwd=folder, env=ENVIRONMENT, capture_output=True, text=True, check=True)
    return time.perf_counter() - begun, done.stdout


if __name__ == "__main__":
    main(*map(int, sys.argv[1:]))
