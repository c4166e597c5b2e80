"""CSV files in and out.

Reading takes what spreadsheets and meters write: commas, semicolons or tabs, with or
without a mark of the encoding. Writing follows RFC 4180, in UTF-8 with its mark so that
spreadsheets show every letter. What the cells mean is not asked here.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

from finishlab.errors import RecordsError
from finishlab.records.sheets.sheet import Sheet, from_rows, guarded

if TYPE_CHECKING:
    import pandas as pd

#: Largest CSV file that is opened; some 400,000 trials.
MOST_BYTES = 100 * 2**20

_MARKS = ((b"\xef\xbb\xbf", "utf-8-sig"), (b"\xff\xfe", "utf-16"), (b"\xfe\xff", "utf-16"))


def read_csv(path: Path) -> Sheet:
    """
    Return a CSV file as a sheet.

    Parameters
    ----------
    path : Path

    Returns
    -------
    Sheet

    Raises
    ------
    RecordsError
        The file is too large, empty, not text, or a quote in it is not closed.
    """
    with path.open("rb") as file:
        data = file.read(MOST_BYTES + 1)
    if len(data) > MOST_BYTES:
        raise RecordsError(
            f"{path.name} is larger than {MOST_BYTES // 2**20} MB, more than a trial sheet can be. "
            "Save only the trials, or split the file."
        )
    text, cautions = decoded(data, path.name)
    separator, text = separator_of(text)
    sheet = from_rows(_rows(text, separator, path.name), path.name, parted=True)
    sheet.cautions += cautions
    sheet.semicolons = separator == ";"
    sheet.extras_typed = False
    return sheet


def decoded(data: bytes, name: str) -> tuple[str, list[str]]:
    """Return the text of a file in whichever encoding it is, and a caution where that was a guess."""
    encoding = next((e for mark, e in _MARKS if data.startswith(mark)), "")
    if not encoding and b"\0" in data[:1000]:
        # Text of a spreadsheet in two bytes a letter, whose mark was lost: one byte in two is zero.
        encoding = "utf-16-be" if data[:1] == b"\0" else "utf-16-le"
    try:
        return data.decode(encoding or "utf-8"), []
    except UnicodeDecodeError as error:
        if encoding:
            raise RecordsError(
                f"{name} is not text a spreadsheet can read ({error.reason} at byte {error.start}). Save it as CSV, UTF-8."
            ) from None
    caution = f"{name} is not UTF-8; it was read as Windows-1252. Look at letters beyond a to z, as in µ or °, and save as CSV UTF-8 if they are wrong."
    return data.decode("cp1252", errors="replace"), [caution]


def separator_of(text: str) -> tuple[str, str]:
    """Return what parts the cells, and the text without the line some spreadsheets put first to say so."""
    first, _, rest = text.partition("\n")
    if len(named := first.strip().lower()) == 5 and named.startswith("sep="):
        return named[4], rest
    heading = next((line for line in text.splitlines() if line.strip()), "")
    return max(",;\t", key=heading.count), text


def _rows(text: str, separator: str, name: str) -> Iterator[tuple[int, list[Any]]]:
    # Strict, because an unclosed quote would otherwise swallow the trials below it unseen.
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=separator, strict=True)
    number = 0
    try:
        for number, row in enumerate(reader, start=1):
            yield number, row
    except csv.Error as error:
        limit = "field larger" in str(error)
        found = "has a cell far too long" if limit else f"has a quote that does not fit ({error})"
        raise RecordsError(
            f"{name}: row {number + 1} {found}, from line {reader.line_num} or above. Close every quote you open, "
            "and double a quote inside quotes. Mend that place first; other mistakes are listed once it reads."
        ) from None


def csv_bytes(table: pd.DataFrame) -> bytes:
    """
    Return a table as the bytes of a CSV file that no spreadsheet runs as formulas.

    Parameters
    ----------
    table : DataFrame

    Returns
    -------
    bytes
        UTF-8 with its mark, lines ended as RFC 4180 says, numbers in full precision.

    References
    ----------
    RFC 4180, section 2: comma, CRLF, quotes around cells that hold either, quotes doubled.

    Examples
    --------
    >>> import pandas as pd
    >>> csv_bytes(pd.DataFrame({"panel": [1], "reason": ["=1+1, twice"]})).decode("utf-8-sig")
    'panel,reason\\r\\n1,"\\'=1+1, twice"\\r\\n'
    """
    import pandas as pd

    columns: dict[int, Any] = {}
    for j in range(len(table.columns)):
        column = table.iloc[:, j]
        if column.dtype.kind == "M":
            columns[j] = column.astype(str).where(column.notna(), None)
        elif column.dtype.kind in "biuf":
            columns[j] = column
        else:
            # As objects, since whole numbers with a gap among them would otherwise get a decimal point.
            cells = [guarded(str(v)) if isinstance(v, str) else v for v in column.astype(object)]
            columns[j] = pd.Series(cells, index=table.index, dtype=object)
    written = pd.DataFrame(columns, index=table.index)
    written.columns = [guarded(str(c)) for c in table.columns]
    return written.to_csv(index=False, lineterminator="\r\n").encode("utf-8-sig")
