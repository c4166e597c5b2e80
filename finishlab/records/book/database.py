"""The tables of the record book, and the versions they went through.

A book is kept for years and read by other tools too, so the tables use the words of the
study and every constraint has a name. Only what they hold is said here; how a transaction
runs is in `store.py`, what may be written in `bench_checks.py` and `record_book.py`.

Times are the bench's own clock, without a zone. What is logged is never overwritten
without a trace: `events` is only ever added to.
"""

from __future__ import annotations

from collections.abc import Callable

from sqlalchemy import (
    Boolean,
    CheckConstraint,
    Column,
    Connection,
    DateTime,
    Float,
    ForeignKeyConstraint,
    Index,
    Integer,
    MetaData,
    Table,
    Text,
    UniqueConstraint,
    text,
)

#: Version of the tables below. A book of a higher one was written by newer code.
VERSION = 1
#: What turns a book of one version into the next, by the version it starts from.
MIGRATIONS: dict[int, Callable[[Connection], None]] = {}

metadata = MetaData(
    naming_convention={
        "pk": "pk_%(table_name)s",
        "fk": "fk_%(table_name)s_%(column_0_N_name)s",
        "uq": "uq_%(table_name)s_%(column_0_N_name)s",
        "ck": "ck_%(table_name)s_%(constraint_name)s",
        "ix": "ix_%(table_name)s_%(column_0_N_name)s",
    }
)


def _id() -> Column[int]:
    return Column("id", Integer, primary_key=True)


def _of(table: str, *, needed: bool = True) -> Column[int]:
    return Column(f"{table}_id", Integer, nullable=not needed)


def _refers(table: str) -> ForeignKeyConstraint:
    return ForeignKeyConstraint([f"{table}_id"], [f"{'studies' if table == 'study' else table + 's'}.id"])


#: One row: which version the book is.
book = Table(
    "book",
    metadata,
    Column("id", Integer, primary_key=True, autoincrement=False),
    Column("version", Integer, nullable=False),
    CheckConstraint("id = 1", name="one_row"),
)

studies = Table(
    "studies",
    metadata,
    _id(),
    Column("key", Text, nullable=False),
    Column("title", Text, nullable=False),
    Column("added_at", DateTime, nullable=False),
    UniqueConstraint("key"),
)

#: Every text the study file had, and since when.
editions = Table(
    "editions",
    metadata,
    _id(),
    _of("study"),
    Column("number", Integer, nullable=False),
    Column("sha256", Text, nullable=False),
    Column("text", Text, nullable=False),
    Column("added_at", DateTime, nullable=False),
    _refers("study"),
    UniqueConstraint("study_id", "number"),
    UniqueConstraint("study_id", "sha256"),
)

panels = Table(
    "panels",
    metadata,
    _id(),
    _of("study"),
    Column("label", Text, nullable=False),
    Column("added_at", DateTime, nullable=False),
    _refers("study"),
    UniqueConstraint("study_id", "label"),
)

#: `label` is what the bench calls the trial; `number` is the same where it is a whole number.
#: `planned`, `settings` and `extras` are JSON: factor or heading -> value.
trials = Table(
    "trials",
    metadata,
    _id(),
    _of("study"),
    Column("label", Text, nullable=False),
    Column("number", Integer),
    Column("panel", Text, nullable=False),
    Column("patch", Text),
    Column("run_order", Text),
    Column("status", Text, nullable=False),
    Column("reason", Text),
    Column("burned_after_step", Text),
    Column("technician", Text),
    Column("planned", Text),
    Column("settings", Text, nullable=False),
    Column("extras", Text),
    Column("minutes", Float),
    Column("started_at", DateTime),
    Column("finished_at", DateTime),
    _refers("study"),
    ForeignKeyConstraint(["study_id", "panel"], ["panels.study_id", "panels.label"]),
    UniqueConstraint("study_id", "label"),
    CheckConstraint("status IN ('planned', 'started', 'done', 'spoiled')", name="status_word"),
)
# A patch is worked once, fresh; one that was spoiled may be made anew under its old number.
Index(
    "ux_trials_panel_patch",
    trials.c.study_id,
    trials.c.panel,
    trials.c.patch,
    unique=True,
    sqlite_where=text("status <> 'spoiled'"),
    postgresql_where=text("status <> 'spoiled'"),
)
Index("ix_trials_status", trials.c.study_id, trials.c.status, trials.c.id)

#: Steps worked: when each was finished, by whom, and how long it took.
works = Table(
    "works",
    metadata,
    _id(),
    _of("trial"),
    Column("step", Text, nullable=False),
    Column("technician", Text),
    Column("ended_at", DateTime),
    Column("minutes", Float),
    _refers("trial"),
    UniqueConstraint("trial_id", "step"),
)

#: One row a reading. `after` is a step or ``start``; `spot` 0 is a value that has no repeats.
readings = Table(
    "readings",
    metadata,
    _id(),
    _of("trial"),
    Column("after", Text, nullable=False),
    Column("quantity", Text, nullable=False),
    Column("spot", Integer, nullable=False),
    Column("value", Float),
    Column("direction", Text),
    Column("instrument", Text),
    Column("technician", Text),
    Column("taken_at", DateTime),
    _refers("trial"),
    UniqueConstraint("trial_id", "after", "quantity", "spot"),
    CheckConstraint("spot >= 0", name="spot_counts"),
)

#: All that ever happened, only added to. `key` makes a call that is sent twice count once,
#: and `answer` is what it was answered with the first time.
events = Table(
    "events",
    metadata,
    _id(),
    _of("study"),
    _of("trial", needed=False),
    Column("at", DateTime, nullable=False),
    Column("technician", Text),
    Column("what", Text, nullable=False),
    Column("before", Text),
    Column("after", Text),
    Column("reason", Text),
    Column("key", Text),
    Column("request", Text),
    Column("answer", Text),
    _refers("study"),
    _refers("trial"),
    UniqueConstraint("study_id", "key"),
)
Index("ix_events_trial_id", events.c.trial_id)

#: Readings of a tile of known value; `limit` is how far off is too far, and who said so.
meter_checks = Table(
    "meter_checks",
    metadata,
    _id(),
    _of("study"),
    Column("instrument", Text, nullable=False),
    Column("tile", Text, nullable=False),
    Column("expected", Float, nullable=False),
    Column("value", Float, nullable=False),
    Column("limit_value", Float, nullable=False),
    Column("limit_set_by", Text, nullable=False),
    Column("good", Boolean, nullable=False),
    Column("technician", Text),
    Column("at", DateTime, nullable=False),
    _refers("study"),
    CheckConstraint("limit_value > 0", name="limit_above_zero"),
)
