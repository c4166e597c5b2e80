"""What stands in a cell: a number, a label, a word, a date, or nothing.

A whole column is turned at once; only what does not turn at once is looked at cell by
cell, to say what is wrong with it. Whether a number makes sense for its column is not
asked here (`value_rules.py`).
"""

from __future__ import annotations

import datetime as dt
import math
import re
from collections.abc import Callable
from typing import Any

import numpy as np

from finishlab.records.columns import MIL_UM
from finishlab.records.sheets.sheet_mistakes import Mistakes
from finishlab.words.show import plain_number

_COMMA = re.compile(r"[+-]?[0-9]*,[0-9]+")
_EITHER = re.compile(r"[+-]?[1-9][0-9]{0,2},[0-9]{3}")
_THOUSANDS = re.compile(r"[+-]?[0-9]{1,3}(?:[.,'’ \u00a0\u202f][0-9]{3})+(?:[.,][0-9]+)?")
_UNIT = re.compile(r"([+-]?[0-9]+(?:[.,][0-9]+)?)\s*([^\W\d_]+|[°\"'%]+)\.?")
_CLOCK = re.compile(r"[0-9]+(?::[0-9]{2}){1,2}(?:\.[0-9]+)?")
_WHOLE = re.compile(r"0|-?[1-9][0-9]{0,17}")
# Spreadsheets know no time zones; the bench's own clock is meant.
_WITHOUT_ZONE = re.compile(r"^(.*:.*[0-9])(?:Z|[+-][0-9]{2}:?[0-9]{2})$")
_NUMBERED = re.compile(r"(-?)0*([0-9]+)(?:\.0+)?")
_DAY_FORMS = ("%d/%m/%Y", "%m/%d/%Y")
_BLANKS = " \t\r\n\u00a0\u202f"


_WANTED = "Write a number, or leave the cell empty if there was no reading."


class Numbers:
    """
    Turns columns into numbers and remembers where decimal commas were read.

    Parameters
    ----------
    mistakes : Mistakes
        Where cells that are not numbers are said.
    semicolons : bool
        True for a file whose cells are parted by semicolons, where the decimal comma is
        the rule.
    """

    def __init__(self, mistakes: Mistakes, semicolons: bool) -> None:
        self._mistakes = mistakes
        self._semicolons = semicolons
        self._commas: dict[str, str] = {}

    def read(self, cells: np.ndarray, column: str, wanted: str = _WANTED) -> np.ndarray:
        """
        Return a column as floats, NaN where a cell is empty or its mistake is said.

        Parameters
        ----------
        cells : ndarray, shape (rows,)
        column : str
            Heading, for the sentences.
        wanted : str, optional
            What to do about text that is no number at all.

        Returns
        -------
        ndarray of float, shape (rows,)
        """
        import pandas as pd
        from pandas.api.types import infer_dtype

        if cells.dtype.kind in "iuf":
            values = cells.astype(float)
        elif cells.dtype == object and infer_dtype(cells, skipna=True) in _NUMBERS_AND_TEXT:
            values = np.array(pd.to_numeric(cells, errors="coerce"), float)
        else:  # truth values, dates and clock times, which would otherwise turn into numbers
            values = np.array([_plain_number(v) for v in cells.tolist()])
        values[np.isinf(values)] = np.nan
        odd = np.flatnonzero(np.isnan(values) & ~np.asarray(pd.isna(cells), bool))
        if len(odd):
            self._odd(cells, odd, values, column, wanted)
        return values

    def cautions(self) -> list[str]:
        """Return the caution about decimal commas, if any were read."""
        if not self._commas:
            return []
        column, example = next(iter(self._commas.items()))
        others = f" and {len(self._commas) - 1} more columns" if len(self._commas) > 1 else ""
        point = example.replace(",", ".")
        return [f"Decimal commas were read as decimal points in {column} ('{example}' as {point}){others}."]

    def _odd(self, cells: np.ndarray, odd: np.ndarray, values: np.ndarray, column: str, wanted: str) -> None:
        """Look at the cells that are no plain number: fill in `values`, or say the mistake."""
        import pandas as pd

        codes, found = pd.factorize(cells[odd])
        texts = [_typed(v) for v in found]
        commas = [t for t in texts if _COMMA.fullmatch(t)]
        certain = any(not _EITHER.fullmatch(t) for t in commas)
        plain = cells[~np.isnan(values)].tolist() if commas else []
        points = any(isinstance(v, str) and "." in v for v in plain)
        read = np.full(len(found), np.nan)
        sentences: dict[int, str] = {}
        for k, text in enumerate(texts):
            if not text:
                continue
            if not _COMMA.fullmatch(text):
                sentences[k] = _not_a_number(found[k], text, wanted)
            elif points and not _EITHER.fullmatch(text):
                sentences[k] = (
                    f"'{text}' has a decimal comma where other cells of this column have a decimal point. "
                    f"Write {text.replace(',', '.')} if that is what is meant."
                )
            elif _EITHER.fullmatch(text) and not (certain and self._semicolons and not points):
                sentences[k] = (
                    f"'{text}' can be read two ways. Write {text.replace(',', '')} or {text.replace(',', '.')}."
                )
            else:
                read[k] = float(text.replace(",", "."))
                self._commas.setdefault(column, text)
        values[odd] = read[codes]
        wrong = np.zeros(len(cells), bool)
        wrong[odd[np.isin(codes, list(sentences))]] = True
        code_of = dict(zip(odd.tolist(), codes.tolist(), strict=True)) if sentences else {}
        self._mistakes.cells(column, wrong, lambda i: sentences[code_of[i]])


_NUMBERS_AND_TEXT = ("string", "integer", "floating", "mixed-integer-float", "empty")


