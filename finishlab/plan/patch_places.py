"""Whether every trial of a table says where it belongs: its panel, its patch, its place in the order.

Asked of a sheet to be worked as of trials already run. What settings a trial may have is
`finishlab.study.basis`'s business, what a finished trial must say that of `finishlab.records`.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from finishlab.errors import PlanError
from finishlab.numbers import is_number

if TYPE_CHECKING:
    import pandas as pd

#: What is asked for where a column is missing or has gaps.
_NEXT = {
    "panel": "Say on which panel each trial is run.",
    "patch": "Number the patches of each panel from 1.",
    "run_order": "Number the trials in the order of work.",
}
#: Rows shown one by one before the rest is only counted.
_SHOWN = 5


def require_places(table: pd.DataFrame, what: str, *names: str) -> None:
    """
    Refuse trials that do not say where they belong.

    Parameters
    ----------
    table : DataFrame
        One row a trial.
    what : str
        What the table is called in the sentence, as ``existing``.
    *names : str
        Of ``panel``, ``patch`` and ``run_order``.

    Raises
    ------
    PlanError
        A column is missing or empty in some rows, or a patch or place is no whole number; all at once.

    Examples
    --------
    >>> import pandas as pd
    >>> require_places(pd.DataFrame({"panel": ["1", "2"]}), "the sheet", "panel")
    >>> require_places(pd.DataFrame({"panel": ["1", None]}), "the sheet", "panel", "patch")
    Traceback (most recent call last):
        ...
    finishlab.errors.PlanError:   - the sheet: panel is empty in 1 of 2 trials (rows 1). Say on which panel each trial is run.
      - the sheet: column 'patch' is missing. Columns: panel. Number the patches of each panel from 1.
    """
    mistakes = []
    for name in names:
        if name not in table.columns:
            there = ", ".join(map(str, table.columns))
            mistakes.append(f"{what}: column '{name}' is missing. Columns: {there}. {_NEXT[name]}")
        elif (blank := table[name].isna()).any():
            rows = ", ".join(map(str, table.index[blank][:_SHOWN]))
            more = ", ..." if blank.sum() > _SHOWN else ""
            mistakes.append(
                f"{what}: {name} is empty in {blank.sum()} of {len(table)} trials (rows {rows}{more}). {_NEXT[name]}"
            )
        elif name != "panel":
            wrong = [i for i, value in enumerate(table[name].tolist()) if not _counts(value)]
            if wrong:
                first, row = table[name].tolist()[wrong[0]], table.index[wrong[0]]
                mistakes.append(f"{what}: {name} is {first!r} in row {row}. {_NEXT[name]}")
    if mistakes:
        raise PlanError(mistakes)


def _counts(value: Any) -> bool:
    """Return whether a value is a whole number, as a number or in digits."""
    return (is_number(value) and float(value).is_integer()) or (isinstance(value, str) and value.isdecimal())
