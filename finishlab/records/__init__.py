"""Trial records: what the bench logged, read from sheets, checked, and written back.

`read_trials` and `check_trials` answer every mistake of a sheet at once, by row and
column; `write_trials` writes a sheet that no spreadsheet runs as formulas; `readings_of`
gives the model one row a reading. How long or how well a patch must be worked is not
decided here.

`RecordBook` keeps the bench log; it loads its database library when it is first used.

A sheet goes one way: `csv_file` or `xlsx_file` -> `sheet` -> `draft`, with the rules of
`headings`, `value_rules`, `film_rules` and `trial_rules` -> `sheet_check` -> the table.
An entry at the bench asks the same rules: `record_book` -> `entries`, `endings` or `book_import` ->
`logged_trial` and `bench_checks` -> `rows` -> `database` in a `store`.
"""

from typing import TYPE_CHECKING, Any

from finishlab.records.columns import readings_of
from finishlab.records.sheets.sheet_check import check_trials
from finishlab.records.sheets.sheet_files import read_trials, write_trials

if TYPE_CHECKING:
    from finishlab.records.book.record_book import RecordBook

__all__ = ["RecordBook", "check_trials", "read_trials", "readings_of", "write_trials"]


def __getattr__(name: str) -> Any:
    if name == "RecordBook":
        from finishlab.records.book.record_book import RecordBook

        return RecordBook
    raise AttributeError(f"module 'finishlab.records' has no name '{name}'")
