"""How long large and hostile sheets take, and how much memory: a script to run, not a test.

100,000 invented trials as CSV and as XLSX: read and checked, sent into an empty record book
by the command line, sent in again; a workbook that unpacks to gigabytes; 10 MB in a note.
Each in a process of its own, so that its peak of memory is its own.

    python tests/benchmarks/sheets.py [trials]
"""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
import zipfile
from pathlib import Path

for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(_name, "1")
sys.path.insert(0, str(Path(__file__).parent.parent))

import numpy as np
import pandas as pd
from record_sheets import STUDY, STUDY_TEXT, good

import finishlab as fl

RUN = """
import resource, sys, time
from finishlab.errors import FinishlabError
sys.path.insert(0, sys.argv[1])
begun, said = time.perf_counter(), ""
if sys.argv[2] == "read":
    from record_sheets import STUDY
    import finishlab as fl
    try:
        said = f"{len(fl.read_trials(sys.argv[3], STUDY)):,} trials"
    except FinishlabError as error:
        said = str(error)
else:
    from typer.testing import CliRunner
    from finishlab.cli import app
    said = CliRunner().invoke(app, sys.argv[2:]).output
# Linux counts in kilobytes, macOS in bytes.
peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / (2**20 if sys.platform == "darwin" else 2**10)
print(f"{time.perf_counter() - begun:6.1f} s {peak:6.0f} MB  {' '.join(said.split())[:110]}")
"""


def main(trials: int = 100_000) -> None:
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place)
        (folder / "study.toml").write_text(STUDY_TEXT.replace("HAZE", "ISO 13803"), encoding="utf-8")
        table = fl.read_trials(many(trials), STUDY)
        for kind in ("csv", "xlsx"):
            show(f"read and check, {kind}", "read", fl.write_trials(table, folder / f"sheet.{kind}"))
        for again in ("", " again"):
            show(f"send into a book{again}", "import", folder, folder / "sheet.csv", "--technician", "T1")
        show("unpacks to 4 GB", "read", unpacking(folder / "large.xlsx"))
        note = table.head(6).assign(note="=1+1 " * 2_000_000)
        show("10 MB in a note", "read", fl.write_trials(note, folder / "note.csv"))


def many(trials: int) -> pd.DataFrame:
    """Return the good sheet of the tests over and over, eight patches a panel."""
    sheet = pd.DataFrame(good())
    sheet = pd.concat([sheet] * (trials // len(sheet) + 1), ignore_index=True).head(trials)
    number = np.arange(trials)
    return sheet.assign(
        trial=number + 1, panel=number // 8 + 1, patch=number % 8 + 1, run_order=number % 8 + 1
    )


def unpacking(path: Path) -> Path:
    """Write a workbook of a few megabytes that unpacks to four gigabytes."""
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED, compresslevel=1) as archive:
        archive.writestr("[Content_Types].xml", "<Types/>")
        with archive.open("xl/worksheets/sheet1.xml", "w", force_zip64=True) as part:
            for _ in range(4096):
                part.write(b"\0" * 2**20)
    return path


def show(what: str, *words: object) -> None:
    """Print how long one thing took in a fresh process, its peak of memory, and what it said."""
    command = [sys.executable, "-c", RUN, str(Path(__file__).parent.parent), *map(str, words)]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    print(f"{what:24}", (done.stdout or done.stderr[-300:]).strip(), flush=True)


if __name__ == "__main__":
    main(*map(int, sys.argv[1:]))
