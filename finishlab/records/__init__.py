"""Trial records: what the bench logged, read from sheets, checked, and written back.

`read_trials` and `check_trials` answer every mistake of a sheet at once, by row and
column; `write_trials` writes a sheet that no spreadsheet runs as formulas; `readings_of`
gives the model one row a reading. How long or how well a patch must be worked is not
decided here.
"""

from finishlab.records.columns import readings_of

__all__ = ["readings_of"]
