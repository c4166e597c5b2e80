"""XLSX workbooks in and out.

An XLSX file is a zip of XML parts, so it is looked at before it is opened: how large it
gets, whether it carries macros or a password. Formulas are never run; only values stored
by the spreadsheet that saved the file are taken. What the cells mean is not asked here.
"""

from __future__ import annotations

import datetime as dt
import io
import itertools
import math
import re
import warnings
import zipfile
import zlib
from pathlib import Path
from typing import TYPE_CHECKING, Any

from finishlab.errors import RecordsError
from finishlab.records.sheets.sheet import MOST_COLUMNS, Formula, Sheet, from_rows, guarded, letters

if TYPE_CHECKING:
    import pandas as pd

#: Largest workbook, unpacked, that is opened.
MOST_BYTES = 200 * 2**20
_MOST_PARTS = 5000
#: Limits of the format (ECMA-376; from memory).
_MOST_ROWS = 1_048_576
_MOST_IN_CELL = 32_767
#: The worksheet taken when a workbook has several.
SHEET = "trials"
#: Worksheets that a run sheet has beside its trials; nothing is read from them.
BESIDE = ("read first", "choices")

# Files that begin so are the older binary container: an .xls, or an .xlsx under a password.
_OLD_CONTAINER = b"\xd0\xcf\x11\xe0"
# How the format writes letters that XML cannot hold (ECMA-376 part 1, ST_Xstring; from memory).
_ESCAPED = re.compile("_x([0-9A-Fa-f]{4})_")
_NOT_XML = re.compile("[\x00-\x08\x0b-\x1f\ud800-\udfff\ufffe\uffff]|_(?=x[0-9A-Fa-f]{4}_)")


def read_xlsx(path: Path) -> Sheet:
    """
    Return the trials of a workbook as a sheet.

    Parameters
    ----------
    path : Path

    Returns
    -------
    Sheet
        Of the worksheet named ``trials``, else the first that is not empty.

    Raises
    ------
    RecordsError
        The file is no workbook, too large unpacked, under a password, has macros, or is
        empty.
    """
    formulas = _looked_at(path)
    title, rows, others = _filled(path, values=True)
    if formulas:
        _, texts, _ = _filled(path, values=False, title=title)
        for row, text in zip(rows, texts, strict=True):
            row.extend([None] * (len(text) - len(row)))
            for j, formula in enumerate(text):
                if row[j] is None and isinstance(formula, str) and formula.startswith("="):
                    row[j] = Formula(formula)
    sheet = from_rows(enumerate(rows, start=1), path.name, parted=False)
    if others := [title for title in others if title not in BESIDE]:
        sheet.cautions.append(
            f"{path.name} has more than one worksheet with cells; '{title}' was read, not {', '.join(others)}."
        )
    return sheet


def _looked_at(path: Path) -> bool:
    """Refuse what must not be opened; return whether any formula is in the workbook."""
    with path.open("rb") as file:
        if file.read(4) == _OLD_CONTAINER:
            raise RecordsError(
                f"{path.name} is under a password, or is an older workbook named .xlsx. "
                "Open it in a spreadsheet and save it as .xlsx without a password."
            )
    try:
        with zipfile.ZipFile(path) as archive:
            parts = archive.infolist()
            size = sum(p.file_size for p in parts)
            if size > MOST_BYTES or len(parts) > _MOST_PARTS:
                raise RecordsError(
                    f"{path.name} unpacks to {size / 2**20:,.0f} MB in {len(parts)} parts; a trial sheet of at most "
                    f"{MOST_BYTES // 2**20} MB is opened. Save only the trials, without pictures, or as CSV."
                )
            if any(p.flag_bits & 1 for p in parts):
                raise RecordsError(f"{path.name} is under a password. Save it without one.")
            names = {p.filename for p in parts}
            if any(n.endswith("vbaProject.bin") for n in names):
                raise RecordsError(f"{path.name} carries macros. Save it as .xlsx, which has none.")
            if "[Content_Types].xml" not in names:
                raise RecordsError(
                    f"{path.name} is a zip but not a workbook. Save the sheet as .xlsx or .csv."
                )
            formulas = [_scanned(archive, n, path.name) for n in names if "/media/" not in n]
            return any(formulas)
    except (zipfile.BadZipFile, zlib.error, NotImplementedError, EOFError) as error:
        raise RecordsError(
            f"{path.name} is not a workbook, or is damaged ({error}). Save the sheet again as .xlsx or .csv."
        ) from None


def _scanned(archive: zipfile.ZipFile, part: str, name: str) -> bool:
    """Refuse a part that defines text of its own, which could grow without end; return whether it has a formula."""
    found = False
    with archive.open(part) as file:
        tail = b""
        while block := file.read(2**20):
            text = tail + block
            # The packaging standard forbids these definitions (ECMA-376 part 2; from memory).
            if b"<!DOCTYPE" in text or b"<!ENTITY" in text:
                raise RecordsError(
                    f"{name} defines text of its own, which no spreadsheet does. It is not opened."
                )
            found = found or any(start in text for start in (b"<f>", b"<f ", b":f>", b":f "))
            tail = block[-8:]
    return found


