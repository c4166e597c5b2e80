"""Nothing acknowledged is lost: writers killed at random moments, and four at once.

The first of these kills 25 writers and lets four write 100 trials each, to stay quick;
`tests/benchmarks/record_book.py` does the same with 200 kills and 4 x 500 trials.
"""

import multiprocessing
import os
import signal
import sqlite3
import time

import numpy as np
import pytest
import record_server
import record_writer
from record_sheets import STUDY
from skips import ANYWHERE

from finishlab.records.book.record_book import RecordBook

pytestmark = pytest.mark.skipif(os.name != "posix", reason=ANYWHERE["signals"])

KILLS = 25


@pytest.fixture(scope="module")
def processes():
    """Fresh processes that have everything loaded, so that they are at work at once."""
    context = multiprocessing.get_context("forkserver")
    context.set_forkserver_preload(["record_writer"])
    return context


def kill_writers(processes, url, told, kills, seed):
    """Kill one writer after another at random moments; return how many were at work when it came."""
    rng = np.random.default_rng(seed)
    at_work = 0
    for k in range(kills):
        writer = processes.Process(target=record_writer.log_trials, args=(url, f"W{k}x", 10_000, told))
        before = os.path.getsize(told)
        writer.start()
        # Half of them are killed while they open the book or begin, half in the midst of their entries.
        until = time.monotonic() + 30
        while k % 2 and os.path.getsize(told) == before and time.monotonic() < until:
            time.sleep(0.002)
        time.sleep(rng.uniform(0, 0.3))
        os.kill(writer.pid, signal.SIGKILL)
        writer.join()
        at_work += writer.exitcode == -signal.SIGKILL
    return at_work


def nothing_is_lost(url, told):
    """Hold the book against what the writers were told; return how many trials were acknowledged."""
    entries = record_writer.acknowledged(told)
    with RecordBook(url) as book:
        trials = book.trials(STUDY).set_index("trial")
        readings = book.readings(STUDY)
    count = readings.groupby(["trial", "quantity"]).size().unstack(fill_value=0)
    for entry, trial, _ in entries:
        trial = int(trial)
        status = trials.loc[trial, "status"]
        assert entry == "start" or count.loc[trial].tolist() == [1, 3], (entry, trial)
        assert entry != "done" or status == "done", (entry, trial)
    # No half entry: a trial has all readings of a call or none, and is done only with its minutes.
    assert (count["gloss_20"] == 3).all()
    assert (count["faults"] == 1).all()
    done = trials["status"] == "done"
    assert set(trials.index[done]) <= set(count.index)
    assert (trials.loc[done, "minutes"] == 6.5).all()
    assert trials.loc[~done, "minutes"].isna().all()
    return entries, trials


def test_a_writer_killed_at_any_moment_loses_nothing_that_was_acknowledged(tmp_path, processes):
    path, told = tmp_path / "trials.sqlite", tmp_path / "told.txt"
    told.touch()
    assert kill_writers(processes, str(path), told, KILLS, seed=4) == KILLS
    entries, trials = nothing_is_lost(path, told)
    assert len(entries) >= KILLS // 2, "every other writer was at work when it was killed"
    # At most one entry of each writer was on the disk before its acknowledgement was.
    assert len(trials) - len({t for _, t, _ in entries}) <= KILLS
    with sqlite3.connect(path) as connection:
        assert connection.execute("pragma integrity_check").fetchone() == ("ok",)
        assert connection.execute("pragma foreign_key_check").fetchall() == []


def four_writers(processes, url, told, count):
    writers = [
        processes.Process(target=record_writer.log_trials, args=(url, name, count, told))
        for name in ("A", "B", "C", "D")
    ]
    for writer in writers:
        writer.start()
    for writer in writers:
        writer.join()
    assert [w.exitcode for w in writers] == [0, 0, 0, 0]


@pytest.mark.parametrize("kind", ["sqlite", "postgres"])
def test_four_writers_at_once_lose_and_double_nothing(tmp_path, processes, kind):
    told, count = tmp_path / "told.txt", 100
    url = record_server.new_database("writers") if kind == "postgres" else str(tmp_path / "trials.sqlite")
    four_writers(processes, url, told, count)
    entries, trials = nothing_is_lost(url, told)
    assert len(entries) == 3 * 4 * count
    assert sorted(trials.index) == list(range(1, 4 * count + 1))
    assert not trials.duplicated(["panel", "patch"]).any()
    assert trials["technician"].value_counts().to_dict() == dict.fromkeys("ABCD", count)
    assert (trials["status"] == "done").all()


def test_the_look_at_what_is_lost_sees_a_lost_reading(tmp_path, processes):
    """The check above can fail: a reading taken out behind the book's back is missed."""
    path, told = tmp_path / "trials.sqlite", tmp_path / "told.txt"
    record_writer.log_trials(str(path), "A", 3, told)
    nothing_is_lost(path, told)
    with sqlite3.connect(path) as connection:
        connection.execute("delete from readings where trial_id = 2 and spot = 3")
    connection.close()
    with pytest.raises(AssertionError):
        nothing_is_lost(path, told)
