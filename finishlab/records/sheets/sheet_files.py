"""Trial sheets as files: which kind a path is, reading with its checks, writing whole.

`read_trials` and `write_trials` are the way in and out for people. Each kind of file has
a module of its own; checking is in `sheet_check.py`.
"""

from __future__ import annotations

import os
import secrets
from pathlib import Path
from typing import TYPE_CHECKING

from finishlab.errors import RecordsError
from finishlab.records.sheets.column_map import mapped
from finishlab.records.sheets.csv_file import csv_bytes, read_csv
from finishlab.records.sheets.sheet import Sheet
from finishlab.records.sheets.sheet_check import check_sheet, check_trials
from finishlab.records.sheets.xlsx_file import read_xlsx, xlsx_bytes

if TYPE_CHECKING:
    import pandas as pd

    from finishlab.study import Study

_READERS = {".csv": read_csv, ".xlsx": read_xlsx}
_WRITERS = {".csv": csv_bytes, ".xlsx": xlsx_bytes}
_OTHERS = {
    ".xls": "an older workbook",
    ".xlsm": "a workbook with macros",
    ".xlsb": "a binary workbook",
    ".ods": "an open-document workbook",
    ".numbers": "a workbook of another kind",
    ".txt": "plain text",
    ".tsv": "plain text",
    ".json": "another kind of data",
    ".pdf": "a printed page",
}


def read_trials(path_or_table: str | Path | pd.DataFrame, study: Study) -> pd.DataFrame:
    """
    Read a trial sheet, checked whole.

    Parameters
    ----------
    path_or_table : str, Path or DataFrame
        A ``.csv`` or ``.xlsx`` file, or a table already loaded, one row a trial. Commas, semicolons or
        tabs part the cells of a CSV; UTF-8, UTF-16 and Windows-1252 are read. Of a
        workbook the sheet ``trials`` is read, else the first that is not empty.
    study : Study
        Its ``[reading.columns]`` tells what the headings of a meter's own export mean.

    Returns
    -------
    DataFrame
        One row a trial, in the order of the sheet, as `check_trials` describes it. In
        `attrs`: `cautions` (tuple of str), `source` (name of the file).

    Raises
    ------
    RecordsError
        The file cannot be read, or the sheet has mistakes: all of them, by row and
        column. Nothing of it is taken.

    Notes
    -----
    A guard that `write_trials` put before text (an apostrophe before ``=``, ``+``, ``-``,
    ``@``, tab or line end) is taken off again. In a CSV a column of the shop's own
    becomes numbers where every cell is a plain number; codes such as ``007`` stay text.

    Examples
    --------
    >>> import tempfile
    >>> from finishlab.records.columns import _example
    >>> folder = tempfile.TemporaryDirectory()
    >>> path = Path(folder.name, "trials.csv")
    >>> _ = path.write_text("panel,cut_passes,minutes,gloss_20_1,gloss_20_2\\n1,2,5.5,80.5,81.5\\n")
    >>> read_trials(path, _example())[["cut_passes", "gloss_20", "status"]]
       cut_passes  gloss_20 status
    0           2      81.0   done

    Every mistake is answered at once:

    >>> _ = path.write_text("panel,cut_passes,minutes,gloss_20\\n1,9,5.5,864\\n")
    >>> read_trials(path, _example())
    Traceback (most recent call last):
        ...
    finishlab.errors.RecordsError: trials.csv has 2 mistakes; nothing of it was taken.
      - row 2, cut_passes: 9 lies outside the studied 1 to 4. Correct it, or widen the setting in the study file. If it was really worked so, add no_longer = { passes = [9] } to step cut of the study file: the trial then stays, outside the question.
      - row 2, gloss_20: 864 GU is above 109.1 GU, the most a clear coat can read. If the decimal point slipped, write 86.4; else read the patch again.
    >>> folder.cleanup()
    """
    import pandas as pd

    if isinstance(path_or_table, pd.DataFrame):
        return check_trials(path_or_table, study)[0]
    return check_sheet(read_sheet(Path(path_or_table), study), study)[0]


