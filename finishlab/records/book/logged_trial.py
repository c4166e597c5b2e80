"""A trial as the record book has it, and as a row of the trial table.

Both ways between database rows and headings: a setting, ``gloss_20_2`` or ``cut_minutes``
stands in the book under trial, step, quantity and spot. All rules of a trial sheet are
asked here for one trial at the bench, so that a value refused in a sheet is refused there
too and the other way round. Nothing is read or written here.
"""

from __future__ import annotations

import datetime as dt
import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np

from finishlab.errors import RecordsError
from finishlab.records.columns import START, Column, understand
from finishlab.records.sheets.draft import Draft
from finishlab.records.sheets.sheet import Sheet
from finishlab.records.sheets.sheet_check import judged_trial

if TYPE_CHECKING:
    from finishlab.study import Study

#: Columns of the table of trials that are text under the same name in the trial table.
HEADS = (
    "trial", "run_order", "panel", "patch", "technician", "status", "reason", "burned_after_step"
)  # fmt: skip
#: A reading's place in the book: after which step, which quantity, which spot.
Place = tuple[str, str, int]


@dataclass
class Logged:
    """
    One trial of the book.

    Attributes
    ----------
    id : int
        Row in the table of trials.
    head : dict
        `trial`, `run_order`, `panel`, `patch`, `technician`, `status`, `reason`,
        `burned_after_step`, `minutes`, `date`.
    planned, settings, extras : dict
        Factor or heading -> value.
    readings : dict of Place to float or None
    works : dict of str to float or None
        Minutes by step, for the steps worked.
    ended : dict of str to datetime or None
        When each step worked was finished.
    joined : set of (str, str)
        Step and quantity of readings that stood alone until others joined them.
    """

    id: int
    head: dict[str, Any]
    planned: dict[str, Any] | None
    settings: dict[str, Any]
    extras: dict[str, Any] = field(default_factory=dict)
    readings: dict[Place, Any] = field(default_factory=dict)
    works: dict[str, Any] = field(default_factory=dict)
    ended: dict[str, dt.datetime | None] = field(default_factory=dict)
    joined: set[tuple[str, str]] = field(default_factory=set)

    @property
    def trial(self) -> int | str:
        """What the bench calls it."""
        return number_or_text(self.head["trial"])

    @property
    def status(self) -> str:
        """One of planned, started, done and spoiled."""
        return str(self.head["status"])

    def cells(self, study: Study) -> dict[str, Any]:
        """Return the trial as a row of the trial table, without the means of repeats."""
        out = {**self.head, **self.settings, **self.extras}
        for step, minutes in self.works.items():
            if minutes is not None:
                out[f"{step}_minutes"] = minutes
        for place, value in self.readings.items():
            if value is not None and not self._earlier_film(place, study):
                out[heading_of(place, study)] = value
        return {k: v for k, v in out.items() if v is not None}

    def _earlier_film(self, place: Place, study: Study) -> bool:
        """Return whether film after work was read again after a later step."""
        after, quantity, _ = place
        if quantity == "film_before_um":
            return False
        order = steps_of(study)
        return quantity in ("film_after_um", "removed_um") and any(
            q == quantity and v is not None and order.index(a) > order.index(after)
            for (a, q, _), v in self.readings.items()
        )


def steps_of(study: Study) -> list[str]:
    """Return ``start`` and the steps, in order."""
    return [START, *(s.name for s in study.steps)]


def number_or_text(label: str) -> int | str:
    """Return a label as the trial table has it: a whole number where it is one."""
    return int(label) if label.isdecimal() and str(int(label)) == label else label


def heading_of(place: Place, study: Study) -> str:
    """
    Return the column of the trial table in which a reading stands.

    Examples
    --------
    >>> from finishlab.records.columns import _example
    >>> heading_of(("sand", "gloss_60", 2), _example()), heading_of(("cut", "gloss_20", 0), _example())
    ('sand_gloss_60_2', 'gloss_20')
    """
    after, quantity, spot = place
    plain = quantity.endswith("_um") or after == study.steps[-1].name
    name = quantity if plain else f"{after}_{quantity}"
    return f"{name}_{spot}" if spot else name


def place_of(column: Column, study: Study) -> Place:
    """Return where the reading of a column stands in the book."""
    if column.role == "film":
        after = START if column.quantity == "film_before_um" else study.steps[-1].name
        return after, column.quantity, column.repeat
    return column.step, column.quantity, column.repeat


