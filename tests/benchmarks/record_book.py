"""How quick the record book is, and that it loses nothing in hard use: a script to run, not a test.

One trial logged entry by entry, a sheet of 10,000 trials sent in, 100,000 trials read into
the trial table; 200 writers killed at random moments; four writers at once with 500 trials
each on SQLite and, where a server is installed, on PostgreSQL. All trials are invented.

    python tests/benchmarks/record_book.py [kills] [trials of a writer]
"""

from __future__ import annotations

import multiprocessing
import os
import subprocess
import sys
import tempfile
import time
from pathlib import Path

for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(_name, "1")
sys.path.insert(0, str(Path(__file__).parent.parent))

import numpy as np
import pandas as pd
import record_server
import record_writer
import test_records_kill as kill
from record_sheets import STUDY

import finishlab as fl
from finishlab.records.book.record_book import RecordBook

SHEET, BOOK, LOGGED = 10_000, 100_000, 300

READ = """
import sys, time
sys.path.insert(0, sys.argv[2])
from record_sheets import STUDY
import pandas
from finishlab.records.book.record_book import RecordBook
begun = time.perf_counter()
with RecordBook(sys.argv[1]) as book:
    trials = book.trials(STUDY)
seconds = time.perf_counter() - begun
# What `resource` says is that of the parent where it was larger; Linux keeps the process's own.
peak = float("nan")
try:
    with open("/proc/self/status") as file:
        peak = next(int(line.split()[1]) for line in file if line.startswith("VmHWM")) / 2**10
except FileNotFoundError:
    pass
print(len(trials), seconds, peak)
"""


def main(kills: int = 200, count: int = 500) -> None:
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place)
        show("one entry acknowledged, p95", *entries(folder), "ms", 30)
        show(f"a sheet of {SHEET:,} trials sent in", sheet(folder), "", "s", 5)
        seconds, peak = whole_book(folder)
        show(f"{BOOK:,} trials read into the table", seconds, "", "s", 5)
        show("the same, peak memory of the process", peak, "", "MB", 600)
        lost_nothing(folder, kills, count)


def show(what: str, value: float, note: str, unit: str, most: float) -> None:
    print(f"{what:<46}{value:9.2f} {unit:<3} wanted: under {most:g}{note}", flush=True)


def entries(folder: Path) -> tuple[float, str]:
    """Log trials one by one and return the 95th percentile of an entry, and others in words."""
    times: dict[str, list[float]] = {"start": [], "read": [], "finish": []}
    values = {"gloss_20": [84.1, 84.3, 84.0], "gloss_60": [92.0, 92.2, 92.1], "faults": [0]}
    with RecordBook(folder / "entries.sqlite") as book:
        for k in range(LOGGED + 20):
            trial = timed(
                times["start"],
                book.start,
                STUDY,
                technician="T1",
                panel=k // 8,
                settings=record_writer.SETTINGS,
            )
            for after in ("sand", "cut", "polish"):
                timed(
                    times["read"],
                    book.read,
                    STUDY,
                    trial,
                    after=after,
                    values=values,
                    technician="T1",
                    minutes=2,
                )
            timed(times["finish"], book.finish, STUDY, trial, technician="T1")
    late = {what: np.percentile(t[len(t) // 16 :], 95) * 1000 for what, t in times.items()}
    return max(late.values()), "; " + ", ".join(f"{what} {ms:.1f}" for what, ms in late.items())


def timed(times: list[float], call, *args, **named):
    begun = time.perf_counter()
    out = call(*args, **named)
    times.append(time.perf_counter() - begun)
    return out


def invented(count: int) -> pd.DataFrame:
    """A sheet of done trials with readings after each of three steps."""
    rng = np.random.default_rng(1)
    at = np.arange(count)
    gloss = rng.uniform(70, 90, count).round(1)
    table = {
        "trial": at + 1, "panel": at // 8 + 1, "patch": at % 8 + 1, "run_order": at + 1, "technician": "T1",
        "status": "done", "sand_grit": rng.choice(["P2000", "P3000"], count), "cut_pad": rng.choice(["wool", "foam"], count),
        "cut_passes": rng.integers(2, 9, count), "polish_speed": rng.choice([900, 1200, 1500], count),
        "polish_passes": rng.integers(1, 5, count), "faults": 0, "minutes": rng.uniform(4, 9, count).round(1),
        "film_before_um": rng.uniform(100, 110, count).round(1), "film_after_um": rng.uniform(90, 99, count).round(1),
    }  # fmt: skip
    for spot in (1, 2, 3):
        table[f"sand_gloss_60_{spot}"] = (gloss - 50 + rng.uniform(-1, 1, count)).round(1)
        table[f"cut_gloss_20_{spot}"] = (gloss - 5 + rng.uniform(-1, 1, count)).round(1)
        table[f"gloss_20_{spot}"] = (gloss + rng.uniform(-1, 1, count)).round(1)
    return pd.DataFrame(table)


def sheet(folder: Path) -> float:
    path = fl.write_trials(invented(SHEET), folder / "sheet.csv")
    with RecordBook(folder / "sheet.sqlite") as book:
        begun = time.perf_counter()
        found = book.import_sheet(STUDY, path, technician="O")
        seconds = time.perf_counter() - begun
    assert found.new == SHEET
    return seconds


def whole_book(folder: Path) -> tuple[float, float]:
    book_path = folder / "whole.sqlite"
    with RecordBook(book_path) as book:
        book.import_sheet(STUDY, fl.write_trials(invented(BOOK), folder / "whole.csv"), technician="O")
    command = [sys.executable, "-c", READ, str(book_path), str(Path(__file__).parent.parent)]
    out = subprocess.run(command, capture_output=True, text=True, check=True).stdout.split()
    assert int(out[0]) == BOOK
    return float(out[1]), float(out[2])


def lost_nothing(folder: Path, kills: int, count: int) -> None:
    context = multiprocessing.get_context("forkserver")
    context.set_forkserver_preload(["record_writer"])
    told, path = folder / "killed.txt", folder / "killed.sqlite"
    told.touch()
    killed = kill.kill_writers(context, str(path), told, kills, seed=2)
    acknowledged, trials = kill.nothing_is_lost(path, told)
    print(
        f"{killed} writers killed: {len(acknowledged)} entries acknowledged, none lost; {len(trials)} trials in the book",
        flush=True,
    )
    urls = {"SQLite": str(folder / "four.sqlite")}
    if record_server.programs():
        urls["PostgreSQL"] = record_server.new_database("four")
    for name, url in urls.items():
        told = folder / f"{name}.txt"
        begun = time.perf_counter()
        kill.four_writers(context, url, told, count)
        seconds = time.perf_counter() - begun
        acknowledged, trials = kill.nothing_is_lost(url, told)
        assert len(trials) == 4 * count
        assert len(acknowledged) == 12 * count
        print(
            f"four writers on {name}: {len(trials)} trials, none lost, none doubled, {seconds:.0f} s",
            flush=True,
        )


if __name__ == "__main__":
    main(*map(int, sys.argv[1:]))
