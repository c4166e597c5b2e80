"""The file of a record book: nothing is acknowledged into a file that was taken away, replaced or emptied."""

import os
import shutil
import sqlite3
import subprocess
import sys

import pytest
import record_writer
from record_sheets import STUDY
from skips import ANYWHERE

import finishlab as fl
from finishlab.errors import RecordsError
from finishlab.records.book.book_file import BookFile


@pytest.fixture
def path(tmp_path):
    return tmp_path / "shop" / "trials.sqlite"


@pytest.fixture
def book(path):
    """An open book in which one trial is done, beside an older copy that lacks it."""
    path.parent.mkdir()
    with fl.RecordBook(path) as opened:
        one(opened)
        opened.backup(path.with_name("older.sqlite"))
        one(opened)
        yield opened


def one(book):
    """Log one trial to its end."""
    trial = book.start(STUDY, technician="T1", panel="1", settings=record_writer.SETTINGS)
    book.read(
        STUDY,
        trial,
        after="polish",
        values={"gloss_20": [84.1, 84.3, 84.0], "faults": [0]},
        technician="T1",
    )
    book.finish(STUDY, trial, technician="T1", minutes=6.5)
    return trial


def done(path):
    with fl.RecordBook(path) as book:
        return book.trials(STUDY).query("status == 'done'")["trial"].tolist()


def overwrite(path):
    """Put an older copy over the book, in the same file: what a copying program does."""
    path.write_bytes(path.with_name("older.sqlite").read_bytes())


DEEDS = {
    "deleted": (lambda p: p.unlink(), "is gone: it was deleted, moved or renamed after it was opened."),
    "renamed": (lambda p: p.rename(p.with_name("old.sqlite")), "is gone: it was deleted, moved or renamed"),
    "folder": (lambda p: p.parent.rename(p.parent.with_name("archive")), "is gone: it was deleted, moved"),
    "replaced": (
        lambda p: p.with_name("older.sqlite").replace(p),
        "is not the file that was opened: another one was put in its place.",
    ),
    "emptied": (lambda p: p.write_bytes(b""), "is empty: if it held a book, nothing of it is left"),
    "overwritten": (overwrite, "no longer holds what was saved in it: an older or another book was copied"),
    "spoiled": (lambda p: p.write_bytes(b"x" * 5000), "is no record book: it is another kind of file"),
}


@pytest.mark.parametrize("deed", DEEDS)
def test_no_entry_is_acknowledged_into_a_file_that_is_not_the_open_book(book, path, deed):
    act, said = DEEDS[deed]
    act(path)
    before = path.read_bytes() if path.exists() else None
    with pytest.raises(RecordsError) as caught:
        one(book)
    assert said in str(caught.value)
    assert "Nothing of this entry was saved" in str(caught.value)
    assert (path.read_bytes() if path.exists() else None) == before, "and nothing is made in its place"


def test_a_book_put_back_in_its_place_goes_on(book, path):
    away = path.with_name("away.sqlite")
    path.rename(away)
    with pytest.raises(RecordsError, match="Put the file back in its place, then save again"):
        book.trials(STUDY)
    away.rename(path)
    assert one(book) == 3
    assert done(path) == [1, 2, 3]


def test_a_file_taken_away_while_an_entry_is_saved_is_said(book, path):
    with pytest.raises(RecordsError, match=r"while this entry was being saved, so the entry may be missing"):
        book._store.write(lambda conn: path.rename(path.with_name("away.sqlite")))


def test_a_book_by_a_relative_path_stays_where_it_is_when_the_program_moves(tmp_path, monkeypatch):
    (tmp_path / "elsewhere").mkdir()
    monkeypatch.chdir(tmp_path)
    with fl.RecordBook("trials.sqlite") as book:
        monkeypatch.chdir(tmp_path / "elsewhere")
        one(book)
    assert done(tmp_path / "trials.sqlite") == [1]


