"""Single trials in and out of the database, within a transaction that someone else runs.

The only module that knows both `database.py` and `logged_trial.py`. Whole tables, read at once,
are in `book_tables.py`.
"""

from __future__ import annotations

import datetime as dt
import hashlib
import json
import re
from collections.abc import Iterable, Mapping
from typing import TYPE_CHECKING, Any

import sqlalchemy as sa

from finishlab.errors import RecordsError, nearest
from finishlab.records.book import database as t
from finishlab.records.book.bench_checks import Saved
from finishlab.records.book.logged_trial import Logged, Place, number_or_text, packed, unpacked
from finishlab.records.columns import START
from finishlab.records.sheets.cells import plain_label

if TYPE_CHECKING:
    from finishlab.study import Study

_HEAD_COLUMNS = ("run_order", "panel", "patch", "technician", "status", "reason", "burned_after_step")

# Put together once: at the bench most of an entry's time goes into putting questions together.
_IDS: sa.BindParameter[Any] = sa.bindparam("ids", expanding=True)
_R, _W = t.readings.c, t.works.c
_READ = (
    sa.select(_R.trial_id, _R.after, _R.quantity, _R.spot, _R.value)
    .where(_R.trial_id.in_(_IDS))
    .order_by(_R.id)
)
_WORKED = (
    sa.select(_W.trial_id, _W.step, _W.minutes, _W.ended_at).where(_W.trial_id.in_(_IDS)).order_by(_W.id)
)


def now() -> dt.datetime:
    """Return the bench's own clock."""
    return dt.datetime.now()


def slug(title: str) -> str:
    """
    Return a title as a key.

    Examples
    --------
    >>> slug("Box-van side panels, 2K clear"), slug("!")
    ('box-van-side-panels-2k-clear', 'study')
    """
    return re.sub(r"[\W_]+", "-", title.casefold()).strip("-") or "study"


# --- studies -----------------------------------------------------------------------------------


def find_study(conn: sa.Connection, study: Study) -> tuple[int, str] | None:
    """Return row and key of a study: by its text, else by the key its title makes, if it has all steps of its trials."""
    known = _of_text(conn, study)
    if known is None and (known := _of_key(conn, slug(study.title))) is not None:
        refuse_unknown_steps(conn, known[0], study)
    return known


def same_study(conn: sa.Connection, study: Study) -> tuple[int, str] | None:
    """Return row and key of a study as `find_study` does, whatever its steps are called now."""
    return _of_text(conn, study) or _of_key(conn, slug(study.title))


def refuse_unknown_steps(conn: sa.Connection, study_id: int, study: Study) -> None:
    """
    Refuse a study that lacks steps which its trials in the book have.

    Raises
    ------
    RecordsError
        With what to do where a step got another name.
    """
    mine = sa.select(t.trials.c.id).where(t.trials.c.study_id == study_id)
    used = {
        *conn.scalars(sa.select(_W.step).where(_W.trial_id.in_(mine)).distinct()),
        *conn.scalars(sa.select(_R.after).where(_R.trial_id.in_(mine)).distinct()),
    }
    settings = sa.select(t.trials.c.settings).where(t.trials.c.study_id == study_id).distinct()
    factors = {name for text in conn.scalars(settings) for name in unpacked(text)}
    steps = [s.name for s in study.steps]
    gone = sorted(used - {START, *steps})
    # Trials that are only planned have a step in the names of their settings alone.
    if not gone and (stray := sorted(f for f in factors if not any(f.startswith(f"{s}_") for s in steps))):
        gone = sorted({f.rpartition("_")[0] for f in stray})
    if gone:
        raise RecordsError(
            [
                f"trials in the record book were worked or planned with step '{step}', which the study no longer has. The "
                f"steps are {', '.join(steps)}. If it has another name now, type: finishlab rename FOLDER step {step} NEW. "
                "If it was dropped, write it in study.toml again, or begin a new study in another folder."
                for step in gone
            ]
        )