def read_sheet(path: Path, study: Study) -> Sheet:
    """
    Return a file as a sheet in the study's column names, before anything in it is judged.

    Parameters
    ----------
    path : Path
    study : Study
        Its column map tells what the headings of a meter's own export mean.

    Returns
    -------
    Sheet

    Raises
    ------
    RecordsError
        The file cannot be read.
    """
    reader = _READERS.get(path.suffix.lower())
    if reader is None:
        raise RecordsError(_wrong_kind(path, "read"))
    try:
        return mapped(reader(path), study)
    except FileNotFoundError:
        raise RecordsError(
            f"there is no file {path.name} in {path.parent}. Look at the name and the folder."
        ) from None
    except OSError as error:
        raise RecordsError(
            f"{path.name} cannot be read ({error.strerror}). Close it elsewhere, or look at who may read it."
        ) from None


def write_trials(table: pd.DataFrame, path: str | Path) -> Path:
    """
    Write trials as a sheet that no spreadsheet runs as formulas.

    Parameters
    ----------
    table : DataFrame
        As `read_trials` gives it, or any table; its row labels are not written.
    path : str or Path
        ``.csv`` or ``.xlsx``. A file of that name is replaced, whole or not at all.

    Returns
    -------
    Path
        Where it was written.

    Raises
    ------
    RecordsError
        Another kind of file, or the file cannot be written; what was there stays.

    Notes
    -----
    Text that a spreadsheet could take for a formula gets an apostrophe in front, which
    `read_trials` takes off again; numbers are written as they are.

    Examples
    --------
    >>> import tempfile
    >>> import pandas as pd
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     path = write_trials(pd.DataFrame({"reason": ["=1+1"], "gloss_20": [84.5]}), Path(folder, "t.csv"))
    ...     print(path.read_text("utf-8-sig"))
    reason,gloss_20
    '=1+1,84.5
    >>> write_trials(pd.DataFrame(), "trials.ods")
    Traceback (most recent call last):
        ...
    finishlab.errors.RecordsError: trials.ods is an open-document workbook, which is not written. Use .csv or .xlsx.
    """
    path = Path(path)
    writer = _WRITERS.get(path.suffix.lower())
    if writer is None:
        raise RecordsError(_wrong_kind(path, "written"))
    try:
        data = writer(table)
    except UnicodeEncodeError as error:
        broken = ascii(error.object[error.start : error.end])
        raise RecordsError(
            f"{path.name} was not written: a text has a broken letter ({broken}). Type that text again."
        ) from None
    write_whole(path, data)
    return path


def write_whole(path: Path, data: bytes) -> None:
    """
    Write a file whole or not at all: beside it first, then in its place.

    Parameters
    ----------
    path : Path
    data : bytes

    Raises
    ------
    RecordsError
        It cannot be written; what was there stays as it was.
    """
    beside = path.with_name(f".{path.name}.{secrets.token_hex(4)}")
    try:
        try:
            with beside.open("xb") as file:
                file.write(data)
                file.flush()
                os.fsync(file.fileno())
            beside.replace(path)
        finally:
            beside.unlink(missing_ok=True)
    except OSError as error:
        raise RecordsError(
            f"{path.name} was not written in {path.parent} ({error.strerror}). Close it in other programs, look at "
            "the folder and its free space, and write again; what was there is as it was."
        ) from None


def _wrong_kind(path: Path, done: str) -> str:
    kind = _OTHERS.get(
        path.suffix.lower(), f"of kind '{path.suffix}'" if path.suffix else "without an ending"
    )
    if done == "read":
        return f"{path.name} is {kind}, which is not read. Save the trials as .xlsx or .csv."
    return f"{path.name} is {kind}, which is not written. Use .csv or .xlsx."
