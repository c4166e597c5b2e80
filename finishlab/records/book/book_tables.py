"""Whole tables out of the record book: trials, readings, history, what is to be done today.

A hundred thousand trials are read at once: rows go straight into arrays, one a column, and
are never looked at one by one. Only reads; what may be written is in `record_book.py`.
"""

from __future__ import annotations

import datetime as dt
import itertools
from collections import defaultdict
from collections.abc import Iterator
from contextlib import suppress
from typing import TYPE_CHECKING, Any

import numpy as np
import sqlalchemy as sa

from finishlab.records.book import database as t
from finishlab.records.book import rows
from finishlab.records.book.bench_checks import minutes_left, next_step, to_read
from finishlab.records.book.logged_trial import (
    HEADS,
    Logged,
    heading_of,
    number_or_text,
    required_headings,
    steps_of,
    unpacked,
)
from finishlab.records.book.store import cycles_not_sought
from finishlab.records.columns import FILM, understand
from finishlab.records.sheets.sheet import from_table
from finishlab.records.sheets.sheet_check import judged, judged_trial, taken
from finishlab.study import RESPONSES
from finishlab.words.show import reading_text

if TYPE_CHECKING:
    import pandas as pd

    from finishlab.study import Study

#: Rows fetched at a time: enough that the calls do not count, few enough that memory does not.
_AT_ONCE = 20_000
#: How a correction of a column begins among what happened; the column follows.
AMENDED = "amended "
_MEASURED = ("reading", "film", "minutes")
_READINGS = ("trial_id", "after", "quantity", "spot", "value")


@cycles_not_sought()
def tidy(conn: sa.Connection, study_id: int, study: Study) -> pd.DataFrame:
    """
    Return the trial table of a study as the book has it, before it is checked.

    Returns
    -------
    DataFrame
        One row a trial in the order in which they came; readings as floats, repeats side
        by side, without their means.
    """
    import pandas as pd

    c = t.trials.c
    names = ("id", "label", *HEADS[1:], "minutes", "started_at", "settings", "extras")
    chosen = sa.select(*(c[n] for n in names)).where(c.study_id == study_id).order_by(c.id)
    found = dict(zip(names, _columns(conn, chosen, len(names)), strict=True))
    if any(not _known(name, study) for text in set(found["settings"]) for name in unpacked(text)):
        rows.refuse_unknown_steps(conn, study_id, study)
    ids = found["id"].astype(np.int64)
    table: dict[str, Any] = {"trial": found["label"]} | {n: found[n] for n in HEADS[1:]}
    table["date"] = pd.to_datetime(pd.Series(found["started_at"], dtype=object)).astype("datetime64[us]")
    table |= _spread_out(found["settings"], list(study.settings))
    table |= _measured(conn, study_id, ids, study)
    table["minutes"] = found["minutes"].astype(float)
    table |= _spread_out(found["extras"], [])
    out = pd.DataFrame({"trial": table.pop("trial"), **table}, index=pd.RangeIndex(len(ids)))
    needed = required_headings(study)
    kept = [n for n in out.columns if n in needed or out[n].notna().any()]
    # A response that has its repeats gets its mean from the check.
    return out[kept].assign(**{n: np.nan for n in needed if n not in kept and f"{n}_1" not in kept})


def _known(factor: str, study: Study) -> bool:
    return factor in study.settings or any(factor.startswith(f"{s.name}_") for s in study.steps)


def _columns(conn: sa.Connection, chosen: sa.Select[Any], width: int) -> list[np.ndarray]:
    """Return what a question finds, one array a column."""
    parts: list[list[np.ndarray]] = [[np.empty(0, object)] for _ in range(width)]
    for some in conn.execute(chosen).partitions(_AT_ONCE):
        for part, values in zip(parts, zip(*some, strict=True), strict=True):
            array = np.empty(len(values), object)
            array[:] = values
            part.append(array)
    return [np.concatenate(part) for part in parts]


def _spread_out(packed: np.ndarray, names: list[str]) -> dict[str, Any]:
    """Return JSON columns as columns of their own; the names given come first."""
    import pandas as pd

    codes, texts = pd.factorize(packed)  # the same settings are met again and again
    each = [*(unpacked(text) for text in texts), {}]  # the last is where there is nothing
    names = list(dict.fromkeys([*names, *(name for found in each for name in found)]))
    columns = {}
    for name in names:
        values = np.empty(len(each), object)
        values[:] = [found.get(name) for found in each]
        columns[name] = pd.Series(values[codes].tolist())  # numbers, dates and text as they were
    return columns