def _of_text(conn: sa.Connection, study: Study) -> tuple[int, str] | None:
    s, e = t.studies.c, t.editions.c
    chosen = (
        sa.select(s.id, s.key).join(t.editions, e.study_id == s.id).where(e.sha256 == _digest(study.source))
    )
    found = conn.execute(chosen.order_by(e.id).limit(1)).first()
    return None if found is None else (found.id, found.key)


def _of_key(conn: sa.Connection, key: str) -> tuple[int, str] | None:
    s = t.studies.c
    found = conn.execute(sa.select(s.id, s.key).where(s.key == key)).first()
    return None if found is None else (found.id, found.key)


def put_study(conn: sa.Connection, study: Study, key: str | None = None) -> tuple[int, str]:
    """Put a study in, or its changed text as a new edition; return its row and key."""
    known = _of_text(conn, study)
    if known is not None and key in (None, known[1]):
        return known
    wanted = key or slug(study.title)
    found = _of_key(conn, wanted)
    if found is not None:
        refuse_unknown_steps(conn, found[0], study)
    if found is None:
        made = conn.execute(sa.insert(t.studies).values(key=wanted, title=study.title, added_at=now()))
        found = _new_row(made), wanted
    of_study, digest = t.editions.c.study_id == found[0], _digest(study.source)
    if conn.scalar(sa.select(t.editions.c.id).where(of_study, t.editions.c.sha256 == digest)) is None:
        number = conn.scalar(sa.select(sa.func.count()).select_from(t.editions).where(of_study)) or 0
        edition = {"number": number + 1, "sha256": digest, "text": study.source, "added_at": now()}
        conn.execute(sa.insert(t.editions).values(study_id=found[0], **edition))
        conn.execute(sa.update(t.studies).where(t.studies.c.id == found[0]).values(title=study.title))
    return found


def _new_row(made: sa.CursorResult[Any]) -> int:
    row = made.inserted_primary_key
    assert row is not None
    return int(row[0])


def known_study(conn: sa.Connection, study: Study) -> int:
    """Return the row of a study that must be in the book."""
    found = find_study(conn, study)
    if found is None:
        keys = conn.scalars(sa.select(t.studies.c.key).order_by(t.studies.c.id)).all()
        has = f"It has: {', '.join(keys)}." if keys else "It has none yet."
        raise RecordsError(
            f"the book has no study '{study.title}'. {has} Plan or start its trials, or put it in with add_study."
        )
    return found[0]


def study_to_show(conn: sa.Connection, study: Study) -> int:
    """Return the row of a study whose trials are shown; of a book that nobody wrote in yet, one that has none."""
    if conn.scalar(sa.select(t.studies.c.id).limit(1)) is None:
        return 0
    return known_study(conn, study)


def _digest(source: str) -> str:
    return hashlib.sha256(source.encode()).hexdigest()


# --- one trial ---------------------------------------------------------------------------------


def load(conn: sa.Connection, study_id: int, trial: int | str) -> Logged:
    """
    Return one trial.

    Raises
    ------
    RecordsError
        There is none of that name.
    """
    of_study = t.trials.c.study_id == study_id
    asked = sa.select(t.trials).where(of_study, t.trials.c.label.in_([str(trial), plain_label(trial)]))
    row = next(iter(sorted(conn.execute(asked).all(), key=lambda r: r.label != str(trial))), None)
    if row is None:
        labels = conn.scalars(sa.select(t.trials.c.label).where(of_study).order_by(t.trials.c.id)).all()
        has = nearest(str(trial), labels) if labels and len(labels) < 40 else f"The book has {len(labels)}."
        raise RecordsError(f"there is no trial {trial} in this study. {has}")
    return load_rows(conn, [row])[0]


