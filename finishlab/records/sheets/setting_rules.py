"""Rules about settings: every trial's process in the words of the study.

Levels come out exactly as the study file has them, settings of a left-out step as None.
A spoiled trial may have been spoiled by a wrong setting, so what stands there is kept.
"""

from __future__ import annotations

import difflib
import math
from typing import Any

import numpy as np

from finishlab.errors import StudyError
from finishlab.records.sheets.cells import each_once, words
from finishlab.records.sheets.draft import Draft
from finishlab.records.sheets.trial_rules import OUTSIDE
from finishlab.study import Setting, level_of
from finishlab.trade import abrasives
from finishlab.words.show import plain_number


def trial_settings(draft: Draft) -> None:
    """Turn every setting column into levels of the study, and say which cells are none."""
    given = [s for s in draft.study.settings.values() if draft.given(s.factor)]
    read = {s.factor: _read(draft, s) for s in given}
    for step in draft.study.steps:
        amounts = read.get(step.amount.factor) if step.amount else None
        draft.left_out[step.name] = np.zeros(draft.size, bool) if amounts is None else amounts == 0
    draft.outside = np.zeros(draft.size, bool)
    for setting in given:
        amount = draft.study.step(setting.step).amount
        meant = ~draft.left_out[setting.step] if setting is not amount else np.ones(draft.size, bool)
        _finish(draft, setting, read[setting.factor], meant)


def _read(draft: Draft, setting: Setting) -> np.ndarray:
    """Return a setting's cells as numbers, or as levels where they are one and as they stand else."""
    cells = draft.sheet.cells[setting.factor]
    if setting.numeric:
        return draft.numbers.read(cells, setting.factor, _wanted(setting))

    def level(word: Any) -> Any:
        found = level_of(setting, word)
        return word if found is None else found

    return each_once(words(cells), level)


def _finish(draft: Draft, setting: Setting, values: np.ndarray, meant: np.ndarray) -> None:
    """Check one column and keep it clean; `meant` is where its step is worked."""
    empty = np.isnan(values) if setting.numeric else values == np.array(None)
    studied = _studied(setting, values)
    judged = meant & ~draft.spoiled
    if setting.held:
        # The study holds it, so an empty cell says nothing new.
        values = np.where(
            empty, np.array(setting.levels[0], object if not setting.numeric else float), values
        )
    else:
        draft.mistakes.cells(setting.factor, judged & empty, lambda _: f"is empty. {_wanted(setting)}")
    wrong = judged & ~empty & ~studied
    if wrong.any():
        outside = wrong & _earlier(draft, setting, values)
        _stand_outside(draft, setting, values, outside)
        wrong = wrong & ~outside
    draft.mistakes.cells(setting.factor, wrong, lambda i: _sentence(setting, values[i]))
    draft.clean[setting.factor] = _column(setting, values, meant)


def _studied(setting: Setting, values: np.ndarray) -> np.ndarray:
    """Return where a value is a level, or a number within the studied range."""
    if not setting.numeric:
        return np.isin(values, np.array(setting.levels, object)) if len(values) else np.zeros(0, bool)
    inside = (values >= setting.levels[0] - 1e-9) & (values <= setting.levels[-1] + 1e-9)
    return inside & (values == np.round(values)) if setting.kind == "count" else inside


def _earlier(draft: Draft, setting: Setting, values: np.ndarray) -> np.ndarray:
    """
    Return where a value was a level before the study changed.

    The record book took each of its trials under the study of its day, so whatever stands there
    was right then. In a sheet it could be a slip: the study has to say so (`no_longer`), or the
    row itself, which was written out as outside.
    """
    named = [
        *draft.study.step(setting.step).no_longer.get(setting.name, ()),
        *draft.accepted.get(setting.factor, ()),
    ]
    if setting.numeric:
        known = np.isin(values, [float(v) for v in named if v is not None])
    else:
        folded = {str(v).strip().casefold() for v in named}
        known = each_once(values, lambda v: str(v).casefold() in folded) == np.array(True)
    status = draft.sheet.cells.get("status")
    if status is not None:
        known |= each_once(words(status), lambda v: v.casefold() == OUTSIDE) == np.array(True)
    return known