def _measured(conn: sa.Connection, study_id: int, ids: np.ndarray, study: Study) -> dict[str, np.ndarray]:
    """Return minutes by step and every reading, one array a column, NaN where there is none."""
    import pandas as pd

    r, w = t.readings.c, t.works.c
    mine = t.trials.c.study_id == study_id
    worked = sa.select(w.trial_id, w.step, w.minutes).join(t.trials, t.trials.c.id == w.trial_id)
    read = sa.select(*(r[n] for n in _READINGS)).join(t.trials, t.trials.c.id == r.trial_id)
    columns: dict[str, np.ndarray] = {}

    def put(name: str, trial_ids: np.ndarray, values: np.ndarray) -> None:
        column = columns.setdefault(name, np.full(len(ids), np.nan))
        column[np.searchsorted(ids, trial_ids)] = values

    filter_ = mine, w.minutes.is_not(None)
    for some in conn.execute(worked.where(*filter_)).partitions(_AT_ONCE):
        trial_ids, steps, minutes = zip(*some, strict=True)
        codes, names = pd.factorize(np.array(steps, object))
        for k, name in enumerate(names):
            at = codes == k
            put(f"{name}_minutes", np.array(trial_ids)[at], np.array(minutes, float)[at])
    film_after: list[tuple[tuple[str, str, int], np.ndarray, np.ndarray]] = []
    for place, at_trial, values in _by_place(conn, read.where(mine, r.value.is_not(None))):
        if place[1] in ("film_after_um", "removed_um"):
            film_after.append((place, at_trial, values))
        else:
            put(heading_of(place, study), at_trial, values)
    _latest_film(film_after, ids, study, put)
    order_of = {name: k for k, name in enumerate(_reading_order(study))}
    return dict(sorted(columns.items(), key=lambda c: _place_in(c[0], order_of)))


def _by_place(
    conn: sa.Connection, chosen: sa.Select[Any]
) -> Iterator[tuple[tuple[str, str, int], np.ndarray, np.ndarray]]:
    """Yield every reading by its place in a trial: the place, rows of trials, values."""
    number: defaultdict[tuple[str, str, int], int] = defaultdict(itertools.count().__next__)
    parts: list[list[np.ndarray]] = [[], [], []]
    cursor = conn.execute(chosen).cursor
    assert cursor is not None
    # Straight from the driver: a million rows need nothing that is done for a single one.
    while some := cursor.fetchmany(_AT_ONCE):
        trial_ids, after, quantity, spot, value = zip(*some, strict=True)
        places = map(number.__getitem__, zip(after, quantity, spot, strict=True))
        parts[0].append(np.fromiter(places, np.int32, len(some)))
        parts[1].append(np.array(trial_ids, np.int64))
        parts[2].append(np.array(value, float))
    if not number:
        return
    codes, trials, values = (np.concatenate(part) for part in parts)
    order = np.argsort(codes, kind="stable")
    bounds = np.searchsorted(codes[order], np.arange(len(number) + 1))
    for k, place in enumerate(number):
        at = order[bounds[k] : bounds[k + 1]]
        yield place, trials[at], values[at]


def _latest_film(found: list[Any], ids: np.ndarray, study: Study, put: Any) -> None:
    """Put film read after work in its column: of each trial, only what was read after its latest step."""
    order = steps_of(study)
    latest: dict[str, np.ndarray] = {}
    for (after, quantity, _), trial_ids, _ in found:
        at = np.searchsorted(ids, trial_ids)
        seen = latest.setdefault(quantity, np.full(len(ids), -1))
        seen[at] = np.maximum(seen[at], order.index(after))
    for (after, quantity, spot), trial_ids, values in found:
        last = latest[quantity][np.searchsorted(ids, trial_ids)] == order.index(after)
        put(heading_of((after, quantity, spot), study), trial_ids[last], values[last])


def _reading_order(study: Study) -> list[str]:
    steps = steps_of(study)
    films = [f for f in FILM if f != "film_before_um"]
    return [
        "film_before_um",
        *films,
        *(heading_of((s, q, 0), study) for s in steps for q in RESPONSES),
        *(f"{s}_minutes" for s in steps),
    ]


def _place_in(column: str, order: dict[str, int]) -> tuple[int, int]:
    if column in order:
        return order[column], 0
    name, _, spot = column.rpartition("_")
    return order[name], int(spot)