def _plain_number(value: Any) -> float:
    """Return a number, or text of one, as float; NaN for anything else, truth values included."""
    if isinstance(value, str | int | float | np.integer | np.floating) and not isinstance(value, bool):
        try:
            return float(value)
        except ValueError:
            pass
    return math.nan


def _typed(value: Any) -> str:
    """Return a cell as a person sees it."""
    if isinstance(value, dt.time):
        return value.isoformat()
    if isinstance(value, dt.datetime):
        return value.isoformat(" ").removesuffix(" 00:00:00")
    return str(value).strip(_BLANKS)


def _not_a_number(value: Any, text: str, wanted: str) -> str:
    if isinstance(value, dt.date):
        return f"a date ({text}) stands where a number is wanted. Type the number and set the cell's format to number."
    if _CLOCK.fullmatch(text):
        return f"'{text}' is a clock time. Write a decimal number, as 7.5 for 7 minutes 30 seconds."
    if text.startswith("#"):
        return f"'{text}' is a spreadsheet's error. Mend the formula, or type the number."
    if _THOUSANDS.fullmatch(text):
        return f"'{text}' has a thousands separator. Write digits and one decimal point, as 1234.5."
    if unit := _UNIT.fullmatch(text):
        number = unit[1].replace(",", ".")
        if unit[2].lower() in ("mil", "mils"):
            return f"'{text}' has its unit in the cell; {number} mil is {plain_number(round(float(number) * MIL_UM, 1))} µm. Write only the number, in the unit of the column."
        return f"'{text}' has more than a number. Write only the number, {number}; the column says the unit."
    return f"'{text}' is not a number. {wanted}"


def labels(cells: np.ndarray) -> np.ndarray:
    """
    Return a column of labels: whole numbers if every one is, else text; None where empty.

    ``7``, ``7.0`` from a spreadsheet, ``"7"`` and ``"07"`` are the same label (`plain_label`).

    Examples
    --------
    >>> labels(np.array(["1", "2"], object))
    array([1, 2])
    >>> labels(np.array([1.0, "A2", None], object))
    array(['1', 'A2', None], dtype=object)
    """
    if cells.dtype.kind in "iu":
        return cells.astype(np.int64)
    texts = each_once(words(cells), plain_label)
    whole = each_once(texts, lambda t: int(t) if _WHOLE.fullmatch(t) else None)
    missing = texts == np.array(None)
    if not np.array_equal(missing, whole == np.array(None)):
        return texts
    return whole if missing.any() or not len(whole) else whole.astype(np.int64)


def plain_label(value: Any) -> str:
    """
    Return a label as every way in writes it: panel 01 is panel 1, and so is 1.0 of a spreadsheet.

    Examples
    --------
    >>> [plain_label(v) for v in ("01", 1.0, " 1 ", "A01", "0")]
    ['1', '1', '1', 'A01', '0']
    """
    text = str(value).strip(_BLANKS)
    found = _NUMBERED.fullmatch(text)
    return f"{found[1]}{found[2]}" if found else text


def words(cells: np.ndarray) -> np.ndarray:
    """Return a column of text without blanks around it; None where empty."""
    return each_once(cells, _word)


def _word(value: Any) -> str | None:
    if isinstance(value, float | np.floating) and float(value).is_integer():
        value = int(value)
    return str(value).strip(_BLANKS) or None


def each_once(cells: np.ndarray, turn: Callable[[Any], Any]) -> np.ndarray:
    """Return an object array with every different value turned once; None stays None."""
    import pandas as pd

    codes, uniques = pd.factorize(cells)
    turned = np.empty(len(uniques) + 1, object)
    turned[:-1] = [turn(v) for v in uniques]
    return turned[codes]


def dates(cells: np.ndarray, column: str, mistakes: Mistakes) -> np.ndarray:
    """
    Return a column as datetimes, not-a-time where empty or where a mistake is said.

    Year first is taken as it stands, day.month.year as day first. With slashes the whole
    column decides, and is refused while both orders fit. Kept to the second.

    Parameters
    ----------
    cells : ndarray, shape (rows,)
    column : str
    mistakes : Mistakes

    Returns
    -------
    ndarray of datetime64, shape (rows,)
    """
    import pandas as pd

    def parsed(texts: pd.Series, form: str) -> pd.Series:
        return pd.to_datetime(texts, format=form, errors="coerce").dt.as_unit("us")

    if cells.dtype.kind == "M":
        return pd.Series(cells).dt.round("s").dt.as_unit("us").to_numpy()
    texts = pd.Series(each_once(cells, lambda v: _WITHOUT_ZONE.sub(r"\1", _typed(v)) or None), dtype=object)
    found = parsed(texts, "ISO8601")
    found = found.where(texts.str.match(r"[0-9]{4}-[0-9]{2}-[0-9]{2}", na=False))
    found = found.fillna(parsed(texts, "%d.%m.%Y"))
    slashed = texts.str.contains("/", na=False)
    fits = [parsed(texts[slashed], form) for form in _DAY_FORMS]
    whole = [f for f in fits if f.notna().all()]
    unclear = np.zeros(len(cells), bool)
    if len(whole) == 1 or (len(whole) == 2 and whole[0].equals(whole[1])):
        found = found.fillna(whole[0])
    else:
        unclear = (slashed & found.isna()).to_numpy(bool)
    mistakes.cells(
        column,
        (texts.notna() & found.isna()).to_numpy(bool),
        lambda i: (
            f"'{texts.iloc[i]}' "
            + ("can be read as two dates" if unclear[i] else "is not a date")
            + ". Write year-month-day, as 2026-03-09."
        ),
    )
    return found.dt.round("s").to_numpy()
