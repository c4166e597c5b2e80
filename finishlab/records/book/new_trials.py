"""New trials into the record book, many at once: the trials of a sheet or a plan.

Which of a sheet's trials are new is decided in `book_import.py`; one trial at the bench is
in `entries.py`.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

import sqlalchemy as sa

from finishlab.records.book import database as t
from finishlab.records.book import rows
from finishlab.records.book.entries import Entry
from finishlab.records.book.logged_trial import split
from finishlab.records.columns import understand

_HEADS = (
    "label", "number", "panel", "patch", "run_order", "status", "reason", "burned_after_step", "technician",
    "minutes", "started_at",
)  # fmt: skip


def insert(
    conn: sa.Connection, study_id: int, entry: Entry, parts: Iterable[list[dict[str, Any]]], source: str,
    taken: Iterable[Any] = (),
) -> list[Any]:  # fmt: skip
    """
    Put new trials in.

    Parameters
    ----------
    conn : Connection
    study_id : int
    entry : Entry
    parts : iterable of list of dict
        The trials by heading, a part at a time, so that many need no memory at once.
    source : str
        Where they come from.
    taken : iterable, optional
        Numbers that trials of later parts bring along; a trial without one gets another.

    Returns
    -------
    list
        What each trial is called.
    """
    label, numbered = rows.next_label(conn, study_id), {str(trial) for trial in taken}
    called: list[Any] = []
    for part in parts:
        for cells in part:
            while "trial" not in cells:
                if str(label) not in numbered:
                    cells["trial"] = label
                label += 1
            called.append(cells["trial"])
        _insert(conn, study_id, entry, part, source)
    return called


def _insert(
    conn: sa.Connection, study_id: int, entry: Entry, part: list[dict[str, Any]], source: str
) -> None:
    study = entry.study
    rows.put_panel(conn, study_id, [cells["panel"] for cells in part])
    heads, works, readings = [], [], []
    columns = understand(dict.fromkeys(h for cells in part for h in cells), study)
    for cells in part:
        parts = split(cells, study, columns)
        values = {"study_id": study_id, **dict.fromkeys(_HEADS), **rows.head_values(parts["head"])}
        settings = rows.packed(parts["settings"])
        planned = settings if cells["status"] == "planned" else None
        heads.append(
            values
            | {"settings": settings, "planned": planned, "extras": rows.packed(parts["extras"] or None)}
        )
        works.append(parts["works"])
        readings.append(parts["readings"])
    at = _new_rows(conn, study_id, heads)
    done_by = [(h["technician"], h["started_at"]) for h in heads]
    steps = [
        {"trial_id": i, "step": step, "minutes": minutes, "technician": who}
        for i, found_works, (who, _) in zip(at, works, done_by, strict=True)
        for step, minutes in found_works.items()
    ]
    if steps:
        conn.execute(sa.insert(t.works), steps)
    read = [
        {"trial_id": i, "after": a, "quantity": q, "spot": s, "value": v, "technician": who, "taken_at": when}
        for i, found_readings, (who, when) in zip(at, readings, done_by, strict=True)
        for (a, q, s), v in found_readings.items()
    ]
    if read:
        conn.execute(sa.insert(t.readings), read)
    happened = {"study_id": study_id, "at": entry.when, "technician": entry.technician, "after": source}
    conn.execute(
        sa.insert(t.events),
        [
            happened | {"trial_id": i, "what": "planned" if cells["status"] == "planned" else "imported"}
            for i, cells in zip(at, part, strict=True)
        ],
    )


def _new_rows(conn: sa.Connection, study_id: int, heads: list[dict[str, Any]]) -> list[int]:
    """Put trials in and return their rows; whoever writes is alone, so rows after the last one are theirs."""
    c = t.trials.c
    last = conn.scalar(sa.select(sa.func.max(c.id))) or 0
    conn.execute(sa.insert(t.trials), heads)
    mine = sa.select(c.label, c.id).where(c.study_id == study_id, c.id > last)
    ids = {row.label: row.id for row in conn.execute(mine)}
    return [ids[values["label"]] for values in heads]
