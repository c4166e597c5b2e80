"""How a trial ends or is corrected: finished, spoiled, burned through, amended.

Bodies of transactions, as in `entries.py`. A correction changes what the tables say and
adds to what happened: who, when, why, what stood there before.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import sqlalchemy as sa

from finishlab.errors import RecordsError, nearest
from finishlab.records.book import bench_checks as checks
from finishlab.records.book import database as t
from finishlab.records.book import entries, rows
from finishlab.records.book.bench_checks import Saved
from finishlab.records.book.entries import Entry
from finishlab.records.book.logged_trial import Logged, clean, judged, place_of, refuse_mistakes, split
from finishlab.records.columns import MIL_UM, Column, known_columns, understand
from finishlab.words.show import left_out, reading_text


def finish(
    conn: sa.Connection, entry: Entry, trial: Any, *, minutes: Any, film_after_um: Any, faults: Any
) -> Saved:
    """Mark a trial done; see `RecordBook.finish`."""
    study, (study_id, logged, earlier) = entry.study, entries.opened(conn, entry, trial)
    if earlier:
        return earlier
    last = study.steps[-1].name
    given = {"film_after_um": film_after_um, "faults": faults}
    new = entries.placed(logged, {q: v for q, v in given.items() if v is not None}, last, study)
    logged.head |= {"status": "done", "minutes": minutes_of(logged, entry) if minutes is None else minutes}
    draft = judged(logged.cells(study), study, entries.usual(conn, study_id, logged), had=logged.settings)
    refuse_mistakes(draft, f"trial {logged.trial}")
    entries.put_clean(conn, entry, logged, draft, new)
    spent = clean(draft, "minutes")
    rows.update_trial(conn, logged.id, status="done", minutes=spent, finished_at=entry.when)
    words = f"done in {reading_text(spent)} minutes" if spent is not None else "done"
    return entry.save(
        conn, study_id, logged, "finished", words, checks.film_prompts(logged, study), after=words
    )


def minutes_of(logged: Logged, entry: Entry) -> float | None:
    """Return the minutes of the steps together; None where a step that is not left out has none."""
    spent: list[Any] = [
        logged.works.get(s.name) for s in entry.study.steps if not left_out(s, logged.settings)
    ]
    return None if None in spent or not spent else float(sum(spent))


def spoil(conn: sa.Connection, entry: Entry, trial: Any, *, reason: str) -> Saved:
    """Mark a trial spoiled; see `RecordBook.spoil`."""
    study_id = rows.known_study(conn, entry.study)
    if earlier := rows.answered(conn, study_id, entry.key, entry.request):
        return earlier
    logged = rows.load(conn, study_id, trial)
    why = checks.reason_given(reason, "Say what spoiled the trial.")
    before = logged.status
    rows.update_trial(conn, logged.id, status="spoiled", reason=why)
    return entry.save(
        conn, study_id, logged, "spoiled", "spoiled", before=before, after="spoiled", reason=why
    )


def burn(conn: sa.Connection, entry: Entry, trial: Any, *, after: str, note: str) -> Saved:
    """End a trial that was burned through; see `RecordBook.burn`."""
    study, (study_id, logged, earlier) = entry.study, entries.opened(conn, entry, trial)
    if earlier:
        return earlier
    entries.known_step(after, study, start=False)
    worked = logged.works.values()
    spent = float(sum(worked)) if worked and None not in worked else None
    note = checks.text(note, "note").strip()
    logged.head |= {"status": "done", "burned_after_step": after, "reason": note or None, "minutes": spent}
    refuse_mistakes(judged(logged.cells(study), study, had=logged.settings), f"trial {logged.trial}")
    rows.update_trial(
        conn, logged.id, status="done", burned_after_step=after, reason=note or None,
        minutes=spent or None, finished_at=entry.when,
    )  # fmt: skip
    return entry.save(
        conn, study_id, logged, f"burned through after {after}", f"burned through after {after}",
        reason=note or None,
    )  # fmt: skip


# --- amend ---------------------------------------------------------------------------------------


def amend(conn: sa.Connection, entry: Entry, trial: Any, *, changes: Mapping[str, Any], reason: str) -> Saved:
    """Correct what is logged and keep what was there; see `RecordBook.amend`."""
    study = entry.study
    study_id = rows.known_study(conn, study)
    if earlier := rows.answered(conn, study_id, entry.key, entry.request):
        return earlier
    logged = rows.load(conn, study_id, trial)
    why = checks.reason_given(reason, "Say why the entry is corrected.")
    before = logged.cells(study)
    wanted = _wanted(changes, before, entry)
    after = {k: v for k, v in (before | wanted).items() if v is not None}
    for needed in ("trial", "panel", "status"):
        if needed not in after:
            raise RecordsError(f"{needed} cannot be emptied. Give what it is to be.")
    draft = judged(after, study, entries.usual(conn, study_id, logged), had=logged.settings)
    refuse_mistakes(draft, f"trial {logged.trial}, as amended,")
    new = {h: None if v is None else clean(draft, h) for h, v in wanted.items()}
    new = {h: v for h, v in new.items() if v != before.get(h)}
    if not new:
        return Saved(logged.trial, entry.when, f"Trial {logged.trial} says so already; nothing was changed.")
    _free(conn, study_id, logged, {**before, **new})
    _put(conn, study_id, entry, logged, new)
    for heading, value in list(new.items())[1:]:
        rows.put_event(
            conn, study_id, f"amended {heading}", trial_id=logged.id, at=entry.when, technician=entry.technician,
            before=checks.words(before.get(heading)), after=checks.words(value), reason=why,
        )  # fmt: skip
    heading, value = next(iter(new.items()))
    words = ", ".join(checks.amended_text(h, before.get(h), v) for h, v in new.items())
    return entry.save(
        conn, study_id, logged, f"amended {heading}", f"amended: {words}",
        before=checks.words(before.get(heading)), after=checks.words(value), reason=why,
    )  # fmt: skip


def _wanted(changes: Mapping[str, Any], before: Mapping[str, Any], entry: Entry) -> dict[str, Any]:
    """Return the changes by the columns of the book; refuse columns that it does not have."""
    known, mistakes = known_columns(entry.study), []
    wanted: dict[str, Any] = {}
    for heading, column in understand(changes, entry.study).items():
        value = changes[heading]
        if column.role == "extra" and heading not in before:
            mistakes.append(
                f"'{heading}' is not a column of this trial. {nearest(heading, [*before, *known])}"
            )
        elif not column.repeat and column.role in ("reading", "film") and f"{column.mean}_1" in before:
            mistakes.append(
                f"'{heading}' is the mean of single readings. Amend the reading that is wrong, as {column.mean}_1."
            )
        elif heading == "technician" and value is not None:
            wanted[heading] = checks.person(value)
        elif isinstance(value, str):
            wanted[_in_um(column)] = checks.text(value, heading).strip() or None
        elif column.in_mil and isinstance(value, int | float):
            wanted[_in_um(column)] = value * MIL_UM
        else:
            wanted[heading] = value
    if mistakes:
        raise RecordsError(mistakes)
    return wanted


def _in_um(column: Column) -> str:
    return column.heading.replace("_mil", "_um") if column.in_mil else column.heading


def _free(conn: sa.Connection, study_id: int, logged: Logged, cells: Mapping[str, Any]) -> None:
    """Refuse a number or a patch that belongs to another trial."""
    c = t.trials.c
    same = sa.select(c.id).where(c.study_id == study_id, c.label == str(cells["trial"]), c.id != logged.id)
    if conn.scalar(same) is not None:
        raise RecordsError(f"trial: there is a trial {cells['trial']} already. Give another number.")
    if cells["status"] != "spoiled":
        entries.free_patch(conn, study_id, cells["panel"], cells.get("patch"), but=logged.id)


def _put(conn: sa.Connection, study_id: int, entry: Entry, logged: Logged, new: Mapping[str, Any]) -> None:
    """Write amended cells where they stand."""
    parts = split(new, entry.study)
    values = rows.head_values(parts["head"])
    if parts["settings"]:
        values["settings"] = rows.packed(logged.settings | parts["settings"])
    if parts["extras"]:
        values["extras"] = rows.packed(logged.extras | parts["extras"])
    if "panel" in values:
        rows.put_panel(conn, study_id, [values["panel"]])
    if values:
        rows.update_trial(conn, logged.id, **values)
    for step, minutes in parts["works"].items():
        rows.put_work(conn, logged, step, technician=entry.technician, at=None, minutes=minutes, replace=True)
    for heading, column in understand(new, entry.study).items():
        if column.role in ("reading", "film"):
            _put_reading(conn, entry, logged, column, new[heading])


def _put_reading(conn: sa.Connection, entry: Entry, logged: Logged, column: Column, value: Any) -> None:
    after, quantity, spot = place_of(column, entry.study)
    if column.role == "film" and after != "start":
        # Film after work may have been read after an earlier step; that reading is the one meant.
        after = next((a for a, q, s in reversed(logged.readings) if (q, s) == (quantity, spot)), after)
    place = (after, quantity, spot)
    r = t.readings.c
    if place in logged.readings:
        mine = r.trial_id == logged.id, r.after == after, r.quantity == quantity, r.spot == spot
        conn.execute(sa.update(t.readings).where(*mine).values(value=value))
    elif value is not None:
        rows.put_readings(conn, logged.id, {place: value}, technician=entry.technician, taken_at=entry.when)
