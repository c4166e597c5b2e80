"""Checking a trial table: the rules in their order, then the clean table.

The rules are in `headings.py`, `value_rules.py`, `film_rules.py` and `trial_rules.py`. All
run on every sheet, so that every mistake is answered at once; only then is anything taken.
"""

from __future__ import annotations

import math
import re
from typing import TYPE_CHECKING, Any

import numpy as np

from finishlab.errors import RecordsError
from finishlab.records.sheets import trial_rules, value_rules
from finishlab.records.sheets.cells import each_once
from finishlab.records.sheets.draft import Draft
from finishlab.records.sheets.film_rules import film
from finishlab.records.sheets.headings import headings
from finishlab.records.sheets.sheet import Sheet, from_table
from finishlab.records.sheets.trial_rules import trial_settings

if TYPE_CHECKING:
    import pandas as pd

    from finishlab.study import Study

#: Each takes the draft, in this order: status needs the readings, most others the status.
_RULES = (
    headings,
    trial_rules.trial_words,
    value_rules.measured,
    trial_rules.trial_status,
    trial_settings,
    value_rules.whole_minutes,
    value_rules.gloss,
    value_rules.repeats,
    value_rules.taken_as_means,
    value_rules.faults,
    value_rules.haze,
    film,
    value_rules.minutes,
    trial_rules.burns,
    trial_rules.doubles,
    trial_rules.required,
    trial_rules.whole_table,
)
_TRIAL_RULES = tuple(r for r in _RULES if r not in (headings, trial_rules.doubles, trial_rules.whole_table))
_WHOLE = re.compile(r"0|-?[1-9][0-9]{0,14}")


def check_trials(table: pd.DataFrame, study: Study) -> tuple[pd.DataFrame, tuple[str, ...]]:
    """
    Check a trial table and return it clean, with its cautions.

    Parameters
    ----------
    table : DataFrame
        One row a trial. Needed: the factors, `panel`, `minutes`, the goal's responses, or
        their repeats as ``gloss_20_1``, ``gloss_20_2``. Film may be given in mil, as
        ``film_before_mil``. It is not changed.
    study : Study

    Returns
    -------
    trials : DataFrame
        The columns given, in their order, and those made: the mean of repeats under the
        plain name, `status`, `removed_um` (µm), `haze` under ASTM D4039. Factors have the
        study's levels, None where a step is left out; measured columns are floats; text is
        None where empty; a spoiled trial stays as it was logged. Rows without any value
        are dropped. Row labels stay, unless they are not unique.
    cautions : tuple of str
        What stands but deserves care; also in ``trials.attrs["cautions"]``.

    Raises
    ------
    RecordsError
        All mistakes at once, each with row and column, what was found, what was wanted and
        what to do. Rows count as in a sheet, from 2 below the headings.

    References
    ----------
    Bounds for gloss: `finishlab.trade.optics.highest_clear_gloss`. One mil is 25.4 µm, exactly.

    Examples
    --------
    >>> import pandas as pd
    >>> from finishlab.records.columns import _example
    >>> table = pd.DataFrame({
    ...     "panel": [1, 1], "cut_passes": [2, 4], "minutes": [5.5, 8.0],
    ...     "gloss_20_1": [80.0, 83.5], "gloss_20_2": [81.0, None]})
    >>> trials, cautions = check_trials(table, _example())
    >>> trials[["gloss_20", "status"]]
       gloss_20 status
    0      80.5   done
    1      83.5   done
    >>> cautions
    ()

    A mistake names its row, its column and what to do:

    >>> check_trials(table.assign(panel=[1, None]), _example())
    Traceback (most recent call last):
        ...
    finishlab.errors.RecordsError: The trial table has 1 mistake; nothing of it was taken.
      - row 3 (index 1), panel: is empty. Write which test panel the patch is on.
    """
    return check_sheet(from_table(table), study)


def check_sheet(sheet: Sheet, study: Study) -> tuple[pd.DataFrame, tuple[str, ...]]:
    """
    Check a sheet as read from a file or table; see `check_trials`.

    Parameters
    ----------
    sheet : Sheet
    study : Study

    Returns
    -------
    trials : DataFrame
    cautions : tuple of str

    Raises
    ------
    RecordsError
        All mistakes at once.
    """
    draft = judged(sheet, study)
    draft.mistakes.raise_any(sheet.name)
    return taken(draft)