def _stand_outside(draft: Draft, setting: Setting, values: np.ndarray, outside: np.ndarray) -> None:
    """Keep trials outside the question, counted and named by their level."""
    draft.outside |= outside
    for value in dict.fromkeys(values[outside].tolist()):
        count = int((outside & (values == value)).sum())
        found = plain_number(float(value)) if setting.numeric else value
        many = (
            f"{count} trials with {setting.label()} {found} stand"
            if count > 1
            else f"1 trial with {setting.label()} {found} stands"
        )
        draft.cautions.append(f"{many} outside the question, since the study no longer has it.")


def _column(setting: Setting, values: np.ndarray, meant: np.ndarray) -> np.ndarray:
    """Return the column as it goes into the table; None where the setting means nothing."""
    if not setting.numeric:
        out = values.copy()
        out[~meant] = None
        return out
    missing = np.isnan(values) | ~meant
    integers = (values == np.round(values)) & (np.abs(values) < 2**53)
    whole = setting.kind == "count" and bool(np.all(missing | integers))
    if not missing.any():
        return values.astype(np.int64) if whole else values
    out = np.empty(len(values), object)
    out[~missing] = values[~missing].astype(np.int64).tolist() if whole else values[~missing].tolist()
    return out


def _sentence(setting: Setting, value: Any) -> str:
    found = plain_number(float(value)) if setting.numeric else f"'{value}'"
    if setting.held:
        held = plain_number(float(setting.levels[0])) if setting.numeric else f"'{setting.levels[0]}'"
        return f"{found}, but the study holds it at {held}. Correct the cell, or make it a factor in the study file.{_or_outside(setting, value)}"
    if setting.numeric:
        if setting.kind == "count" and value != round(value):
            return f"{found} is not a whole number. {_wanted(setting)}"
        return f"{found} lies outside the studied {_range(setting)}. Correct it, or widen the setting in the study file.{_or_outside(setting, value)}"
    if setting.name == "grit":
        return _grit_sentence(setting, str(value)) + _or_outside(setting, value)
    folded = {level.casefold(): level for level in setting.levels}
    close = difflib.get_close_matches(str(value).casefold(), folded, n=1)
    hint = f" Did you mean '{folded[close[0]]}'?" if close else ""
    return f"{found} was not studied.{hint} {_wanted(setting)}{_or_outside(setting, value)}"


def _or_outside(setting: Setting, value: Any) -> str:
    """Say how a trial stays that was really worked so: advice to write another level would falsify it."""
    level = plain_number(float(value)) if setting.numeric else f'"{value}"'
    return (
        f" If it was really worked so, add no_longer = {{ {setting.name} = [{level}] }} to step {setting.step} of the "
        "study file: the trial then stays, outside the question."
    )


def _grit_sentence(setting: Setting, mark: str) -> str:
    """Say what is wrong with a grit, and which of the studied ones is nearest on its own scale."""
    try:
        found = abrasives.grade(mark)
    except StudyError as error:
        return f"{error} Studied are {', '.join(setting.levels)}."
    studied = [g for g in map(abrasives.grade, setting.levels) if g.system == found.system]
    if not studied:
        return f"'{mark}' is on another scale than the study's. {_wanted(setting)}"
    nearest = min(studied, key=lambda g: abs(math.log(_number(g) / _number(found))))
    return f"'{mark}' was not studied; nearest to it is {nearest.name}. {_wanted(setting)}"


def _number(grade: abrasives.Grade) -> int:
    return int(grade.name.removeprefix(grade.system))


def _wanted(setting: Setting) -> str:
    if setting.held:
        return f"The study holds it at {setting.levels[0]}."
    if setting.numeric:
        return f"Write a {'whole ' if setting.kind == 'count' else ''}number from {_range(setting)}."
    return f"Write one of: {', '.join(setting.levels)}."


def _range(setting: Setting) -> str:
    return f"{plain_number(setting.levels[0])} to {plain_number(setting.levels[-1])}"