def checked(table: pd.DataFrame, study: Study, doubtful: tuple[str, ...]) -> pd.DataFrame:
    """Return the table with means and what is computed, checked by every rule of a sheet."""
    sheet = from_table(table)
    sheet.trials = table["trial"].to_numpy()
    # Of a sheet it is a mistake to have no row; a book begins so.
    accepted = {n: set(table[n].dropna()) for n in study.settings if n in table}
    draft = judged(sheet, study, accepted) if len(table) else judged_trial(sheet, study)
    draft.mistakes.raise_any(sheet.name)
    trials, cautions = taken(draft)
    if not len(table):
        cautions = ("No trial is in the book yet.",)
    trials.attrs["cautions"] = (*cautions, *doubtful)
    trials.attrs["file_cautions"] = doubtful
    return trials


# --- readings ----------------------------------------------------------------------------------


def long(conn: sa.Connection, study_id: int, quantity: str | None, since: dt.datetime | None) -> pd.DataFrame:
    """Return one row a reading; see `RecordBook.readings`."""
    import pandas as pd

    r, c = t.readings.c, t.trials.c
    chosen = (
        sa.select(
            c.label, c.panel, c.patch, r.technician, r.quantity, r.value, r.spot, r.direction, r.after,
            r.instrument, r.taken_at,
        )
        .join(t.trials, c.id == r.trial_id)
        .where(c.study_id == study_id, r.value.is_not(None))
        .order_by(r.trial_id, r.id)
    )  # fmt: skip
    if quantity is not None:
        chosen = chosen.where(r.quantity == quantity)
    if since is not None:
        chosen = chosen.where(r.taken_at >= since)
    names = ["trial", "panel", "patch", "technician", "quantity", "value", "spot", "direction", "after",
             "instrument", "when"]  # fmt: skip
    table = pd.DataFrame(dict(zip(names, _columns(conn, chosen, len(names)), strict=True)))
    from finishlab.records.sheets.cells import labels

    for name in ("trial", "panel", "patch", "technician"):
        table[name] = labels(table[name].to_numpy(object)) if len(table) else table[name]
    table["value"] = table["value"].astype(float)
    table["spot"] = table["spot"].astype(np.int64)
    table["when"] = pd.to_datetime(table["when"]).astype("datetime64[us]")
    table["good"] = good(table, meter_checks(conn, study_id))
    return table


def meter_checks(conn: sa.Connection, study_id: int) -> pd.DataFrame:
    """Return every check of a meter, in the order of time; see `RecordBook.meter_checks`."""
    import pandas as pd

    m = t.meter_checks.c
    found = conn.execute(
        sa.select(
            m.at,
            m.instrument,
            m.tile,
            m.expected,
            m.value,
            m.limit_value,
            m.limit_set_by,
            m.good,
            m.technician,
        )
        .where(m.study_id == study_id)
        .order_by(m.at, m.id)
    ).all()
    names = ["when", "instrument", "tile", "expected", "value", "limit", "limit_set_by", "good", "technician"]
    table = pd.DataFrame([tuple(row) for row in found], columns=names)
    return table.astype({"when": "datetime64[us]", "good": bool})


def good(readings: pd.DataFrame, checks: pd.DataFrame) -> np.ndarray:
    """
    Return which readings no meter check puts in doubt.

    A reading is in doubt when the next check of its meter on any of its tiles, after the
    reading, was off by more than the limit: the meter was last known to be right before.

    Parameters
    ----------
    readings : DataFrame
        `instrument`, `when`.
    checks : DataFrame
        `instrument`, `tile`, `when`, `good`, in the order of `when`.

    Returns
    -------
    ndarray of bool, shape (readings,)
    """
    fine = np.ones(len(readings), bool)
    instruments, when = readings["instrument"].to_numpy(object), readings["when"].to_numpy()
    known = ~np.isnat(when)
    for (instrument, _), some in checks.groupby(["instrument", "tile"], sort=False):
        at, passed = some["when"].to_numpy(), some["good"].to_numpy()
        mine = np.flatnonzero(known & (instruments == instrument))
        following = np.searchsorted(at, when[mine], side="left")
        checked_later = following < len(at)
        fine[mine[checked_later]] &= passed[following[checked_later]]
    return fine