def judged(sheet: Sheet, study: Study, accepted: dict[str, set[Any]] | None = None) -> Draft:
    """Return a sheet with everything that is wrong with it, all rules heard; `accepted` as in `Draft`."""
    if not sheet.cells and not sheet.mistakes:
        raise RecordsError(f"{sheet.name} is empty. Write one row of headings and one row for each trial.")
    draft = Draft.of(sheet, study)
    draft.accepted = accepted or {}
    if not draft.size:
        draft.mistakes.sheet("there are headings but no trials. Write one row for each trial.")
        headings(draft)
    else:
        for rule in _RULES:
            rule(draft)
    return draft


def judged_trial(sheet: Sheet, study: Study, accepted: dict[str, set[Any]] | None = None) -> Draft:
    """Return trials of the record book judged one by one: headings are the book's own, doubles it never has."""
    draft = Draft.of(sheet, study)
    draft.accepted = accepted or {}
    for rule in _TRIAL_RULES:
        rule(draft)
    return draft


def taken(draft: Draft) -> tuple[pd.DataFrame, tuple[str, ...]]:
    """
    Return the clean table of a sheet without mistakes, and its cautions.

    Parameters
    ----------
    draft : Draft
        As `judged` leaves it.

    Returns
    -------
    trials : DataFrame
    cautions : tuple of str
    """
    sheet = draft.sheet
    table = _table(draft)
    if draft.outside.any():
        table["status"] = table["status"].mask(draft.outside, trial_rules.OUTSIDE)
    draft.caution(
        _avoided(table, draft), "A combination that the study avoids was run in {rows}; the trials are used."
    )
    # What the reading of a file had to decide stays true of the table however it is checked again.
    of_file = [*sheet.attrs.get("file_cautions", ()), *sheet.cautions, *draft.numbers.cautions()]
    cautions = tuple(dict.fromkeys([*of_file, *draft.cautions]))
    table.attrs = {
        **sheet.attrs, "source": sheet.source, "file_cautions": tuple(of_file), "cautions": cautions,
    }  # fmt: skip
    return table, cautions


def _avoided(table: pd.DataFrame, draft: Draft) -> np.ndarray:
    """Return the trials, not spoiled, that an avoided combination rules out."""
    out = np.zeros(draft.size, bool)
    judged = ~draft.spoiled & ~draft.outside
    if draft.study.avoid and judged.any():
        basis = draft.study.basis
        out[judged] = ~basis.admissible(basis.values(table.loc[judged]))
    return out


def _table(draft: Draft) -> pd.DataFrame:
    """Return the clean columns in the order of the sheet, each mean before its repeats, the rest last."""
    import pandas as pd

    index = pd.RangeIndex(draft.size) if draft.sheet.index is None else draft.sheet.index
    columns: dict[str, Any] = {}
    for heading, column in draft.columns.items():
        for name in (column.mean, heading):
            if name in draft.clean:
                columns.setdefault(name, draft.clean[name])
        if column.role == "extra":
            columns[heading] = _extra(draft.sheet, heading)
    columns.update({n: c for n, c in draft.clean.items() if n not in columns})
    made = {
        n: pd.Series(c, dtype=c.dtype).set_axis(index) if isinstance(c, np.ndarray) else c
        for n, c in columns.items()
    }
    return pd.DataFrame(made, index=index)


def _extra(sheet: Sheet, heading: str) -> Any:
    """Return a column of the shop's own: as it was in a table or workbook, numbers told from text in a CSV."""
    import pandas as pd

    if heading in sheet.series:
        return sheet.series[heading]
    cells = sheet.cells[heading]
    if not sheet.extras_typed:
        turned = each_once(cells, _value)
        if not (turned == _TEXT).any():
            cells = turned
    return pd.Series(cells.tolist())  # pandas tells numbers, dates and text apart as everywhere else


_TEXT = "text"


def _value(text: str) -> Any:
    """Return what a text stands for if writing it again gives the same text, else that it is text."""
    if _WHOLE.fullmatch(text):
        return int(text)
    if text in ("True", "False"):
        return text == "True"
    try:
        number = float(text)
    except ValueError:
        return _TEXT
    return number if math.isfinite(number) and repr(number) == text else _TEXT
