"""A disk that is full, for real: what was acknowledged is there, the sentence is plain, and work goes on after.

On a small file system of its own where the machine lets one be made, and everywhere else
but on Windows by the limit that the system sets on the size of a file.
"""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest
import record_writer
import test_records_kill as kill
from record_sheets import STUDY
from skips import ANYWHERE

import finishlab as fl
from finishlab.errors import RecordsError

pytestmark = pytest.mark.skipif(os.name != "posix", reason=ANYWHERE["disk"])

FULL = "is full. Nothing of this entry was saved; what was saved before is there. Make room on it, and save again."


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    """A file system of 1 MB, half of it taken by something else."""
    place = tmp_path / "disk"
    place.mkdir()
    command = ["mount", "-t", "tmpfs", "-o", "size=1m", "tmpfs", str(place)]
    if os.geteuid() != 0 or subprocess.run(command, capture_output=True, check=False).returncode:
        pytest.skip(ANYWHERE["small disk"])
    try:
        (place / "holiday.jpg").write_bytes(b"x" * 2**19)
        yield place
    finally:
        subprocess.run(["umount", str(place)], check=True)


def test_a_disk_that_fills_up_loses_nothing_and_work_goes_on_when_there_is_room(small_disk, tmp_path):
    path, told = small_disk / "trials.sqlite", tmp_path / "told.txt"
    with pytest.raises(RecordsError) as caught:
        record_writer.log_trials(str(path), "A", 1000, told)
    assert str(caught.value) == f"the disk of {path} {FULL}"
    entries, trials = kill.nothing_is_lost(path, told)  # which opens the book and reads it on the full disk
    assert len(entries) > 5
    with fl.RecordBook(path) as book:
        with pytest.raises(
            RecordsError, match=r"the copy copy\.sqlite was not written .* The book itself is as it was"
        ):
            book.backup(small_disk / "copy.sqlite")
        assert not (small_disk / "copy.sqlite").exists()
        with pytest.raises(RecordsError, match=r"sheet\.csv was not written"):
            fl.write_trials(trials.reset_index().assign(note="x" * 50_000), small_disk / "sheet.csv")
        (small_disk / "holiday.jpg").unlink()
        trial = book.start(STUDY, technician="B", panel="B", settings=record_writer.SETTINGS)
        assert book.trials(STUDY)["trial"].tolist()[-1] == trial
    assert sorted(p.name for p in small_disk.iterdir()) == ["trials.sqlite"], "nothing half-written is left"


def test_a_book_cannot_be_made_on_a_full_disk_and_says_so(small_disk):
    (small_disk / "more.jpg").write_bytes(b"x" * 2**18)
    left = os.statvfs(small_disk)
    (small_disk / "rest.jpg").write_bytes(b"x" * left.f_bavail * left.f_frsize)
    with pytest.raises(RecordsError) as caught:
        fl.RecordBook(small_disk / "trials.sqlite")
    assert "Nothing of this entry was saved" in str(caught.value)


LIMITED = """
import resource, signal, sys
sys.path.insert(0, sys.argv[1])
import record_writer
signal.signal(signal.SIGXFSZ, signal.SIG_IGN)  # the write then fails, as on a disk that takes no more
resource.setrlimit(resource.RLIMIT_FSIZE, (400_000, 400_000))
try:
    record_writer.log_trials(sys.argv[2], "A", 1000, sys.argv[3])
except Exception as error:
    print(type(error).__name__, error)
"""


def test_a_file_that_may_not_grow_any_more_loses_nothing(tmp_path):
    path, told = tmp_path / "trials.sqlite", tmp_path / "told.txt"
    command = [sys.executable, "-c", LIMITED, str(Path(__file__).parent.parent), str(path), str(told)]
    said = subprocess.run(command, capture_output=True, text=True, check=True).stdout
    assert said.startswith("RecordsError"), said
    assert "Nothing of this entry was saved; what was saved before is there." in said
    entries, _ = kill.nothing_is_lost(path, told)
    assert len(entries) > 5
    with fl.RecordBook(path) as book:  # with room again
        book.start(STUDY, technician="B", panel="B", settings=record_writer.SETTINGS)
