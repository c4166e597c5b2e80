"""The list below every page: what was logged today, in plain words, each line with a way to correct it.

The book keeps its entries with the names of its columns, so that they can be searched; a
technician reads words.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from finishlab.bench.forms.correction import column_words
from finishlab.bench.forms.page_parts import Part, action
from finishlab.bench.forms.session import Session
from finishlab.records.columns import understand
from finishlab.study import Study
from finishlab.words.show import plain_number

if TYPE_CHECKING:
    import pandas as pd

#: A number with more decimals than anyone typed.
_LONG = re.compile(r"[0-9]+\.[0-9]{3,}")


def today(table: pd.DataFrame, session: Session, study: Study) -> Part:
    """Return what was logged today, newest first."""
    rows = []
    for line in table.to_dict("records"):
        row = {str(k): v for k, v in line.items()}
        if row["what"] == "planned":  # the day's plan is not the day's work
            continue
        trial = _number(row["trial"])
        rows.append(
            {
                "cells": [f"{row['when']:%H:%M}", _text(trial), _text(row["who"]), said(row, session, study)],
                "action": action("correct", "Correct", arg=trial) if _text(trial) else None,
            }
        )
    return {
        "is": "table",
        "title": "Logged today",
        "columns": ["when", "trial", "who", "what"],
        "rows": rows,
        "none": "Nothing yet.",
    }


def said(row: Mapping[str, Any], session: Session, study: Study) -> str:
    """
    Return an entry of the book in words.

    Examples
    --------
    >>> from finishlab.records.columns import _example
    >>> row = {"what": "amended gloss_20_2", "before": "843", "after": "84.3333333", "reason": "slip"}
    >>> said(row, Session(), _example())
    'corrected 20° gloss after cut, 2: 84.33 instead of 843 (slip)'
    >>> said({"what": "started", "before": None, "after": "cut_passes 2", "reason": None}, Session(), _example())
    'started: cut passes 2'
    """
    what, before, after = _text(row["what"]), _text(row["before"]), _text(row["after"])
    reason = f" ({_text(row['reason'])})" if _text(row["reason"]) else ""
    if what.startswith("amended "):
        name = what.removeprefix("amended ")
        change = f"{after} instead of {before}"
        hidden = session.blind and name in study.settings
        return f"corrected {_plain(name, study)}: {'settings hidden' if hidden else _plain(change, study)}{reason}"
    if what == "started":
        if session.blind:
            return "started: settings hidden"
        differs = f"; not as planned: {_plain(before, study)}" if before else ""
        return f"started: {_plain(after, study)}{differs}{reason}"
    if what.startswith("worked "):
        return f"{_plain(what.removeprefix('worked '), study)} worked" + (
            f": {_short(after)} min" if after else ""
        )
    if what.startswith("read after "):
        return _short(f"read {after}")
    if what == "finished":
        return _short(after or "done")
    if what == "meter checked":  # what to do about it was said when it was saved
        after = f"{after.partition('. ')[0].rstrip('.')}."
    return _short(f"{what}: {after}" if after and after != what else what) + reason


def _number(value: Any) -> Any:
    """Return a trial's number whole also where a line without one stands in the same column."""
    return int(value) if isinstance(value, float) and value == value else value


def _text(value: Any) -> str:
    return "" if value is None or value != value else str(value)


def _plain(text: str, study: Study) -> str:
    """Return a text with its columns' names as words and its numbers short."""

    def words(found: re.Match[str]) -> str:
        name = found[0]
        if name in study.settings:
            return study.settings[name].label()
        column = understand([name], study)[name]
        return name if column.role not in ("reading", "film", "minutes") else column_words(column)

    return _short(re.sub(r"[a-z][a-z0-9]*(?:_[a-z0-9]+)+", words, text))


def _short(text: str) -> str:
    return _LONG.sub(lambda found: plain_number(round(float(found[0]), 2)), text)
