"""The tables of who may use the page, in a file of their own; one from an earlier version is brought up to date."""

from pathlib import Path

from sqlalchemy import Boolean, Column, MetaData, String, Table, Text, create_engine, event, inspect
from sqlalchemy.engine import Engine
from sqlalchemy.exc import DatabaseError, OperationalError

from stripread.errors import SiteError
from stripread.i18n import Message, Verbatim, on_one_line

__all__ = ["PEOPLE", "devices", "open_tables", "people", "sessions"]

PEOPLE = "people.db"

_metadata = MetaData()
people = Table(
    "people",
    _metadata,
    Column("name", String(80), primary_key=True),
    Column("role", String(16), nullable=False),
    Column("secret", Text, nullable=False),
    Column("language", String(8), nullable=False, server_default=""),
    Column("units", String(8), nullable=False, server_default=""),
    Column("active", Boolean, nullable=False),
)
sessions = Table(
    "sessions",
    _metadata,
    Column("token", String(64), primary_key=True),
    Column("name", String(80), nullable=False),
    Column("csrf", String(64), nullable=False),
    Column("seen", String(27), nullable=False),
    Column("ends", String(27), nullable=False),
    Column("device", String(64), nullable=False, server_default=""),  # the paired phone's token, where it was on one
)
devices = Table(
    "devices",
    _metadata,
    Column("token", String(64), primary_key=True),
    Column("kind", String(8), nullable=False),  # code, or device
    Column("ends", String(27), nullable=False),
    Column("name", String(80), nullable=False, server_default=""),
    Column("seen", String(27), nullable=False, server_default=""),
)
# What a file of an earlier version has not; it stays empty there.
_ADDED = (
    ("people", "units", "ALTER TABLE people ADD COLUMN units VARCHAR(8) NOT NULL DEFAULT ''"),
    ("sessions", "device", "ALTER TABLE sessions ADD COLUMN device VARCHAR(64) NOT NULL DEFAULT ''"),
    ("devices", "name", "ALTER TABLE devices ADD COLUMN name VARCHAR(80) NOT NULL DEFAULT ''"),
    ("devices", "seen", "ALTER TABLE devices ADD COLUMN seen VARCHAR(27) NOT NULL DEFAULT ''"),
)


def open_tables(folder: Path) -> Engine:
    """Open the file of a site's folder; it is made if need be, and only its owner may read it."""
    path = folder / PEOPLE
    path.touch(mode=0o600, exist_ok=True)
    engine = create_engine(f"sqlite:///{path}", connect_args={"timeout": 10})
    event.listen(engine, "connect", lambda connection, _: connection.execute("PRAGMA journal_mode=WAL"))
    try:
        with engine.connect() as connection:
            damage = connection.exec_driver_sql("PRAGMA quick_check(1)").scalar()
        if damage != "ok":
            raise _damaged(path, str(damage))
        _metadata.create_all(engine)
        _add_columns(engine)
    except DatabaseError as error:
        engine.dispose()
        if isinstance(error, OperationalError):  # held by another process, or no room: told as that
            raise
        raise _damaged(path, str(error.orig)) from error
    except SiteError:
        engine.dispose()
        raise
    return engine


def _damaged(path: Path, found: str) -> SiteError:
    return SiteError(
        expected=Message("the file of the people who may use the page at %(path)s", path=path),
        found=Verbatim(on_one_line(found)),
        remedy=Message(
            "Take it from a backup of the folder. Where there is none, move it away, with the files beside it whose "
            "names begin like its own, and add the people anew: stripread person add. The record is not touched by it."
        ),
    )


def _add_columns(engine: Engine) -> None:
    with engine.connect() as connection:
        connection.exec_driver_sql("BEGIN IMMEDIATE")  # a second process waits here, and then finds it done
        for table, name, change in _ADDED:
            if name not in {column["name"] for column in inspect(connection).get_columns(table)}:
                connection.exec_driver_sql(change)
        connection.commit()
