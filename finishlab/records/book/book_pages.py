"""What a record book shows: tables of trials and readings, history, what is to be done next.

The half of `RecordBook` that only reads, each call from one moment and without waiting for
any writer. How the tables are made is in `book_tables.py`, what is written in `record_book.py`.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

import sqlalchemy as sa

from finishlab.errors import RecordsError
from finishlab.records.book import book_tables, rows
from finishlab.records.book import database as t
from finishlab.records.book.logged_trial import Logged, number_or_text
from finishlab.records.book.store import Store

if TYPE_CHECKING:
    import pandas as pd

    from finishlab.study import Study


class BookPages:
    """The pages of a record book; see `RecordBook`."""

    def __init__(self, url: str | Path, *, new: bool = True) -> None:
        self._store = Store(url, new=new)

    @property
    def name(self) -> str:
        """Path or URL of the book, without a password."""
        return str(self._store.name)

    def studies(self) -> pd.DataFrame:
        """Return the studies: `key`, `title`, `editions`, `trials`, `done`, `added`."""
        import pandas as pd

        s, c = t.studies.c, t.trials.c
        count = sa.select(sa.func.count()).select_from
        chosen = sa.select(
            s.key,
            s.title,
            count(t.editions).where(t.editions.c.study_id == s.id).scalar_subquery(),
            count(t.trials).where(c.study_id == s.id).scalar_subquery(),
            count(t.trials).where(c.study_id == s.id, c.status == "done").scalar_subquery(),
            s.added_at,
        ).order_by(s.id)
        found = self._store.read(lambda conn: conn.execute(chosen).all())
        names = ["key", "title", "editions", "trials", "done", "added"]
        return pd.DataFrame([tuple(row) for row in found], columns=names)

    def next_trial(
        self, study: Study, *, technician: Any = None, blind: bool = False
    ) -> dict[str, Any] | None:
        """
        Return what to do next: the first trial under way whose wait is over, else the first planned.

        Parameters
        ----------
        study : Study
        technician : int or str, optional
            Trials started by others are then passed over.
        blind : bool
            True hides `settings` and `why` from the one who reads.

        Returns
        -------
        dict or None
            `trial`, `panel`, `patch`, `status`, `technician`, `settings`, `why`, `steps_done`,
            `to_read` (step worked, to be read now), `next_step`, `minutes_left` of the wait.
            None when nothing is left.
        """

        def found(conn: sa.Connection) -> list[Logged]:
            study_id = rows.study_to_show(conn, study)
            planned = book_tables.next_planned(conn, study_id)
            return book_tables.open_trials(conn, study_id, ("started",)) + ([planned] if planned else [])

        now = rows.now()
        mine = [
            book_tables.as_task(x, study, now, blind=blind)
            for x in self._store.read(found)
            if technician is None or x.status == "planned" or x.head["technician"] == str(technician).strip()
        ]
        return next((m for m in mine if not m["minutes_left"]), min(mine, key=_left, default=None))

    def waiting(self, study: Study, *, blind: bool = False) -> pd.DataFrame:
        """
        Return the trials whose wait is not over, and what can be worked meanwhile.

        Returns
        -------
        DataFrame
            `trial`, `panel`, `patch`, `technician`, `to_read`, `minutes_left`, `meanwhile` (in words).
        """
        import pandas as pd

        def found(conn: sa.Connection) -> tuple[list[Logged], Logged | None]:
            study_id = rows.study_to_show(conn, study)
            return book_tables.open_trials(conn, study_id, ("started",)), book_tables.next_planned(
                conn, study_id
            )

        started, planned = self._store.read(found)
        now = rows.now()
        tasks = [book_tables.as_task(x, study, now, blind=blind) for x in started]
        ready = [x for x in tasks if not x["minutes_left"]]
        if planned is not None:
            ready.append(book_tables.as_task(planned, study, now, blind=blind))
        meanwhile = (
            f"work trial {ready[0]['trial']} on panel {ready[0]['panel']}"
            if ready
            else "nothing is left to work"
        )
        columns = ["trial", "panel", "patch", "technician", "to_read", "minutes_left"]
        held = sorted((x for x in tasks if x["minutes_left"]), key=_left)
        return pd.DataFrame([{c: x[c] for c in columns} for x in held], columns=columns).assign(
            meanwhile=meanwhile
        )

    def trials(self, study: Study) -> pd.DataFrame:
        """
        Return the trial table, checked as `read_trials` checks a sheet.

        Returns
        -------
        DataFrame
            One row a trial, repeats side by side and their mean under the plain name; none
            while there is no trial. In ``attrs["cautions"]`` what deserves care, readings in
            doubt by a meter check included.

        Raises
        ------
        RecordsError
            Trials that break a rule of the table, by trial and column; amend them. Or the
            book is of other studies.
        """

        def found(conn: sa.Connection) -> tuple[pd.DataFrame, tuple[str, ...]]:
            study_id = rows.study_to_show(conn, study)
            return book_tables.tidy(conn, study_id, study), book_tables.doubtful(conn, study_id)

        table, doubtful = self._store.read(found)
        return book_tables.checked(table, study, doubtful)

    def as_logged(self, study: Study) -> pd.DataFrame:
        """
        Return the trial table as it stands, no rule of it asked.

        For the bench: one odd value must not keep it from going on, nor from correcting just
        that value. Whatever computes takes `trials`.

        Returns
        -------
        DataFrame
            As `trials`, repeats without their means; whole numbers of trial, panel and patch as numbers.

        Raises
        ------
        RecordsError
            The study is not in the book.
        """
        table = self._store.read(lambda conn: book_tables.tidy(conn, rows.known_study(conn, study), study))
        labels = [c for c in ("trial", "panel", "patch") if c in table]
        return table.assign(**{c: table[c].map(_label) for c in labels})

    def readings(
        self, study: Study, *, reading: str | None = None, since: dt.datetime | str | None = None
    ) -> pd.DataFrame:
        """
        Return one row a reading, in the order of trials.

        Parameters
        ----------
        study : Study
        reading : str, optional
            One quantity only, as ``gloss_20``.
        since : datetime or str, optional
            Only what was read from then on.

        Returns
        -------
        DataFrame
            `trial`, `panel`, `patch`, `technician`, `quantity`, `value`, `spot` (0 where read
            once), `direction`, `after`, `instrument`, `when`, and `good`: False where the
            next meter check was off by more than its limit.
        """
        begin = None if since is None else moment_of(since)
        return self._store.read(
            lambda conn: book_tables.long(conn, rows.study_to_show(conn, study), reading, begin)
        )

    def meter_checks(self, study: Study) -> pd.DataFrame:
        """
        Return the daily checks of the meters on their tiles, in the order of time.

        Parameters
        ----------
        study : Study

        Returns
        -------
        DataFrame
            `when`, `instrument`, `tile`, `expected`, `value`, `limit`, `limit_set_by`, `good`,
            `technician`: what `finishlab.meter_drift` takes.
        """
        return self._store.read(lambda conn: book_tables.meter_checks(conn, rows.study_to_show(conn, study)))

    def history(self, study: Study, trial: int | str) -> pd.DataFrame:
        """Return all that happened to a trial, oldest first: `when, who, what, before, after, reason`."""
        return self._store.read(
            lambda conn: book_tables.history(
                conn, rows.load(conn, rows.known_study(conn, study), trial), study
            )
        )

    def today(self, study: Study, *, technician: Any = None) -> pd.DataFrame:
        """Return what was logged today, newest first: `when, trial, who, what, before, after, reason`."""
        who = None if technician is None else str(technician).strip()
        return self._store.read(
            lambda conn: book_tables.of_today(
                conn, rows.study_to_show(conn, study), study, rows.now().date(), who
            )
        )


def _label(value: Any) -> Any:
    return number_or_text(value) if isinstance(value, str) else value


def _left(task: Mapping[str, Any]) -> float:
    return float(task["minutes_left"])


def moment_of(when: dt.datetime | str) -> dt.datetime:
    """Return a moment on the bench's own clock."""
    if isinstance(when, str):
        try:
            when = dt.datetime.fromisoformat(when)
        except ValueError:
            raise RecordsError(f"when: '{when}' is not a date. Write year-month-day hour:minute.") from None
    return when.astimezone().replace(tzinfo=None) if when.tzinfo else when
