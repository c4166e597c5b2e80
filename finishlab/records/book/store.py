"""Where a record book is kept: the database, its transactions, and its errors in plain words.

SQLite is one file on the bench's own disk; PostgreSQL, by URL, is for several machines. On
both there is one writer at a time and readers never wait, so a body that reads and then
writes decides on what is really there. What is in the tables is in `database.py`; what they
mean is not known here.
"""

from __future__ import annotations

import gc
import os
import random
import sqlite3
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from functools import partial
from pathlib import Path
from typing import Any, TypeVar

import sqlalchemy as sa
from sqlalchemy import exc

from finishlab.errors import RecordsError
from finishlab.records.book import database as tables
from finishlab.records.book.book_file import BookFile

T = TypeVar("T")

#: How long a writer waits for the others before it says that the book is in use.
BUSY_SECONDS = 30
#: How often a transaction is run again when the database gave way to another one.
_ATTEMPTS = 40
#: Answers of PostgreSQL after which the same transaction may succeed (its manual, appendix A):
#: serialization failure, deadlock, and a row or table that another writer made meanwhile.
_AGAIN = ("40001", "40P01", "23505", "42P07")


class Store:
    """
    One open database.

    Parameters
    ----------
    url : str or Path
        A path or ``sqlite:///path`` for a file;
        ``postgresql+psycopg://...`` for a server.
    new : bool, optional
        Make the file when it is not there.

    Raises
    ------
    RecordsError
        The book cannot be opened, was written by newer code, or is something else.
    """

    def __init__(self, url: str | Path, *, new: bool = True) -> None:
        self._url = _url(url)
        self.sqlite = self._url.get_backend_name() == "sqlite"
        self.name = self._url.database if self.sqlite else self._url.render_as_string(hide_password=True)
        self._made = False
        self._last: tuple[Any, ...] | None = None  # the last entry that this store knows to be in the book
        self._file = BookFile(str(self.name), BUSY_SECONDS) if self.sqlite else None
        if self._file is not None:
            if not new and not self._file.there:
                raise RecordsError(
                    f"there is no record book {self.name}. If it was moved or renamed, put it back in its place."
                )
            self._engine = self._answered(partial(_opened, self._file))
        else:
            self._engine = self._server()
        try:
            self._open()
        except BaseException:
            self.close()
            raise

    def _server(self) -> sa.Engine:
        try:
            return sa.create_engine(self._url, isolation_level="SERIALIZABLE", pool_pre_ping=True)
        except ModuleNotFoundError as error:
            raise RecordsError(
                f"a book on PostgreSQL needs the package {error.name}. Install it with: pip install 'finishlab[postgres]'"
            ) from None

    def _open(self) -> None:
        """Make the tables of a new book, or see that an old one can be read."""
        found, others = self.read(_found)
        self._made = found is not None
        if found is None and others:
            raise RecordsError(
                f"{self.name} is a database of something else (it has the table '{others[0]}'). "
                "Give the book's own path, or a new name."
            )
        if found is None and self._file is not None:
            self._file.refuse_empty()
        if found is not None and found > tables.VERSION:
            raise RecordsError(
                f"{self.name} was written by a newer finishlab (book version {found}; this one knows {tables.VERSION}). "
                "Update finishlab on this machine; nothing in the book was touched."
            )
        if found != tables.VERSION:
            self.write(_brought_up)
            self._made = True
        if self._file is not None:
            self._answered(self._file.write_ahead)
            self._last = self.read(_event)

    def read(self, body: Callable[[sa.Connection], T]) -> T:
        """
        Return what a body reads, all from one moment; it waits for no writer.

        Parameters
        ----------
        body : callable
            Takes a connection; must not write.
        """

        def run() -> T:
            options = {} if self.sqlite else {"isolation_level": "REPEATABLE READ"}
            if self._file is not None:
                self._file.look()
            with self._engine.connect().execution_options(**options) as connection, connection.begin():
                return body(connection)

        return self._answered(run)

    def write(self, body: Callable[[sa.Connection], T]) -> T:
        """
        Return what a body returns, once all it wrote is on the disk; else nothing is written.

        Parameters
        ----------
        body : callable
            Takes a connection. It may be run more than once, so it must not change
            anything but the book.
        """

        def on_server() -> T:
            with self._engine.connect() as connection, connection.begin():
                if self._made:
                    # Writers take turns, as on SQLite; said first, since the first look fixes what is seen.
                    connection.execute(sa.text("LOCK TABLE studies IN EXCLUSIVE MODE"))
                return body(connection)

        file = self._file
        return self._answered(on_server if file is None else lambda: self._written(file, body))

    def _written(self, file: BookFile, body: Callable[[sa.Connection], T]) -> T:
        """Write into the file of the book, which is looked at before and after."""
        file.look()
        with self._engine.connect().execution_options(writes=True) as connection:
            with connection.begin():
                if self._last is not None and _event(connection, self._last[0]) != self._last:
                    file.refuse_older()
                out = body(connection)
                last = _event(connection) if self._made else None
            file.look_after()
            # Bring the entry into the main file too, so that a copy of it made by hand is complete. A
            # reader may hold some of it back, or the disk be full: the entry is safe beside it, and goes
            # in with a later one.
            with suppress(sqlite3.Error):
                raw = connection.connection.driver_connection
                assert isinstance(raw, sqlite3.Connection)
                raw.execute("pragma wal_checkpoint(passive)")
        self._last = last
        return out

    def _answered(self, run: Callable[[], T]) -> T:
        for attempt in range(_ATTEMPTS):
            try:
                return run()
            except exc.DBAPIError as error:
                last = attempt == _ATTEMPTS - 1
                if last or getattr(error.orig, "sqlstate", None) not in _AGAIN:
                    raise RecordsError(self._words(error)) from None
                time.sleep(random.uniform(0, min(0.5, 0.005 * 2**attempt)))
            except UnicodeEncodeError as error:
                broken = ascii(error.object[error.start : error.end])
                raise RecordsError(
                    f"a text has a broken letter ({broken}). {_NOTHING} Type that text again."
                ) from None
            except (sqlite3.Error, OSError) as error:
                raise RecordsError(self._words(error)) from None
        raise AssertionError  # the last attempt returns or raises

    def _words(self, error: Exception) -> str:
        """Say what a database's error means for the one at the bench."""
        origin = error.orig if isinstance(error, exc.DBAPIError) else error
        name, found = (
            getattr(origin, "sqlite_errorname", "") or "",
            str(origin).splitlines()[0] if str(origin) else "",
        )
        code = getattr(origin, "sqlstate", None) or ""
        for starts, sentence in _SENTENCES:
            if any((name and name.startswith(s)) or (code and code.startswith(s)) for s in starts):
                return sentence.format(book=self.name, found=found, seconds=BUSY_SECONDS)
        if isinstance(error, exc.DataError):
            return f"a text or number cannot be kept ({found}). {_NOTHING} Type it again."
        if not self.sqlite and not code:
            return (
                f"the database of the book, {self.name}, does not answer ({found}). {_NOTHING} "
                "Look whether the server runs and the network is there, then save again."
            )
        return f"{self.name} cannot be used ({found}). {_NOTHING}"

    def backup(self, path: Path) -> None:
        """
        Write a copy of the book as it is at one moment, while others may go on writing.

        Raises
        ------
        RecordsError
            The book is on PostgreSQL, something of that name is there, or it cannot be written.
        """
        if not self.sqlite:
            raise RecordsError(
                "a book on PostgreSQL is copied with the database's own backup program, by whoever keeps the server. "
                "For a copy of the trials alone, write them as a sheet."
            )
        if path.exists():
            raise RecordsError(f"{path} is there already and was not touched. Give the copy a new name.")
        if not path.parent.is_dir():
            raise RecordsError(f"there is no folder {path.parent} for the copy. Make it, or give another.")
        beside = path.with_name(f".{path.name}.part")
        try:
            try:
                beside.unlink(missing_ok=True)
                self._copied(beside)
                beside.replace(path)
            finally:
                beside.unlink(missing_ok=True)
        except (sqlite3.Error, OSError) as error:
            raise RecordsError(
                f"the copy {path.name} was not written in {path.parent} ({error}). The book itself is as it was. "
                "Look at the folder, its free space and who may write there."
            ) from None

    def _copied(self, path: Path) -> None:
        if self._file is not None:
            self._file.look()
        raw = self._engine.raw_connection()
        try:
            copy = sqlite3.connect(path)
            try:
                assert isinstance(raw.driver_connection, sqlite3.Connection)
                raw.driver_connection.backup(copy)  # in one step: a consistent moment, however many write
                copy.execute("pragma journal_mode=delete")  # one file, complete in itself
            finally:
                copy.close()
            with path.open("rb+") as file:
                os.fsync(file.fileno())
        finally:
            raw.close()

    def close(self) -> None:
        """Let go of the database."""
        self._engine.dispose()