def doubtful(conn: sa.Connection, study_id: int) -> tuple[str, ...]:
    """Return the caution about readings that a meter check puts in doubt, if there are any."""
    checks = meter_checks(conn, study_id)
    if checks["good"].all():
        return ()
    readings = long(conn, study_id, None, None)
    wrong = readings[~readings["good"]]
    if not len(wrong):
        return ()
    trials = list(dict.fromkeys(wrong["trial"].tolist()))
    named = ", ".join(map(str, trials[:6])) + (f" and {len(trials) - 6} more" if len(trials) > 6 else "")
    return (
        f"{len(wrong)} readings of trial{'s' if len(trials) > 1 else ''} {named} were taken before a meter check that "
        "was off by more than its limit. They are in the table; read those patches again where they still exist, or "
        "mark the trials spoiled.",
    )


# --- what happened, what is to be done -----------------------------------------------------------


def history(conn: sa.Connection, logged: Logged, study: Study) -> pd.DataFrame:
    """Return all that happened to a trial, oldest first."""
    e = t.events.c
    names = ["when", "who", "what", "before", "after", "reason"]
    chosen = sa.select(e.at, e.technician, e.what, e.before, e.after, e.reason)
    found = conn.execute(chosen.where(e.trial_id == logged.id).order_by(e.id)).all()
    return _happened([tuple(row) for row in found], names, study)


def _happened(found: list[tuple[Any, ...]], names: list[str], study: Study) -> pd.DataFrame:
    """Return what happened as a table; corrected readings as the bench reads them, which the book keeps in full."""
    import pandas as pd

    table = pd.DataFrame(found, columns=names, dtype=object)
    measured = {
        what: understand([heading := what.removeprefix(AMENDED)], study)[heading].role in _MEASURED
        for what in set(table["what"])
        if what.startswith(AMENDED)
    }
    of_reading = [measured.get(what, False) for what in table["what"]]
    for name in ("before", "after"):
        table[name] = [_rounded(v) if m else v for v, m in zip(table[name], of_reading, strict=True)]
    return table.assign(when=pd.to_datetime(table["when"]).astype("datetime64[us]"))


def _rounded(value: str | None) -> str | None:
    with suppress(TypeError, ValueError):
        return reading_text(float(value))  # type: ignore[arg-type]
    return value


def open_trials(conn: sa.Connection, study_id: int, statuses: tuple[str, ...]) -> list[Logged]:
    """Return the trials of some statuses in run order."""
    c = t.trials.c
    found = conn.execute(
        sa.select(t.trials).where(c.study_id == study_id, c.status.in_(statuses)).order_by(c.id)
    ).all()
    return rows.load_rows(conn, found)


def next_planned(conn: sa.Connection, study_id: int) -> Logged | None:
    """Return the first planned trial in run order."""
    c = t.trials.c
    chosen = sa.select(t.trials).where(c.study_id == study_id, c.status == "planned").order_by(c.id).limit(1)
    found = rows.load_rows(conn, conn.execute(chosen).all())
    return found[0] if found else None


def as_task(logged: Logged, study: Study, now: dt.datetime, *, blind: bool) -> dict[str, Any]:
    """Return a trial as what is to be done with it; see `RecordBook.next_trial`."""
    order = [s.name for s in study.steps]
    unread = to_read(logged, study)
    return {
        "trial": logged.trial,
        "panel": number_or_text(str(logged.head["panel"])),
        "patch": None if logged.head["patch"] is None else number_or_text(str(logged.head["patch"])),
        "status": logged.status,
        "technician": logged.head["technician"],
        # Whoever reads must not know what was done: neither the settings nor why the trial is there.
        "settings": None if blind else dict(logged.settings),
        "why": None if blind else logged.extras.get("why"),
        "steps_done": [s for s in order if s in logged.works],
        "to_read": unread,
        "next_step": next_step(logged, study),
        "minutes_left": minutes_left(logged, unread, study, now) if unread else 0.0,
    }


def of_today(
    conn: sa.Connection, study_id: int, study: Study, day: dt.date, technician: str | None
) -> pd.DataFrame:
    """Return what was logged on one day, newest first."""
    e, c = t.events.c, t.trials.c
    begin = dt.datetime.combine(day, dt.time())
    chosen = (
        sa.select(e.at, c.label, e.technician, e.what, e.before, e.after, e.reason)
        .outerjoin(t.trials, c.id == e.trial_id)
        .where(e.study_id == study_id, e.at >= begin, e.at < begin + dt.timedelta(days=1))
        .order_by(e.id.desc())
    )
    if technician is not None:
        chosen = chosen.where(e.technician == str(technician))
    names = ["when", "trial", "who", "what", "before", "after", "reason"]
    table = _happened([tuple(row) for row in conn.execute(chosen)], names, study)
    table["trial"] = [label and number_or_text(label) for label in table["trial"]]
    return table
