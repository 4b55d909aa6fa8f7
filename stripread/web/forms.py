"""What people send in forms and addresses: limited, checked, and turned into what functions take."""

import re
from collections.abc import Collection, Mapping
from datetime import date, datetime, time, timedelta
from typing import Any

from stripread.errors import WrongUsageError

__all__ = ["chosen", "day", "moment", "needed", "text", "whole"]

_CONTROL = re.compile(r"[\x00-\x08\x0b-\x1f\x7f\ud800-\udfff]")
_YEARS = (2000, 2100)
_CLOCKS = timedelta(minutes=5)  # phone and server may differ by so much


def text(fields: Mapping[str, Any], name: str, *, most: int = 200) -> str:
    """Return a field without the blanks around it, empty where there is none."""
    said = fields.get(name, "")
    words = said.replace("\r\n", "\n").strip() if isinstance(said, str) else ""
    if len(words) > most:
        raise WrongUsageError(expected=f"at most {most} signs", found=f"{len(words)}", remedy="Make it shorter.")
    if _CONTROL.search(words):
        raise WrongUsageError(expected="plain text", found="control characters", remedy="Type it again.")
    return words


def needed(fields: Mapping[str, Any], name: str, what: str, *, most: int = 200) -> str:
    """Return a field that may not be empty; ``what`` it is, for the error."""
    words = text(fields, name, most=most)
    if not words:
        raise WrongUsageError(expected=what, found="nothing", remedy="Fill this in.")
    return words


def chosen(fields: Mapping[str, Any], name: str, known: Collection[str], what: str) -> str | None:
    """Return a field that is one of the known names; None where it is empty."""
    words = text(fields, name)
    if words and words not in known:
        raise WrongUsageError(expected=what, found=repr(words), remedy="Choose one of the list.")
    return words or None


def whole(fields: Mapping[str, Any], name: str, *, most: int) -> int | None:
    """Return a whole number from 1 to ``most``; None where the field is empty."""
    words = text(fields, name)
    if not words:
        return None
    number = int(words) if words.isascii() and words.isdigit() and len(words) < 12 else 0
    if not 1 <= number <= most:
        raise WrongUsageError(expected=f"a number from 1 to {most}", found=repr(words), remedy="Correct it.")
    return number


def day(fields: Mapping[str, Any], name: str, *, end: bool = False) -> datetime | None:
    """Return the beginning of a day on the server's clock, or its end; None where the field is empty."""
    words = text(fields, name)
    if not words:
        return None
    try:
        found = date.fromisoformat(words)
    except ValueError:
        raise _no_time(words, "a day as 2026-05-31") from None
    if not _YEARS[0] <= found.year <= _YEARS[1]:
        raise _no_time(words, f"a day from {_YEARS[0]} to {_YEARS[1]}")
    return datetime.combine(found + timedelta(days=1) if end else found, time.min).astimezone()


def moment(fields: Mapping[str, Any], name: str, *, now: datetime) -> datetime:
    """Return a time until now, meant on the server's clock where it has no zone; ``now`` where the field is empty."""
    words = text(fields, name)
    if not words:
        return now
    try:
        found = datetime.fromisoformat(words)
    except ValueError:
        raise _no_time(words, "a time as 2026-05-31 14:30") from None
    if not _YEARS[0] <= found.year <= _YEARS[1]:
        raise _no_time(words, f"a time from {_YEARS[0]} to {_YEARS[1]}")
    if (found := found.astimezone()) > now + _CLOCKS:
        raise _no_time(words, "a time that is past")
    return found


def _no_time(words: str, expected: str) -> WrongUsageError:
    return WrongUsageError(expected=expected, found=repr(words), remedy="Correct it.")