@contextmanager
def cycles_not_sought() -> Iterator[None]:
    """Keep Python from looking for cycles among rows, which have none; it takes a third of the time."""
    was = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if was:
            gc.enable()


_NOTHING = "Nothing of this entry was saved; what was saved before is there."
_SENTENCES = (
    (
        ("SQLITE_BUSY", "SQLITE_LOCKED", "55P03"),
        "{book} is in use: another program has held it for {seconds:g} seconds. " + _NOTHING + " "
        "Close what else has the file open (a spreadsheet, a copy in progress), and save again.",
    ),
    (
        ("SQLITE_FULL", "53100"),
        "the disk of {book} is full. " + _NOTHING + " Make room on it, and save again.",
    ),
    (
        ("SQLITE_READONLY", "25006"),
        "{book} may not be written: the file or its folder is read-only. " + _NOTHING + " "
        "Ask who keeps this machine for the right to write there, or keep the book elsewhere.",
    ),
    (
        ("SQLITE_CANTOPEN", "SQLITE_PERM", "SQLITE_AUTH"),
        "{book} cannot be opened or made: the folder may be read-only, or the file belongs to someone else. "
        + _NOTHING
        + " Ask who keeps this machine for the right to read and write there.",
    ),
    (
        ("SQLITE_NOTADB",),
        "{book} is no record book: it is another kind of file, or it is damaged. "
        "Nothing of this entry was saved. Give the book's own path or a new name; if it was the book, put the file aside and go on with the last backup.",
    ),
    (
        ("SQLITE_CORRUPT",),
        "{book} is damaged ({found}). " + _NOTHING + " Put the file aside and go on with the last backup.",
    ),
    (
        ("SQLITE_IOERR",),
        "the disk of {book} does not read or write as it should ({found}). " + _NOTHING + " "
        "A network share cannot hold a book; look at the disk, and save again.",
    ),
    (("28", "42501"), "the database of {book} lets nobody in by that name ({found}). " + _NOTHING),
    (("3D000",), "the server has no database of that name ({found}). Make it first, or look at the URL."),
    (
        _AGAIN,
        "{book} is so busy that this entry found no turn. " + _NOTHING + " Save again.",
    ),
)