def _filled(path: Path, *, values: bool, title: str = "") -> tuple[str, list[list[Any]], list[str]]:
    """Return title and rows of the worksheet to take, and the titles of others that have cells."""
    import openpyxl

    found: dict[str, list[list[Any]]] = {}
    try:
        with path.open("rb") as file, warnings.catch_warnings():
            # openpyxl warns of drawings and styles it leaves aside; a date out of range it gives as the text
            # of an error, which is answered as such.
            warnings.simplefilter("ignore", UserWarning)
            book = openpyxl.load_workbook(file, read_only=True, data_only=values, keep_links=False)
            try:
                sheets = [w for w in book.worksheets if not title or w.title == title]
                for sheet in sorted(sheets, key=lambda w: w.title.strip().lower() != SHEET):
                    rows = _cells(sheet, first=100 if found else None)
                    if any(any(v is not None for v in row) for row in rows):
                        found[sheet.title] = rows
            finally:
                book.close()
    except RecordsError as error:
        raise RecordsError(f"{path.name} {error}") from None
    except Exception as error:  # openpyxl lets a damaged file fail with whatever its XML reader met
        raise RecordsError(
            f"{path.name} cannot be read as a workbook ({type(error).__name__}). "
            "Open it in a spreadsheet and save it again as .xlsx or .csv."
        ) from None
    if not found:
        raise RecordsError(f"{path.name} is empty. Write one row of headings and one row for each trial.")
    taken, *others = found
    return taken, found[taken], others


def _cells(sheet: Any, first: int | None) -> list[list[Any]]:
    """Return the rows of a worksheet, or the first few, without empty cells at their ends."""
    sheet.reset_dimensions()  # the size a file states for itself may be wrong, or enormous
    rows: list[list[Any]] = []
    for row in itertools.islice(sheet.iter_rows(values_only=True), first or _MOST_ROWS + 1):
        width = len(row)
        while width and row[width - 1] is None:
            width -= 1
        if width > MOST_COLUMNS or len(rows) == _MOST_ROWS:
            raise RecordsError(
                f"has cells beyond column {letters(MOST_COLUMNS - 1)} or row {_MOST_ROWS}, which no trial sheet has. "
                "Delete what is not trials, and save it again."
            )
        rows.append([_unescaped(v) if isinstance(v, str) and "_x" in v else v for v in row[:width]])
    return rows


def _unescaped(text: str) -> str:
    return _ESCAPED.sub(lambda found: chr(int(found[1], 16)), text)


def xlsx_bytes(table: pd.DataFrame) -> bytes:
    """
    Return a table as the bytes of a workbook that no spreadsheet runs as formulas.

    Parameters
    ----------
    table : DataFrame

    Returns
    -------
    bytes
        One worksheet, ``trials``, with its headings in view; numbers in full precision.

    Raises
    ------
    RecordsError
        A text is longer, or the table has more rows, than the format holds.
    """
    import openpyxl
    from openpyxl.cell import WriteOnlyCell

    if len(table) >= _MOST_ROWS:
        raise RecordsError(
            f"{len(table)} trials are more than an .xlsx sheet holds ({_MOST_ROWS - 1}). Write a .csv."
        )
    names = [str(c) for c in table.columns]
    columns = [
        [safe_text(v, i, n) for i, v in enumerate([n, *_plain(table.iloc[:, j])], 1)]
        for j, n in enumerate(names)
    ]
    book = openpyxl.Workbook(write_only=True)
    sheet = book.create_sheet(SHEET)
    sheet.freeze_panes = "A2"

    def cell(value: Any) -> Any:
        # openpyxl itself keeps 16 digits, one too few for some numbers, and drops the point of whole
        # ones; and it takes some texts for errors.
        if not isinstance(value, float | str):
            return value
        made = WriteOnlyCell(sheet, value if isinstance(value, str) else repr(value))
        made.data_type = "s" if isinstance(value, str) else "n"
        return made

    for row in zip(*columns, strict=True):
        sheet.append([cell(value) for value in row])
    file = io.BytesIO()
    book.save(file)
    return file.getvalue()


def safe_text(value: Any, row: int, column: str) -> Any:
    """Return text guarded and free of letters that XML cannot hold; anything else as it is."""
    if not isinstance(value, str):
        return value
    text = _NOT_XML.sub(lambda m: f"_x{ord(m[0]):04X}_", guarded(value))
    if len(text) > _MOST_IN_CELL:
        raise RecordsError(
            f"row {row}, {column}: the text has {len(text)} letters, and an .xlsx cell holds {_MOST_IN_CELL}. "
            "Shorten it, or write a .csv."
        )
    return text


def _plain(column: pd.Series) -> list[Any]:
    """Return the cells of a column as what a workbook can hold: text, number, truth value, date or None."""
    if column.dtype.kind in "biu" and not column.isna().any():
        return column.tolist()
    return [_plain_cell(v) for v in column.astype(object)]


def _plain_cell(value: Any) -> Any:
    import pandas as pd

    if pd.isna(value):
        return None
    if isinstance(value, dt.datetime):
        moment = value.to_pydatetime(warn=False) if hasattr(value, "to_pydatetime") else value
        return moment.isoformat(" ") if moment.tzinfo else moment
    if hasattr(value, "item"):
        value = value.item()
    if isinstance(value, bool | int | str | dt.date | dt.time):
        return value
    return value if isinstance(value, float) and math.isfinite(value) else str(value)
