"""The record book: what a technician logs, kept so that nothing acknowledged is ever lost.

`RecordBook` is the one way in. Every call is one transaction: when it returns, the entry is
on the disk; when it raises, nothing of it is. How databases differ is in `store.py`, what
entries do in `entries.py`, `endings.py` and `book_import.py`, tables in `book_tables.py`.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from pathlib import Path
from types import TracebackType
from typing import TYPE_CHECKING, Any

from finishlab import progress
from finishlab.records import renaming
from finishlab.records.book import bench_checks as checks
from finishlab.records.book import book_import, endings, entries, incoming, rows
from finishlab.records.book.bench_checks import MeterCheck, Saved
from finishlab.records.book.book_import import Imported
from finishlab.records.book.book_pages import BookPages, moment_of
from finishlab.records.book.entries import Entry
from finishlab.records.book.store import cycles_not_sought
from finishlab.records.sheets.sheet import from_table
from finishlab.records.sheets.sheet_files import read_sheet

if TYPE_CHECKING:
    import pandas as pd

    from finishlab.records.renaming import NewName
    from finishlab.study import Study


class RecordBook(BookPages):
    """
    A shop's record book: planned trials, readings, and all that ever happened to them.

    Several benches may write at once. A call that returns has its entry on the disk; one
    that raises `RecordsError` has saved nothing, and says what was found, what was wanted
    and what to do. Corrections keep what was there.

    Parameters
    ----------
    url : str or Path
        A path or ``sqlite:///trials.sqlite`` for a file on this machine's own disk, made
        when it is not there (see `new`); ``postgresql+psycopg://name@server/database`` for benches on
        several machines (extra ``postgres``).
    new : bool, optional
        False refuses a file that is not there, so that no empty book takes the place of a lost one.

    Raises
    ------
    RecordsError
        The book cannot be opened, is something else, or was written by newer code.

    Notes
    -----
    Times are the bench's own clock. A technician is a number or initials.

    Examples
    --------
    >>> import tempfile
    >>> import pandas as pd
    >>> from finishlab.records.columns import _example
    >>> study, folder = _example(), tempfile.TemporaryDirectory()
    >>> book = RecordBook(Path(folder.name, "trials.sqlite"))
    >>> book.plan(study, pd.DataFrame({"panel": [1, 1], "patch": [1, 2], "cut_passes": [2, 4]}))
    [1, 2]
    >>> trial = book.start(study, technician="T1")
    >>> book.read(study, trial, after="cut", values={"gloss_20": [84.1, 84.3]}, technician="T1", minutes=3.5).text
    'Saved: trial 1, after cut: 20° gloss 84.1, 84.3 GU.'
    >>> book.finish(study, trial, technician="T1", minutes=5).text
    'Saved: trial 1, done in 5 minutes.'
    >>> book.trials(study)[["trial", "cut_passes", "gloss_20", "minutes", "status"]]
       trial  cut_passes  gloss_20  minutes   status
    0      1           2      84.2      5.0     done
    1      2           4       NaN      NaN  planned

    What cannot be is refused, and nothing of it is saved:

    >>> trial = book.start(study, technician="T1")
    >>> book.read(study, trial, after="cut", values={"gloss_20": [841]}, technician="T1")
    Traceback (most recent call last):
        ...
    finishlab.errors.RecordsError: trial 2 has 1 mistake; nothing of it was saved.
      - gloss_20_1: 841 GU is above 109.1 GU, the most a clear coat can read. If the decimal point slipped, write 84.1; else read the patch again.
    >>> book.close(); folder.cleanup()
    """

    def __enter__(self) -> RecordBook:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        """Let go of the book; every acknowledged entry is on the disk already."""
        self._store.close()

    def backup(self, path: str | Path) -> Path:
        """
        Write a copy of the book as it is now, while others may go on writing.

        Parameters
        ----------
        path : str or Path
            A new file; one that is there is not touched.

        Returns
        -------
        Path

        Raises
        ------
        RecordsError
            It cannot be written, or the book is on PostgreSQL.
        """
        self._store.backup(Path(path))
        return Path(path)

    # --- studies and plans ---------------------------------------------------------------------

    def add_study(self, study: Study, *, key: str | None = None) -> str:
        """
        Put a study in and return its key; a changed text becomes a new edition.

        Parameters
        ----------
        study : Study
        key : str, optional
            Short name in the book; the title makes one when left out.
        """
        wanted = None if key is None else rows.slug(key)
        return self._store.write(lambda conn: rows.put_study(conn, study, wanted)[1])

    def plan(
        self, study: Study, sheet: pd.DataFrame, *, technician: Any = None, instead: bool = False
    ) -> list[int | str]:
        """
        Put planned trials in, in run order; the same plan again changes nothing.

        Parameters
        ----------
        study : Study
        sheet : DataFrame
            The factors, `panel`, `patch`; `run_order`, `why` and others are kept. A patch
            that is planned and not yet worked takes over changed settings.
        technician : int or str, optional
            Who plans.
        instead : bool, optional
            True takes back the planned trials that nobody started, in the same moment.

        Returns
        -------
        list of int or str
            The trial of each row.

        Raises
        ------
        RecordsError
            All mistakes at once; nothing was taken.
        """
        checked = incoming.checked(from_table(incoming.plan_sheet(sheet, study)), study, partly=False)
        entry = self._entry(study, "plan" if technician is None else technician)
        return self._store.write(lambda conn: book_import.put_plan(conn, entry, checked, instead=instead))

    def take_back(self, study: Study, *, technician: Any = None) -> list[int | str]:
        """
        Take back the planned trials that nobody started; their numbers are not given again.

        Parameters
        ----------
        study : Study
        technician : int or str, optional
            Who takes them back.

        Returns
        -------
        list of int or str
            The trials taken back.
        """
        entry = self._entry(study, "plan" if technician is None else technician)
        return self._store.write(lambda conn: book_import.take_back(conn, entry))

    @cycles_not_sought()
    def import_sheet(
        self, study: Study, path: str | Path, *, technician: Any, partly: bool = False
    ) -> Imported:
        """
        Put the trials of a sheet in; sent in twice, it counts once.

        Parameters
        ----------
        study : Study
        path : str or Path
            ``.csv`` or ``.xlsx``, as `read_trials` reads it. A trial is known by `trial`,
            else by `panel` and `patch`.
        technician : int or str
            Who sends it in.
        partly : bool
            True takes the rows without a mistake; else nothing is taken when anything is wrong.

        Returns
        -------
        Imported
            `text`, `new`, `same` (the book had them exactly so), `refused`, `cautions`.

        Raises
        ------
        RecordsError
            All mistakes at once, where the sheet differs from the book included.
        """
        name, entry = Path(path).name, self._entry(study, technician)
        with progress.bar(3) as stage:
            stage(f"reading {name}")
            sheet = read_sheet(Path(path), study)
            stage(f"checking {name}")
            checked = incoming.checked(sheet, study, partly=partly)
            del sheet  # of a large one, the cells as they were typed need not stay
            stage(f"putting the trials of {name} into the book")
            return self._store.write(lambda conn: book_import.put_sheet(conn, entry, checked, partly=partly))

    def rename(self, before: Study, after: Study, what: NewName, *, technician: Any = None) -> int:
        """
        Give a step or a level another name; every trial keeps its history.

        Parameters
        ----------
        before, after : Study
            The study under the old name, if it is there still, and under the new one.
        what : NewName
        technician : int or str, optional
            Who renames.

        Returns
        -------
        int
            How many trials had the old name.

        Raises
        ------
        RecordsError
            Trials have both names; nothing was changed.
        """
        entry = self._entry(after, "rename" if technician is None else technician)
        return self._store.write(lambda conn: renaming.rename(conn, entry, before, what))

    # --- at the bench --------------------------------------------------------------------------

    def start(
        self, study: Study, *, technician: Any, trial: Any = None, panel: Any = None, patch: Any = None,
        settings: Mapping[str, Any] | None = None, key: str | None = None, film_before_um: Any = None,
        reason: str | None = None,
    ) -> int | str:  # fmt: skip
        """
        Start a trial and return it.

        Parameters
        ----------
        study : Study
        technician : int or str
        trial, panel, patch : int or str, optional
            Which planned trial; left out, the next one. With `settings` and a free patch,
            a trial that nobody planned; without `patch`, on the panel's next one.
        settings : mapping, optional
            What is not as planned, or all factors of an unplanned trial.
        key : str, optional
            Two calls with one key count once.
        film_before_um : float or list of float, optional
            µm.
        reason : str, optional
            Needed where settings are not as planned.

        Returns
        -------
        int or str

        Raises
        ------
        RecordsError
            Someone else started it, a setting is not one of the study, or a reason lacks.
        """
        entry = self._entry(study, technician, key, "start", trial, panel, patch, settings, film_before_um)
        return self._store.write(
            lambda conn: entries.start(
                conn, entry, trial=trial, panel=panel, patch=patch, settings=settings,
                film_before_um=film_before_um, reason=reason,
            )
        ).trial  # fmt: skip

    def worked(
        self, study: Study, trial: int | str, *, step: str, technician: Any, minutes: float | None = None,
        key: str | None = None,
    ) -> Saved:  # fmt: skip
        """
        Log that a step is worked and wiped, so that the study's wait begins.

        Parameters
        ----------
        study : Study
        trial : int or str
        step : str
        technician : int or str
        minutes : float, optional
            Working minutes of the step.
        key : str, optional
            Two calls with one key count once.
        """
        entry = self._entry(study, technician, key, "worked", trial, step, minutes)
        return self._store.write(lambda conn: entries.worked(conn, entry, trial, step=step, minutes=minutes))

    def read(
        self, study: Study, trial: int | str, *, after: str, values: Mapping[str, Any], technician: Any,
        instrument: str = "", direction: str = "", minutes: float | None = None, key: str | None = None,
        when: dt.datetime | str | None = None,
    ) -> Saved:  # fmt: skip
        """
        Log readings of a patch; those of a second call join those of the first.

        Parameters
        ----------
        study : Study
        trial : int or str
        after : str
            Step after which was read, or ``start``.
        values : mapping of str to list
            Readings by quantity, as ``{"gloss_20": [84.1, 84.3], "faults": [0]}``; film in µm.
        technician : int or str
        instrument, direction : str, optional
            Which meter; along or across the sanding.
        minutes : float, optional
            Working minutes of that step.
        key : str, optional
            Two calls with one key count once.
        when : datetime or str, optional
            When it was read, if not now.

        Returns
        -------
        Saved
            With `prompts`: read again, wait, or stop.

        Raises
        ------
        RecordsError
            A value is impossible, or the trial is not under way; nothing was saved.
        """
        entry = self._entry(
            study, technician, key, "read", trial, after, values, instrument, direction, minutes, when=when
        )
        return self._store.write(
            lambda conn: entries.read(
                conn, entry, trial, after=after, values=values, instrument=instrument, direction=direction,
                minutes=minutes,
            )
        )  # fmt: skip

    def finish(
        self, study: Study, trial: int | str, *, technician: Any, minutes: float | None = None,
        film_after_um: Any = None, faults: Any = None, key: str | None = None,
    ) -> Saved:  # fmt: skip
        """
        Mark a trial done.

        Parameters
        ----------
        study : Study
        trial : int or str
        technician : int or str
        minutes : float, optional
            Working minutes of the patch; left out, the minutes of its steps together.
        film_after_um, faults : float or list of float, optional
            Last readings, µm and a count.
        key : str, optional
            Two calls with one key count once.

        Raises
        ------
        RecordsError
            Minutes or a reading of the goal lack, or a value is impossible.
        """
        entry = self._entry(study, technician, key, "finish", trial, minutes, film_after_um, faults)
        return self._store.write(
            lambda conn: endings.finish(
                conn, entry, trial, minutes=minutes, film_after_um=film_after_um, faults=faults
            )
        )

    def spoil(
        self, study: Study, trial: int | str, *, reason: str, technician: Any, key: str | None = None
    ) -> Saved:
        """Mark a trial spoiled, at any time, with the reason; what was logged of it stays."""
        entry = self._entry(study, technician, key, "spoil", trial, reason)
        return self._store.write(lambda conn: endings.spoil(conn, entry, trial, reason=reason))

    def burn(
        self, study: Study, trial: int | str, *, after: str, technician: Any, note: str = "",
        key: str | None = None,
    ) -> Saved:  # fmt: skip
        """End a trial whose clear coat was worked through in the step `after`: a result, not spoiled."""
        entry = self._entry(study, technician, key, "burn", trial, after, note)
        return self._store.write(lambda conn: endings.burn(conn, entry, trial, after=after, note=note))

    def amend(
        self, study: Study, trial: int | str, *, changes: Mapping[str, Any], reason: str, technician: Any,
        key: str | None = None,
    ) -> Saved:  # fmt: skip
        """
        Correct what is logged; what was there stays in the history.

        Parameters
        ----------
        study : Study
        trial : int or str
        changes : mapping of str to value
            By column of the trial table, as ``{"gloss_20_2": 84.3, "cut_passes": 5}``; None
            takes a value away.
        reason : str
        technician : int or str
            Who corrects.
        key : str, optional
            Two calls with one key count once.

        Raises
        ------
        RecordsError
            A column is not one of the trial, the trial would break a rule, or a reason lacks.
        """
        entry = self._entry(study, technician, key, "amend", trial, changes, reason)
        return self._store.write(
            lambda conn: endings.amend(conn, entry, trial, changes=changes, reason=reason)
        )

    def check_meter(
        self, study: Study, *, instrument: str, tile: str, expected: float, read: float, limit: float,
        limit_set_by: str, technician: Any, key: str | None = None,
    ) -> MeterCheck:  # fmt: skip
        """
        Log the daily check of a meter on a tile of known value.

        Parameters
        ----------
        study : Study
        instrument, tile : str
        expected, read : float
            Value of the tile, and what the meter shows, in the same unit.
        limit : float
            How far off is too far. It has no default.
        limit_set_by : str
            Who said so.
        technician : int or str
        key : str, optional
            Two calls with one key count once.

        Returns
        -------
        MeterCheck
            Off by more than the limit, it puts every reading of the meter since the last
            good check on this tile in doubt: `readings` says so, `trials` cautions.
        """
        entry = self._entry(
            study, technician, key, "check_meter", instrument, tile, expected, read, limit, limit_set_by
        )
        return self._store.write(
            lambda conn: entries.check_meter(
                conn, entry, instrument=instrument, tile=tile, expected=expected, read=read, limit=limit,
                limit_set_by=limit_set_by,
            )
        )  # fmt: skip

    def _entry(
        self, study: Study, technician: Any, key: str | None = None, *request: Any,
        when: dt.datetime | str | None = None,
    ) -> Entry:  # fmt: skip
        moment = rows.now() if when is None else moment_of(when)
        return Entry(study, checks.person(technician), key, rows.fingerprint(*request), moment)