def load_rows(conn: sa.Connection, rows: Iterable[Any]) -> list[Logged]:
    """Return trials with their readings and steps worked, from rows of the table of trials."""
    found = {row.id: _logged(row) for row in rows}
    ids = list(found)
    for at in range(0, len(ids), 500):  # databases hold only so many values in one question
        part = ids[at : at + 500]
        for trial_id, after, quantity, spot, value in conn.execute(_READ, {"ids": part}):
            found[trial_id].readings[after, quantity, spot] = value
        for trial_id, step, minutes, ended in conn.execute(_WORKED, {"ids": part}):
            found[trial_id].works[step] = minutes
            found[trial_id].ended[step] = ended
    return list(found.values())


def _logged(row: Any) -> Logged:
    head = {
        "trial": row.label,
        **{name: getattr(row, name) for name in _HEAD_COLUMNS},
        "minutes": row.minutes,
        "date": row.started_at,
    }
    planned = None if row.planned is None else unpacked(row.planned)
    return Logged(row.id, head, planned, unpacked(row.settings), unpacked(row.extras))


def head_values(head: Mapping[str, Any]) -> dict[str, Any]:
    """Return words about a trial as columns of the table of trials."""
    out: dict[str, Any] = {}
    for name, value in head.items():
        if name == "trial":
            label = str(value)
            number = number_or_text(label)
            # What the column holds on every database.
            whole = isinstance(number, int) and number < 2**31
            out |= {"label": label, "number": number if whole else None}
        elif name == "date":
            out["started_at"] = value
        elif name == "minutes":
            out["minutes"] = value
        else:
            out[name] = None if value is None else str(value)
    return out


#: What is said of a plan that was taken back; `before` is the highest number it had.
TAKEN_BACK = "plan taken back"


def next_label(conn: sa.Connection, study_id: int) -> int:
    """Return the first trial number after the highest ever in use: a run sheet taken back may still lie about."""
    e = t.events.c
    highest = conn.scalar(sa.select(sa.func.max(t.trials.c.number)).where(t.trials.c.study_id == study_id))
    gone = sa.select(e.before).where(e.study_id == study_id, e.trial_id.is_(None), e.what == TAKEN_BACK)
    return max([highest or 0, *(int(number) for number in conn.scalars(gone))]) + 1


def put_panel(conn: sa.Connection, study_id: int, panels: Iterable[Any]) -> None:
    """Put in the test panels that are not there yet."""
    wanted = dict.fromkeys(str(p) for p in panels)
    of_study = sa.select(t.panels.c.label).where(t.panels.c.study_id == study_id)
    # One trial asks for its own panel only; a sheet for all of them.
    there = set(conn.scalars(of_study.where(t.panels.c.label.in_(wanted)) if len(wanted) == 1 else of_study))
    new = [{"study_id": study_id, "label": p, "added_at": now()} for p in wanted if p not in there]
    if new:
        conn.execute(sa.insert(t.panels), new)


def insert_trial(
    conn: sa.Connection, study_id: int, head: Mapping[str, Any], settings: Mapping[str, Any]
) -> int:
    """Put in a trial that nobody planned and return its row."""
    put_panel(conn, study_id, [head["panel"]])
    values = head_values(head) | {
        "study_id": study_id,
        "settings": packed(settings),
        "planned": packed(None),
        "extras": packed(None),
    }
    return _new_row(conn.execute(sa.insert(t.trials).values(**values)))


def update_trial(conn: sa.Connection, row: int, **values: Any) -> None:
    """Change columns of a trial."""
    conn.execute(sa.update(t.trials).where(t.trials.c.id == row).values(**values))


def put_readings(conn: sa.Connection, row: int, values: Mapping[Place, float | None], **about: Any) -> None:
    """Put in the readings of a trial; `about` says direction, instrument, technician and when."""
    instrument = about.pop("instrument", None)
    new = [
        {"trial_id": row, "after": after, "quantity": quantity, "spot": spot, "value": value, **about}
        # Faults are counted by eye, so no meter check puts them in doubt. Every row has the same keys: one statement.
        | {"instrument": None if quantity == "faults" else instrument}
        for (after, quantity, spot), value in values.items()
    ]
    if new:
        conn.execute(sa.insert(t.readings), new)


