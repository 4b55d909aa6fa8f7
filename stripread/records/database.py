"""The database behind the record: opening, transactions, migrations.

SQLite in WAL mode, ``synchronous=FULL``: what was committed survives a kill and a power cut, and readers never wait.
Writers come one at a time: in SQLite by ``BEGIN IMMEDIATE`` and a busy timeout, in PostgreSQL by an advisory lock.
"""

import os
import sqlite3
import time
from collections.abc import Iterator
from contextlib import contextmanager
from importlib.util import find_spec
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

from sqlalchemy import Connection, Engine, create_engine, event, inspect, text
from sqlalchemy.engine import make_url
from sqlalchemy.exc import ArgumentError, OperationalError
from sqlalchemy.pool import QueuePool

from stripread.errors import MissingExtraError, RecordsError
from stripread.files import write_file
from stripread.i18n import Message, Shown, Verbatim
from stripread.records.failures import failures_in_words, is_held, lacks_room

__all__ = ["DATABASE", "REVISION", "Database", "migrate", "refresh_statistics"]

DATABASE = "records.db"
REVISION = "0003"  # of the newest migration; a test holds it to Alembic's own answer
_BUSY_S = 20.0  # ours: an entry takes some ten milliseconds, so this is a queue of hundreds, or something is stuck
_LOCK = 0x5712_9EAD  # ours: names the record among PostgreSQL's advisory locks


class Database:
    """An open database; `reading` and `writing` are its transactions."""

    def __init__(self, folder: Path, url: str | None, *, busy_s: float = _BUSY_S) -> None:
        self.folder, self.busy_s = folder, busy_s
        self.sqlite = url is None
        self.name = str(folder / DATABASE) if url is None else make_url_of(url).render_as_string(hide_password=True)
        self.read_only = url is None and not os.access(folder, os.W_OK)
        self._engine: Engine = self._sqlite_engine() if url is None else _server_engine(url)
        self._still: Engine | None = None
        self._copy: TemporaryDirectory[str] | None = None

    def close(self) -> None:
        """Give back all connections."""
        self._engine.dispose()
        if self._still is not None:
            self._still.dispose()
        if self._copy is not None:
            self._copy.cleanup()

    @contextmanager
    def reading(self) -> Iterator[Connection]:
        """Open a transaction that sees one state of the record throughout, whatever is written meanwhile."""
        with failures_in_words(self.name):
            engine = self._engine
            if not self.sqlite:
                engine = engine.execution_options(isolation_level="REPEATABLE READ")
            try:
                connected = engine.connect()
            except OperationalError as error:
                if not (self.sqlite and lacks_room(error)):
                    raise
                connected = self._still_engine().connect()
            with connected as connection, connection.begin():
                yield connection

    def _still_engine(self) -> Engine:
        """Return how the record is read on a disk without room even for SQLite's -shm file, where nobody can write.

        Nobody has it open then, as that file would be there. What a crash left in the log beside it is read in a copy
        of both, as SQLite passes over the log where it may not put it in order.
        """
        if self._still is None:
            path, log = self.folder / DATABASE, self.folder / f"{DATABASE}-wal"
            if log.exists() and log.stat().st_size:
                self._copy = TemporaryDirectory()
                for one in (path, log):
                    write_file(Path(self._copy.name) / one.name, one.read_bytes())
                self._still = _engine_of(Path(self._copy.name) / DATABASE, "mode=rw", self.busy_s)
            else:
                self._still = _engine_of(path, "immutable=1", self.busy_s)
        return self._still

    @contextmanager
    def writing(self) -> Iterator[Connection]:
        """Open a transaction that is alone in writing, committed at the end, or not at all."""
        if self.read_only:
            raise RecordsError(
                expected=Message("a folder that may be written to"),
                found=Message("%(folder)s, which may only be read", folder=self.folder),
                remedy=Message("Allow writing there, or work on a copy of the folder. Nothing was recorded."),
            )
        with failures_in_words(self.name):
            engine = self._engine.execution_options(stripread_write=True)
            with engine.connect() as connection, connection.begin():
                if not self.sqlite:
                    connection.execute(text(f"SET LOCAL lock_timeout = {round(1e3 * self.busy_s)}"))
                    connection.execute(text("SELECT pg_advisory_xact_lock(:key)"), {"key": _LOCK})
                yield connection

    def revision(self, connection: Connection) -> str | None:
        """Return the name of the migration that the tables are at; None where there are none yet."""
        if not inspect(connection).has_table("alembic_version"):
            return None
        found = connection.execute(text("SELECT version_num FROM alembic_version")).scalar()
        return None if found is None else str(found)

    def make_tables(self) -> None:
        """Make the tables, or bring them up to date; together or not at all."""
        if self.sqlite:
            self._make_file()
        with self.writing() as connection:
            found = self.revision(connection)
            if found == REVISION:
                return
            if found is not None and found > REVISION:
                raise newer(self.name, Verbatim(found))
            migrate(connection)

    def _make_file(self) -> None:
        """Make the file in WAL mode; the mode stays with it."""
        with failures_in_words(self.name):
            connection = sqlite3.connect(self.folder / DATABASE, timeout=self.busy_s, isolation_level=None)
            try:
                _switch_to_wal(connection, self.busy_s)
            finally:
                connection.close()

    def _sqlite_engine(self) -> Engine:
        path = self.folder / DATABASE
        # Without write access SQLite can not make its -shm file, and needs none where nobody writes.
        still = self.read_only and not path.with_name(f"{DATABASE}-wal").exists()
        return _engine_of(path, "immutable=1" if still else "mode=ro" if self.read_only else "mode=rw", self.busy_s)


