"""The file of a record book on this machine: made whole, and the same one at every entry.

A file can be deleted, moved, replaced or emptied while a book is open, and whoever holds it
open would go on writing where nobody looks. So nothing stays open between two transactions:
each opens what is at the path, and `look` refuses it unless it is the file the book began with.

The file is never opened past SQLite here: on POSIX systems, closing any handle on it takes
away the locks of the whole process, and another program may then drop what was just saved
(SQLite, "How To Corrupt An SQLite Database File", section 2.2).
"""

from __future__ import annotations

import os
import secrets
import sqlite3
from collections.abc import Callable
from pathlib import Path
from typing import Any

import sqlalchemy as sa
from sqlalchemy import event, pool

from finishlab.errors import RecordsError


class BookFile:
    """
    One file that holds a book.

    Parameters
    ----------
    given : str
        Path as it was given, and as it is named in sentences.
    wait : float
        Seconds that a writer waits for the others.

    Raises
    ------
    RecordsError
        No book can be there, or what is there is empty.
    """

    def __init__(self, given: str, wait: float) -> None:
        self.name, self._path, self._wait = given, Path(given).absolute(), wait
        self._known: tuple[int, int] | None = None
        path = Path(given)
        try:
            found, parent, left = self._stat(), self._path.parent.is_dir(), self._beside("-wal").exists()
        except OSError as error:
            raise RecordsError(
                f"{path} cannot be read ({error.strerror}). Look at who may read it and its folder."
            ) from None
        if self._path.is_dir():
            raise RecordsError(f"{path} is a folder. Give the file of the book, as {path / 'trials.sqlite'}.")
        if not parent:
            raise RecordsError(
                f"there is no folder {path.parent} for the book {path.name}. Make the folder, or look at the path."
            )
        if found is None and left:
            raise RecordsError(
                f"{path} is gone, but {path.name}-wal, which belongs to it, is still there. No new book is made over it. "
                "Put the book back beside it. If there is none any more, move that file away."
            )
        if found is not None and not found.st_size:
            self.refuse_empty()
        self.there = found is not None

    def make(self, fill: Callable[[sa.Connection], object]) -> None:
        """
        Make the file, complete from the first moment; one that another bench made meanwhile is left.

        Parameters
        ----------
        fill : callable
            Makes the tables.
        """
        new = self._path.with_name(f".{self._path.name}.{secrets.token_hex(4)}")
        try:
            engine = self._engine(new, "rwc")
            with engine.connect().execution_options(writes=True) as connection, connection.begin():
                fill(connection)
            engine.dispose()
            _write_ahead(self._connected(new, "rw"))
            try:
                os.link(new, self._path)  # unlike replace, fails when a book is there
            except FileExistsError:
                pass
            except OSError:  # some file systems know no links
                if not self._path.exists():
                    new.replace(self._path)
        finally:
            for end in ("", "-journal", "-wal", "-shm"):
                new.with_name(new.name + end).unlink(missing_ok=True)

    def opened(self) -> sa.Engine:
        """Return what opens the file for each transaction; from now on no other file will do."""
        found = os.stat(self._path)
        self._known = found.st_dev, found.st_ino
        return self._engine(self._path, "rw")

    def write_ahead(self) -> None:
        """Have entries written beside the file first, so that readers never wait; a backup does not yet."""
        _write_ahead(self._connected(self._path, "rw"))

    def look(self) -> None:
        """Refuse a file that is gone, another one or empty; RecordsError says which."""
        found = self._stat()
        if found is None:
            raise RecordsError(_GONE.format(book=self.name, nothing=NOTHING))
        if (found.st_dev, found.st_ino) != self._known:
            raise RecordsError(_OTHER.format(book=self.name, nothing=NOTHING))
        if not found.st_size:
            raise RecordsError(_EMPTY.format(book=self.name, nothing=NOTHING))

    def look_after(self) -> None:
        """Refuse to acknowledge what was written while the file was taken away."""
        try:
            self.look()
        except RecordsError:
            raise RecordsError(
                f"{self.name} was deleted, moved or replaced while this entry was being saved, so the entry may be missing. "
                "Put the right file back, look whether the entry is in it, and save again if it is not."
            ) from None

    def refuse_empty(self) -> None:
        """Refuse a file in which no book is any more, or never was."""
        raise RecordsError(_EMPTY.format(book=self.name, nothing=""))

    def refuse_older(self) -> None:
        """Refuse a book that no longer holds what was saved in it."""
        raise RecordsError(_LESS.format(book=self.name, nothing=NOTHING))

    def _stat(self) -> os.stat_result | None:
        try:
            return os.stat(self._path)
        except (FileNotFoundError, NotADirectoryError):
            return None

    def _beside(self, end: str) -> Path:
        return self._path.with_name(self._path.name + end)

    def _connected(self, path: Path, mode: str) -> sqlite3.Connection:
        where = path.as_uri()
        if not where.startswith(
            "file:///"
        ):  # a machine's name, which SQLite takes for a part of the path only so
            where = where.replace("file://", "file:////", 1)
        return sqlite3.connect(f"{where}?mode={mode}", uri=True, timeout=self._wait, isolation_level=None)

    def _engine(self, path: Path, mode: str) -> sa.Engine:
        engine = sa.create_engine(
            "sqlite://", creator=lambda: self._connected(path, mode), poolclass=pool.NullPool
        )

        @event.listens_for(engine, "connect")
        def prepare(connection: Any, _: Any) -> None:
            connection.execute("pragma synchronous=full")
            connection.execute("pragma foreign_keys=on")

        @event.listens_for(engine, "begin")
        def begin(connection: sa.Connection) -> None:
            # A writer takes its turn before it reads; otherwise two that read the same would both write.
            writes = connection.get_execution_options().get("writes")
            connection.exec_driver_sql("BEGIN IMMEDIATE" if writes else "BEGIN")

        return engine


def _write_ahead(connection: sqlite3.Connection) -> None:
    try:
        if connection.execute("pragma journal_mode").fetchone() != ("wal",):
            connection.execute("pragma journal_mode=wal")
    finally:
        connection.close()


NOTHING = " Nothing of this entry was saved."
_GONE = (
    "{book} is gone: it was deleted, moved or renamed after it was opened.{nothing} "
    "Put the file back in its place, then save again."
)
_OTHER = (
    "{book} is not the file that was opened: another one was put in its place.{nothing} "
    "Look which one is the right book. Then open it anew (load the page again), and save."
)
_EMPTY = (
    "{book} is empty: if it held a book, nothing of it is left in this file.{nothing} "
    "Put the last backup in its place. If there never was a book, delete the empty file, and a new one is made."
)
_LESS = (
    "{book} no longer holds what was saved in it: an older or another book was copied over it.{nothing} "
    "Look which one is the right book. Then open it anew (load the page again), and save."
)