def first_of_many(conn: sa.Connection, logged: Logged) -> None:
    """Number a reading that stood alone as the first, where others of its patch joined it."""
    r = t.readings.c
    for after, quantity in logged.joined:
        alone = r.trial_id == logged.id, r.after == after, r.quantity == quantity, r.spot == 0
        conn.execute(sa.update(t.readings).where(*alone).values(spot=1))


def put_work(
    conn: sa.Connection,
    logged: Logged,
    step: str,
    *,
    technician: str,
    at: dt.datetime | None,
    minutes: Any,
    replace: bool = False,
    again: bool = False,
) -> None:
    """
    Put in that a step was worked, or its minutes if it is there; `replace` may take them away.

    `again` says that it was gone on with: its end, from which the wait counts, is now.
    """
    if step in logged.works:
        changes = {"minutes": minutes} if minutes is not None or replace else {}
        changes |= {"ended_at": at, "technician": technician} if again else {}
        if changes:
            conn.execute(
                sa.update(t.works)
                .where(t.works.c.trial_id == logged.id, t.works.c.step == step)
                .values(changes)
            )
    else:
        conn.execute(
            sa.insert(t.works).values(
                trial_id=logged.id, step=step, technician=technician, ended_at=at, minutes=minutes
            )
        )
    logged.works[step] = minutes if minutes is not None else logged.works.get(step)


# --- what happened -----------------------------------------------------------------------------


def put_event(conn: sa.Connection, study_id: int, what: str, **columns: Any) -> None:
    """Add to what happened."""
    conn.execute(sa.insert(t.events).values(study_id=study_id, what=what, **{"at": now(), **columns}))


def fingerprint(*parts: Any) -> str:
    """Return what tells one request from another."""
    return hashlib.sha256(json.dumps(parts, default=str, sort_keys=True).encode()).hexdigest()


def answered(conn: sa.Connection, study_id: int, key: str | None, request: str) -> Saved | None:
    """Return what a call with this key was answered with before; None for a new one."""
    if (found := answer_before(conn, study_id, key, request)) is None:
        return None
    at, answer = found
    return Saved(answer["trial"], at, answer["text"], tuple(answer["prompts"]))


def answer_before(
    conn: sa.Connection, study_id: int, key: str | None, request: str
) -> tuple[dt.datetime, dict[str, Any]] | None:
    """
    Return when a call with this key was answered before, and with what; None for a new one.

    Raises
    ------
    RecordsError
        The key was used for another entry.
    """
    if key is None:
        return None
    e = t.events.c
    row = conn.execute(
        sa.select(e.at, e.request, e.answer).where(e.study_id == study_id, e.key == str(key))
    ).first()
    if row is None:
        return None
    if row.request != request:
        raise RecordsError(
            f"the key '{key}' was used for another entry already. Nothing was saved; give each entry a key of its own."
        )
    return row.at, json.loads(row.answer)


def acknowledged(
    conn: sa.Connection,
    study_id: int,
    logged: Logged,
    saved: Saved,
    what: str,
    *,
    technician: str,
    key: str | None,
    request: str,
    **columns: Any,
) -> Saved:
    """Add an entry to what happened, with its answer, and return the answer."""
    answer = None
    if key is not None:
        answer = json.dumps({"trial": saved.trial, "text": saved.text, "prompts": saved.prompts})
    put_event(
        conn, study_id, what, trial_id=logged.id, at=saved.when, technician=technician,
        key=None if key is None else str(key), request=request if key is not None else None,
        answer=answer, **columns,
    )  # fmt: skip
    return saved