def _engine_of(path: Path, how: str, busy_s: float) -> Engine:
    """Return an engine for a file of SQLite, opened as its URI says."""
    uri = f"{path.resolve().as_uri()}?{how}"

    def connect() -> sqlite3.Connection:
        return sqlite3.connect(uri, uri=True, timeout=busy_s, isolation_level=None, check_same_thread=False)

    engine = create_engine("sqlite://", creator=connect, poolclass=QueuePool)

    @event.listens_for(engine, "connect")
    def settle(connection: Any, _record: object) -> None:
        connection.execute("PRAGMA foreign_keys=ON")
        connection.execute("PRAGMA synchronous=FULL")  # opens the file: a disk without room is told here

    @event.listens_for(engine, "begin")
    def begin(connection: Connection) -> None:  # the driver's own begins come too late for a snapshot
        write = connection.get_execution_options().get("stripread_write", False)
        connection.exec_driver_sql("BEGIN IMMEDIATE" if write else "BEGIN")

    return engine


def _switch_to_wal(connection: sqlite3.Connection, busy_s: float) -> None:
    """Switch to WAL mode; SQLite does not wait by itself where two processes do so at once."""
    end = time.monotonic() + busy_s
    while True:
        try:
            connection.execute("PRAGMA journal_mode=WAL")
        except sqlite3.OperationalError as error:
            if not is_held(error) or time.monotonic() > end:
                raise
            time.sleep(0.02)
        else:
            return


def refresh_statistics(connection: Connection) -> None:
    """Let PostgreSQL count its rows after many were added; else it plans as for empty tables for a minute or so."""
    if connection.dialect.name != "sqlite":
        connection.execute(text("ANALYZE entries, readings, findings, files"))


def make_url_of(url: str) -> Any:
    """Return SQLAlchemy's URL of a PostgreSQL database.

    Raises
    ------
    RecordsError
        If it is none.
    MissingExtraError
        If the driver is not installed.
    """
    try:
        parsed = make_url(url)
    except ArgumentError:
        parsed = None
    if parsed is None or parsed.get_backend_name() not in ("postgresql", "postgres"):
        shown = url.split("://")[0] if parsed is None else parsed.render_as_string(hide_password=True)
        raise RecordsError(
            expected=Message("a database URL such as postgresql://name@host/database"),
            found=Verbatim(repr(shown)),
            remedy=Message("Correct it, or leave it out: the record is then an SQLite file in the site's folder."),
        )
    if find_spec("psycopg") is None:
        raise MissingExtraError(
            expected=Message("the package psycopg for PostgreSQL"),
            found=Message("it is not installed"),
            remedy=Message("Install it: pip install 'stripread[postgresql]'."),
        )
    return parsed.set(drivername="postgresql+psycopg")


def _server_engine(url: str) -> Engine:
    return create_engine(make_url_of(url), pool_pre_ping=True, connect_args={"connect_timeout": 10})


def migrate(connection: Connection) -> None:
    """Make the tables and triggers, or bring them up to date."""
    from alembic import command
    from alembic.config import Config

    config = Config()
    config.set_main_option("script_location", "stripread:records/migrations")
    config.attributes["connection"] = connection
    command.upgrade(config, "head")


def newer(name: str, found: Shown) -> RecordsError:
    """Return the error for tables of a later version of the program."""
    return RecordsError(
        expected=Message("a record up to revision %(revision)s", revision=REVISION),
        found=Message("%(name)s at revision %(found)s, made by a later version of stripread", name=name, found=found),
        remedy=Message("Install that version, or a later one."),
    )