@pytest.mark.parametrize("name", ["a b", "50 % & #1?", "müh-ä"])
def test_a_folder_may_have_any_name(tmp_path, name):
    if os.name == "nt" and "?" in name:
        pytest.skip(ANYWHERE["names"])
    (tmp_path / name).mkdir()
    with fl.RecordBook(tmp_path / name / "trials.sqlite") as book:
        one(book)
    assert [p.name for p in (tmp_path / name).iterdir()] == ["trials.sqlite"]


# --- making one -----------------------------------------------------------------------------------


def test_an_empty_file_never_becomes_a_book_by_itself(tmp_path):
    path = tmp_path / "trials.sqlite"
    path.touch()
    with pytest.raises(
        RecordsError, match=r"is empty: .* Put the last backup in its place\. If there never was a book"
    ):
        fl.RecordBook(path)
    assert path.stat().st_size == 0


def test_a_database_without_a_table_never_becomes_a_book_by_itself(tmp_path):
    path = tmp_path / "trials.sqlite"
    connection = sqlite3.connect(path)
    connection.execute("create table x (y)")
    connection.execute("drop table x")
    connection.close()
    before = path.read_bytes()
    with pytest.raises(RecordsError, match="is empty: if it held a book"):
        fl.RecordBook(path)
    assert path.read_bytes() == before


def test_no_book_is_made_over_what_is_left_of_another(tmp_path):
    left = tmp_path / "trials.sqlite-wal"
    left.write_bytes(b"what was saved last")
    with pytest.raises(RecordsError, match=r"is gone, but trials\.sqlite-wal, which belongs to it, is still"):
        fl.RecordBook(tmp_path / "trials.sqlite")
    assert [p.name for p in tmp_path.iterdir()] == ["trials.sqlite-wal"]
    assert left.read_bytes() == b"what was saved last"


def test_a_book_half_made_is_no_file_at_all(tmp_path):
    def stops(connection):
        connection.exec_driver_sql("create table book (id int)")
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        BookFile(str(tmp_path / "trials.sqlite"), 1).make(stops)
    assert list(tmp_path.iterdir()) == []


def test_a_book_that_another_bench_made_meanwhile_is_kept(tmp_path):
    path = tmp_path / "trials.sqlite"
    late = BookFile(str(path), 1)
    with fl.RecordBook(path) as book:
        one(book)
    late.make(lambda connection: connection.exec_driver_sql("create table book (id int)"))
    assert done(path) == [1]


# --- copies made by hand ---------------------------------------------------------------------------


def test_a_copy_made_by_hand_holds_every_finished_trial_while_another_program_has_the_book_open(book, path):
    other = sqlite3.connect(path)  # which keeps what was saved last from going into the file by itself
    other.execute("select count(*) from trials").fetchone()
    for _ in range(3):
        trial = one(book)
        copy = shutil.copy(path, path.with_name(f"copy{trial}.sqlite"))
        assert done(copy) == list(range(1, trial + 1))
    other.close()


def test_a_reader_that_holds_the_file_back_fails_no_entry_and_delays_none(book, path):
    reader = sqlite3.connect(path, isolation_level=None)
    reader.execute("begin")
    reader.execute("select count(*) from trials").fetchone()
    third = one(book)
    assert done(path) == [1, 2, third]
    reader.execute("rollback")
    fourth = one(book)
    copy = shutil.copy(path, path.with_name("copy.sqlite"))
    reader.close()
    assert done(copy) == [1, 2, third, fourth]


def test_a_book_opened_twice_in_one_program_loses_nothing_to_another_program(tmp_path):
    """A cell that opens the book is run again; then the command line looks at the book, and closes it."""
    path = tmp_path / "trials.sqlite"
    code = f"import finishlab as fl\nwith fl.RecordBook({str(path)!r}) as b: print(b.studies()['done'].sum())"

    def elsewhere():
        return subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True).stdout

    with fl.RecordBook(path) as first:
        one(first)
        with fl.RecordBook(path) as second:
            second.studies()
            assert elsewhere().strip() == "1"
            one(second)
            one(first)
        assert elsewhere().strip() == "3"
