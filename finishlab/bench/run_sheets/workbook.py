"""A run sheet as a workbook: drop-downs, locked headings, a hint in every cell to fill in.

The headings are the names of a trial table, so that the filled file comes back through
`read_trials` as it is. The lock has no password: it keeps a slip of the hand out, nobody
else. Levels stand in a worksheet of their own, because a list inside a rule may hold no
comma and only 255 letters.
"""

from __future__ import annotations

import io
import textwrap
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from finishlab.bench.run_sheets.run_sheet_facts import PLACE, Blank, blanks, own_columns, rules, words
from finishlab.records.sheets.sheet import letters
from finishlab.records.sheets.xlsx_file import BESIDE, SHEET, safe_text
from finishlab.study import Study
from finishlab.words import show

if TYPE_CHECKING:
    from openpyxl.worksheet.worksheet import Worksheet

#: Empty rows below the planned ones, for patches worked anew.
SPARE = 4
#: Most letters of a hint and of its heading, by the format (ECMA-376, from memory).
_HINT, _HINT_HEADING = 255, 32
_GREY = "E7E6E6"
#: Height of a line of text and of a row that a finger finds, in points.
_LINE, _TOUCH = 15.0, 22.0
#: Letters on a line of a printed page.
_PAGE = 80


def workbook_bytes(rows: list[dict[str, Any]], study: Study, read: Mapping[str, tuple[str, ...]]) -> bytes:
    """
    Return the run sheet as the bytes of a workbook.

    Parameters
    ----------
    rows : list of dict
        As `facts.checked` gives them.
    study : Study
    read : mapping of str -> tuple of str
        As `facts.read_after` gives it.
    """
    import openpyxl

    book = openpyxl.Workbook()
    sheet = book.active
    assert sheet is not None
    sheet.title = SHEET
    place = [n for n in PLACE if any(row.get(n) is not None for row in rows)]
    fill = [*blanks(study, read), *own_columns(rows, study, read)]
    names = [*place, *(b.column for b in fill)]
    for j, name in enumerate(names, start=1):
        _put(sheet, 1, j, name, heading=True)
        for i in range(len(rows) + SPARE):
            value = rows[i].get(name) if i < len(rows) else None
            _put(sheet, i + 2, j, value, locked=j <= len(place) and i < len(rows))
    _layout(sheet, place, names)
    choices = book.create_sheet(BESIDE[1])
    choices.sheet_state = "hidden"
    for j, blank in enumerate(fill, start=len(place) + 1):
        _rule(sheet, choices, blank, f"{letters(j - 1)}2:{letters(j - 1)}{len(rows) + SPARE + 1}")
    _read_first(book.create_sheet(BESIDE[0]), study)
    file = io.BytesIO()
    book.save(file)
    return file.getvalue()


def _put(
    sheet: Worksheet, row: int, column: int, value: Any, *, heading: bool = False, locked: bool = True
) -> None:
    """Write one cell; text is text whatever it begins with."""
    from openpyxl.styles import Alignment, Border, Font, PatternFill, Protection, Side

    if hasattr(value, "item"):
        value = value.item()
    if value is not None and not isinstance(value, bool | int | float):
        value = safe_text(str(value), row, letters(column - 1))
    cell = sheet.cell(row, column, value)
    if isinstance(value, str):
        cell.data_type = "s"
    line = Side(style="thin", color="808080")
    cell.border = Border(left=line, right=line, top=line, bottom=line)
    cell.protection = Protection(locked=locked or heading)
    cell.alignment = Alignment(wrap_text=True, vertical="center", horizontal="center" if heading else None)
    if locked or heading:
        cell.fill = PatternFill("solid", start_color=_GREY)
    if heading:
        cell.font = Font(bold=True)


def _layout(sheet: Worksheet, place: list[str], names: list[str]) -> None:
    sheet.protection.sheet = True
    sheet.protection.formatColumns = False  # widths may be changed
    sheet.protection.formatRows = False
    shown_first = [n for n in place if n != "why"]
    sheet.freeze_panes = f"{letters(len(shown_first))}2"
    sheet.row_dimensions[1].height = 48
    for j, name in enumerate(names):
        least = 30 if name in ("why", "reason") else 8 if name in place else 12
        sheet.column_dimensions[letters(j)].width = max(least, len(name) + 3)  # headings are not broken
    for row in range(2, sheet.max_row + 1):
        whys = [str(sheet.cell(row, names.index("why") + 1).value or "")] if "why" in names else []
        sheet.row_dimensions[row].height = max([_TOUCH, *(_height(why, 30) for why in whys)])
    _as_wide_as_the_page(sheet)
    sheet.print_title_rows = "1:1"


def _height(text: str, width: int) -> float:
    """Return the height of a row whose text wraps; a spreadsheet sets it itself only when someone types there."""
    return _LINE * max(1, len(textwrap.wrap(text, width)))


def _as_wide_as_the_page(sheet: Worksheet) -> None:
    sheet.page_setup.orientation = "landscape"
    sheet.page_setup.fitToWidth, sheet.page_setup.fitToHeight = 1, 0
    sheet.sheet_properties.pageSetUpPr.fitToPage = True


def _rule(sheet: Worksheet, choices: Worksheet, blank: Blank, cells: str) -> None:
    """Say what belongs in the cells of a column, and refuse what cannot be."""
    from openpyxl.worksheet.datavalidation import DataValidation

    w = words()["workbook"]
    rule = DataValidation(allow_blank=True, showInputMessage=True, showErrorMessage=True)
    hint = blank.hint
    if blank.choices:
        column = choices.max_column + 1 if choices["A1"].value is not None else 1
        for i, choice in enumerate(blank.choices, start=1):
            _put(choices, i, column, choice)
        rule.type = "list"
        name = letters(column - 1)
        rule.formula1 = f"'{choices.title}'!${name}$1:${name}${len(blank.choices)}"
        refused = w["choose"]
    elif blank.low is not None and blank.high is not None:
        rule.type, rule.operator = "whole" if blank.whole else "decimal", "between"
        rule.formula1, rule.formula2 = str(blank.low), str(blank.high)
        refused = w["number"].format(
            low=show.plain_number(blank.low), high=show.plain_number(blank.high), unit=""
        )
        hint = f"{hint}. {refused}"
    else:
        refused = ""
    rule.promptTitle, rule.prompt = blank.column[:_HINT_HEADING], hint[:_HINT]
    rule.errorTitle, rule.error = w["not_it"][:_HINT_HEADING], refused[:_HINT] or None
    rule.add(cells)
    sheet.add_data_validation(rule)


def _read_first(sheet: Worksheet, study: Study) -> None:
    """Write how to fill in, how to work, and the cautions."""
    from openpyxl.styles import Alignment, Font

    w = words()
    lines = [
        (study.title, True),
        (w["workbook"]["how"], True),
        *((line, False) for line in w["workbook"]["lines"]),
        (w["head"]["kind"], True),
        *((line, False) for line in rules(study)),
        (w["cautions"]["heading"], True),
        *((line, False) for line in [*w["cautions"]["lines"], w["head"]["common"]]),
    ]
    sheet.column_dimensions["A"].width = _PAGE  # one column is never made smaller to fit
    _as_wide_as_the_page(sheet)
    sheet.protection.sheet = True
    for i, (line, bold) in enumerate(lines, start=1):
        cell = sheet.cell(i, 1, safe_text(line, i, "A"))
        cell.data_type = "s"
        cell.alignment = Alignment(wrap_text=True, vertical="top")
        cell.font = Font(bold=bold)
        sheet.row_dimensions[i].height = _height(line, _PAGE)