def _url(url: str | Path) -> sa.URL:
    """Return the URL of a book given by path or URL."""
    text = str(url)
    if isinstance(url, Path) or "://" not in text:
        return sa.URL.create("sqlite", database=text)
    try:
        made = sa.make_url(text)
    except exc.ArgumentError:
        made = None
    kind = made.get_backend_name() if made is not None else ""
    if made is None or kind not in ("sqlite", "postgresql"):
        raise RecordsError(
            f"a book is kept in a file or on PostgreSQL; the URL begins with '{text.split(':')[0]}'. "
            "Write sqlite:///trials.sqlite, or postgresql+psycopg://name@server/database."
        )
    if kind == "postgresql":
        return made.set(drivername="postgresql+psycopg")
    if not made.database or made.database == ":memory:":
        raise RecordsError(
            "a book in memory would be lost with the program. Give a file, as sqlite:///trials.sqlite."
        )
    return made


def _opened(file: BookFile) -> sa.Engine:
    """Return what opens a book's file, which is made where there is none."""
    if not file.there:
        file.make(_brought_up)
    return file.opened()


def _event(connection: sa.Connection, number: int | None = None) -> tuple[Any, ...] | None:
    """Return an entry among all that happened, by its number or the last one; None where there is none."""
    e = tables.events.c
    chosen = sa.select(e.id, e.at, e.what, e.technician, e.after).order_by(e.id.desc()).limit(1)
    found = connection.execute(chosen if number is None else chosen.where(e.id == number)).first()
    return None if found is None else tuple(found)


def _found(connection: sa.Connection) -> tuple[int | None, list[str]]:
    """Return the version of the book, None when it is not made yet, and the tables there are."""
    names = sorted(sa.inspect(connection).get_table_names())
    if tables.book.name not in names:
        return None, names
    return connection.scalar(sa.select(tables.book.c.version)), names


def _brought_up(connection: sa.Connection) -> None:
    """Make the tables, or bring those of an older version up to this one."""
    found, _ = _found(connection)
    if found is None:
        tables.metadata.create_all(connection)
        connection.execute(sa.insert(tables.book).values(id=1, version=tables.VERSION))
        return
    for version in range(found, tables.VERSION):
        tables.MIGRATIONS[version](connection)
    connection.execute(sa.update(tables.book).values(version=tables.VERSION))
