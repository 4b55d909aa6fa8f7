"""The triggers that let the record only grow: whether all of them are there, as they were made.

They stop slips and faulty programs. Whoever may write to the database can take them away; that it was done is told.
"""

from collections.abc import Iterator

from sqlalchemy import Connection, create_engine, text

from stripread.i18n import Message, Shown
from stripread.records.database import migrate

__all__ = ["missing_guards"]

_SQLITE = text("SELECT name, sql FROM sqlite_master WHERE type = 'trigger'")
_POSTGRESQL = text(
    "SELECT t.tgname, p.prosrc FROM pg_trigger t JOIN pg_class c ON c.oid = t.tgrelid "
    "JOIN pg_proc p ON p.oid = t.tgfoid WHERE NOT t.tgisinternal AND t.tgenabled IN ('O', 'A') "
    "AND c.relnamespace = current_schema()::regnamespace"
)
_ON_A_SERVER = (
    "entries_no_change", "readings_no_change", "files_no_change", "findings_no_change", "entries_at_the_end",
)  # fmt: skip


def missing_guards(connection: Connection) -> Iterator[tuple[str, Shown]]:
    """Names of triggers that are gone, switched off or made otherwise, and what is wrong with each."""
    if connection.dialect.name != "sqlite":
        there = {str(name): str(source) for name, source in connection.execute(_POSTGRESQL)}
        for name in _ON_A_SERVER:
            if name not in there:
                yield name, Message("gone, or switched off")
            elif "RAISE EXCEPTION" not in there[name]:
                yield name, Message("it refuses nothing any more")
        return
    there = _triggers(connection)
    for name, made in _as_made().items():
        if name not in there:
            yield name, Message("gone, or switched off")
        elif there[name] != made:
            yield name, Message("it refuses nothing any more")


def _as_made() -> dict[str, str]:
    engine = create_engine("sqlite://")
    try:
        with engine.begin() as connection:
            migrate(connection)
            return _triggers(connection)
    finally:
        engine.dispose()


def _triggers(connection: Connection) -> dict[str, str]:
    return {name: " ".join(sql.split()) for name, sql in connection.execute(_SQLITE)}
