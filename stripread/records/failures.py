"""What database and file system report, in words that say what to do; told by their codes, as texts may hold any path.

Codes: errno; SQLite's result codes (sqlite.org/rescode.html); PostgreSQL's SQLSTATE (appendix A of its manual).
"""

import errno
import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass

from sqlalchemy.exc import DBAPIError, InterfaceError, OperationalError, SQLAlchemyError

from stripread.errors import RecordsError
from stripread.files import NO_ROOM
from stripread.i18n import Message, Shown

__all__ = ["failures_in_words", "is_held", "lacks_room"]


@dataclass(frozen=True, slots=True, kw_only=True)
class _Failure:
    """What was expected in its place, and what to do."""

    expected: Shown
    remedy: Shown


_ONLY_ADDED_TO = _Failure(
    expected=Message("a record that is only added to"),
    remedy=Message("Add a superseding entry: `stripread records correct`."),
)
_HELD = _Failure(
    expected=Message("a record that another program holds for a moment at most"),
    remedy=Message("Close whatever keeps it open for writing, and try again. Nothing was recorded."),
)
_NO_ROOM = _Failure(
    expected=Message("room on the disk"), remedy=Message("Free some, and try again. Nothing was recorded.")
)
_DISK = _Failure(
    expected=Message("a disk that can be read and written"), remedy=Message("Check the disk. Nothing was recorded.")
)
_READ_ONLY = _Failure(
    expected=Message("a folder that may be written to"), remedy=Message("Allow writing there. Nothing was recorded.")
)
_NO_RIGHT = _Failure(
    expected=Message("a database that may be written to"),
    remedy=Message("Grant its user the right to write. Nothing was recorded."),
)
_DAMAGED = _Failure(
    expected=Message("a whole record"),
    remedy=Message("Restore the latest backup into a new folder: `stripread records restore`."),
)
_UNOPENED = _Failure(
    expected=Message("a record that can be opened"), remedy=Message("Look at the folder and its permissions.")
)
_NO_SERVER = _Failure(
    expected=Message("a database server that answers"),
    remedy=Message("Look whether it runs, and at name and password."),
)
_OTHER = _Failure(
    expected=Message("a record in order"), remedy=Message("Run `stripread records verify`. Nothing was recorded.")
)

_BY_ERRNO = {
    **dict.fromkeys(NO_ROOM, _NO_ROOM),
    **dict.fromkeys((errno.EROFS, errno.EACCES, errno.EPERM), _READ_ONLY),
    **dict.fromkeys((errno.ENOENT, errno.ENOTDIR), _UNOPENED),
    errno.EIO: _DISK,
}
_WAITS = (sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED)
# Extended codes come before the primary ones that they refine. SQLite calls only ENOSPC full; a quota or a limit on
# the size of files is a write that failed.
_BY_SQLITE = {
    **dict.fromkeys(_WAITS, _HELD),
    **dict.fromkeys((sqlite3.SQLITE_FULL, sqlite3.SQLITE_IOERR_WRITE, sqlite3.SQLITE_IOERR_SHMSIZE), _NO_ROOM),
    **dict.fromkeys((sqlite3.SQLITE_READONLY, sqlite3.SQLITE_PERM), _READ_ONLY),
    **dict.fromkeys((sqlite3.SQLITE_NOTADB, sqlite3.SQLITE_CORRUPT), _DAMAGED),
    sqlite3.SQLITE_IOERR: _DISK,
    sqlite3.SQLITE_CANTOPEN: _UNOPENED,
    sqlite3.SQLITE_CONSTRAINT_TRIGGER: _ONLY_ADDED_TO,
}
# States come before the classes that their first two signs name.
_BY_STATE = {
    "P0001": _ONLY_ADDED_TO,  # raise_exception: no function raises but those of the record's triggers
    "55P03": _HELD,  # lock_not_available
    "53100": _NO_ROOM,  # disk_full
    "58030": _DISK,  # io_error
    **dict.fromkeys(("42501", "25006"), _NO_RIGHT),  # insufficient_privilege, read_only_sql_transaction
    **dict.fromkeys(("XX001", "XX002"), _DAMAGED),  # data_corrupted, index_corrupted
    # connection_exception, invalid_authorization_specification; admin_shutdown, crash_shutdown, cannot_connect_now
    **dict.fromkeys(("08", "28", "57P01", "57P02", "57P03"), _NO_SERVER),
}
# SQLite names a broken constraint by its columns alone, and has no code for each; PostgreSQL has a field for its name.
_SUPERSEDED_TWICE = ("UNIQUE constraint failed: entries.supersedes", "uq_entries_supersedes")


@contextmanager
def failures_in_words(name: str) -> Iterator[None]:
    """Turn what database or file system say into an error that tells what to do; nothing is committed then."""
    try:
        yield
    except (SQLAlchemyError, sqlite3.Error, OSError) as error:
        raise _in_words(error, name) from error


def is_held(error: sqlite3.Error) -> bool:
    """Tell whether another connection holds what SQLite wanted."""
    return _sqlite_code(error) & 0xFF in _WAITS


def lacks_room(error: DBAPIError) -> bool:
    """Tell whether SQLite could not do something because the disk is full."""
    code = _sqlite_code(error.orig) if isinstance(error.orig, sqlite3.Error) else 0
    return _BY_SQLITE.get(code) is _NO_ROOM


def _in_words(error: Exception, name: str) -> RecordsError:
    cause = error.orig if isinstance(error, DBAPIError) and error.orig is not None else error
    says = (str(cause).strip().splitlines() or [type(cause).__name__])[0]
    constraint = getattr(getattr(cause, "diag", None), "constraint_name", None)
    if says == _SUPERSEDED_TWICE[0] or constraint == _SUPERSEDED_TWICE[1]:
        return RecordsError(
            expected=Message("an entry that no other one supersedes yet"),
            found=Message("another correction came first (%(says)s)", says=says),
            remedy=Message("Look at `stripread log --corrections`, and correct the latest one."),
        )
    failure = _failure(error, cause)
    return RecordsError(
        expected=failure.expected, found=Message("%(says)s (%(name)s)", says=says, name=name), remedy=failure.remedy
    )


def _failure(error: Exception, cause: BaseException) -> _Failure:
    if isinstance(cause, OSError):
        return _BY_ERRNO.get(cause.errno or 0, _OTHER)
    if isinstance(cause, sqlite3.Error):
        code = _sqlite_code(cause)
        return _BY_SQLITE.get(code) or _BY_SQLITE.get(code & 0xFF, _OTHER)
    state: str | None = getattr(cause, "sqlstate", None)
    if state is None:  # the server never said anything
        return _NO_SERVER if isinstance(error, (OperationalError, InterfaceError)) else _OTHER
    return _BY_STATE.get(state) or _BY_STATE.get(state[:2], _OTHER)


def _sqlite_code(error: sqlite3.Error) -> int:
    """Return the result code; 0 for errors of Python's module itself, which have none."""
    return getattr(error, "sqlite_errorcode", 0)
