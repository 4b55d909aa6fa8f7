"""What database and file system report is told by its code, whatever the names of folders sound like."""

import errno
import os
import sqlite3
from contextlib import closing
from pathlib import Path

import psycopg
import pytest
import sqlalchemy.exc as sa

from stripread.errors import RecordsError
from stripread.records import Records, open_records
from stripread.records.database import Database
from stripread.records.failures import failures_in_words
from tests.listed import each
from tests.unit.made_records import database_file, fill, made_payload, made_stamp

NAMES = ["full-sun", "locked-shed", "readonly", "malformed", "connection", "disk I-O error", "supersedes append-only"]


def told(error: BaseException, name: str = "here") -> RecordsError:
    with pytest.raises(RecordsError) as caught, failures_in_words(name):
        raise error
    return caught.value


@pytest.fixture(params=NAMES)
def folder(request: pytest.FixtureRequest, tmp_path: Path) -> Path:
    named: Path = tmp_path / request.param
    named.mkdir()
    return named


@each(
    ("code", "expected"),
    [
        (errno.ENOSPC, "room on the disk"),
        (errno.EDQUOT, "room on the disk"),
        (errno.EACCES, "a folder that may be written to"),
        (errno.EROFS, "a folder that may be written to"),
        (errno.EIO, "a disk that can be read and written"),
        (errno.ENOENT, "a record that can be opened"),
        (errno.EMFILE, "a record in order"),
    ],
)
def test_a_failure_of_the_file_system_is_told_by_its_number(folder: Path, code: int, expected: str) -> None:
    error = OSError(code, os.strerror(code), str(folder / "photos"))
    assert str(told(error, str(folder)).expected) == expected


def test_what_sqlite_reports_is_told_by_its_code(folder: Path) -> None:
    with pytest.raises(RecordsError) as gone, failures_in_words(str(folder)):
        sqlite3.connect(f"file:{folder}/nothing.db?mode=ro", uri=True)
    assert str(gone.value.expected) == "a record that can be opened"
    with open_records(folder, create=True) as records:
        fill(records, 1)
    with closing(sqlite3.connect(database_file(folder), isolation_level=None)) as other:
        other.execute("BEGIN IMMEDIATE")
        with Records(folder, Database(folder, None, busy_s=0.1)) as records, pytest.raises(RecordsError) as held:
            records.add_reading(made_payload(), files=[], stamp=made_stamp())
    assert str(held.value.expected) == "a record that another program holds for a moment at most"
    with (
        closing(sqlite3.connect(f"file:{database_file(folder)}?mode=ro", uri=True)) as reader,
        pytest.raises(RecordsError) as only_read,
        failures_in_words(str(folder)),
    ):
        reader.execute("CREATE TABLE more (a)")
    assert str(only_read.value.expected) == "a folder that may be written to"
    for path in folder.glob("records.db-*"):
        path.unlink()
    database_file(folder).write_text("no database at all" * 100, encoding="utf-8")
    with pytest.raises(RecordsError) as damaged:
        open_records(folder)
    assert str(damaged.value.expected) == "a whole record"


def test_a_full_database_is_told_as_no_room() -> None:
    with closing(sqlite3.connect(":memory:")) as memory:
        memory.execute("PRAGMA max_page_count = 2")
        with pytest.raises(RecordsError) as full, failures_in_words("connection"):
            memory.executescript("CREATE TABLE a (b); CREATE TABLE c (d); CREATE TABLE e (f);")
    assert str(full.value.expected) == "room on the disk"


@each(
    ("state", "expected"),
    [
        ("53100", "room on the disk"),
        ("55P03", "a record that another program holds for a moment at most"),
        ("42501", "a database that may be written to"),
        ("25006", "a database that may be written to"),
        ("XX001", "a whole record"),
        ("57P01", "a database server that answers"),
        ("08006", "a database server that answers"),
        ("28P01", "a database server that answers"),
        ("P0001", "a record that is only added to"),
        ("22003", "a record in order"),
    ],
)
def test_what_postgresql_reports_is_told_by_its_state(state: str, expected: str) -> None:
    """In whatever language the server reports it."""
    cause = psycopg.errors.lookup(state)("Verbindung zu readonly-server: full, locked, malformed")
    assert str(told(sa.OperationalError("SELECT 1", {}, cause)).expected) == expected


def test_a_server_that_is_not_reached_has_no_state() -> None:
    cause = psycopg.OperationalError('could not reach "full-sun.lan"')
    assert str(told(sa.OperationalError("SELECT 1", {}, cause)).expected) == "a database server that answers"