def required_headings(study: Study) -> list[str]:
    """Return the columns that every trial table of the study has."""
    return list(dict.fromkeys([*HEADS, *(f.factor for f in study.factors), "panel", "minutes", *study.goal]))


def judged(
    cells: Mapping[str, Any],
    study: Study,
    others: Sequence[Mapping[str, Any]] = (),
    *,
    had: Mapping[str, Any] | None = None,
) -> Draft:
    """
    Return one trial judged by every rule of a trial sheet that looks at a single trial.

    Parameters
    ----------
    cells : mapping of str to value
        The trial, by heading.
    study : Study
    others : sequence of mappings, optional
        Minutes and film of some other trials, by which units and decimal points are told.
    had : mapping, optional
        Settings that the book has of the trial: right when they were taken, whatever the study says now.

    Returns
    -------
    Draft
        The trial is its first row.
    """
    rows = [cells, *({"panel": "-", "status": "started", **o} for o in others)]
    # An empty column that no rule asks for costs time at the bench, and so does a date that is one already.
    asked = [*(f.factor for f in study.factors), "reason", "minutes", *study.goal]
    headings = dict.fromkeys([*(h for row in rows for h, v in row.items() if v is not None), *asked])
    if isinstance(cells.get("date"), dt.datetime):
        del headings["date"]
    columns = {}
    for heading in headings:
        column = np.empty(len(rows), object)
        column[:] = [row.get(heading) for row in rows]
        columns[heading] = column
    sheet = Sheet(columns, np.arange(len(rows)), trials=np.array([r.get("trial") for r in rows], object))
    return judged_trial(sheet, study, {name: {value} for name, value in (had or {}).items()})


def refuse_mistakes(draft: Draft, what: str) -> None:
    """Raise RecordsError with every mistake of the trial judged; `what` was not saved."""
    mistakes = draft.mistakes.of_row(0)
    if mistakes:
        many = f"{len(mistakes)} mistakes" if len(mistakes) > 1 else "1 mistake"
        raise RecordsError(mistakes, heading=f"{what} has {many}; nothing of it was saved.")


def clean(draft: Draft, heading: str) -> Any:
    """Return the clean value of the trial judged, as it goes into the book."""
    if heading not in draft.clean:
        return draft.sheet.cells[heading][0] if heading in draft.sheet.cells else None
    value = draft.clean[heading][0]
    if isinstance(value, np.generic):
        value = value.item()
    return None if isinstance(value, float) and np.isnan(value) else value


def split(
    cells: Mapping[str, Any], study: Study, columns: Mapping[str, Column] | None = None
) -> dict[str, dict[Any, Any]]:
    """
    Return the cells of a trial by where they stand in the book.

    Parameters
    ----------
    cells : mapping of str to value
    study : Study
    columns : mapping of str to Column, optional
        What the headings mean, where that is known for many trials at once.

    Returns
    -------
    dict
        `head`, `settings`, `extras`: heading -> value; `readings`: Place -> value;
        `works`: step -> minutes.
    """
    out: dict[str, dict[Any, Any]] = {
        "head": {}, "settings": {}, "extras": {}, "readings": {}, "works": {}
    }  # fmt: skip
    columns = columns or understand(cells, study)
    for heading, value in cells.items():
        column = columns[heading]
        if column.role == "setting":
            out["settings"][heading] = value
        elif column.role in ("reading", "film"):
            out["readings"][place_of(column, study)] = value
        elif column.role == "minutes" and column.step:
            out["works"][column.step] = value
        elif column.role == "extra":
            out["extras"][heading] = value
        else:
            out["head"][heading] = value
    return out


# --- what stands in the JSON columns -----------------------------------------------------------


def packed(values: Mapping[str, Any] | None) -> str | None:
    """Return settings or extras as JSON; None where there are none."""
    if values is None:
        return None
    return json.dumps({k: _plain(v) for k, v in values.items() if v is not None}, ensure_ascii=False)


def _plain(value: Any) -> Any:
    if isinstance(value, np.generic):
        value = value.item()
    if isinstance(value, dt.datetime | dt.date):
        return {"when": value.isoformat()}
    return value if isinstance(value, bool | int | float | str) else str(value)


def unpacked(text: str | None) -> dict[str, Any]:
    """Return what `packed` was given."""
    found = json.loads(text) if text else {}
    return {k: dt.datetime.fromisoformat(v["when"]) if isinstance(v, dict) else v for k, v in found.items()}
