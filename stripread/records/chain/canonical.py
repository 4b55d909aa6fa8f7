"""The one spelling of an entry that is hashed, and the spelling of times; both databases keep exactly this text."""

import hashlib
import json
from collections.abc import Mapping
from datetime import UTC, datetime, timedelta, timezone
from typing import Any

from stripread.errors import RecordsError
from stripread.i18n import Message, Verbatim

__all__ = [
    "COLUMNS",
    "FIRST_PREVIOUS",
    "FORMAT",
    "canonical_json",
    "entry_hash",
    "offset_text",
    "parse_offset",
    "parse_utc",
    "utc_text",
]

FORMAT = "stripread-record/1"
FIRST_PREVIOUS = "0" * 64  # what the first entry has for the hash before it

# Everything that an entry says; `hash` is that of all the others.
COLUMNS = (
    "seq", "kind", "at_utc", "zone_offset", "zone_name", "who", "software", "subject", "supersedes", "origin",
    "files", "payload", "previous_hash", "hash",
)  # fmt: skip
_HASHED = COLUMNS[:-1]


def canonical_json(value: object) -> str:
    """Return a value as JSON with sorted keys and no spaces.

    Floats are written with the fewest digits that give the same float back (Python's ``repr``), so none is changed.

    Raises
    ------
    RecordsError
        If it holds what JSON cannot say: NaN, infinity, a foreign object, half a character.
    """
    try:
        text = json.dumps(value, sort_keys=True, separators=(",", ":"), ensure_ascii=False, allow_nan=False)
        text.encode("utf-8")
    except (TypeError, ValueError) as error:  # UnicodeEncodeError is a ValueError
        raise RecordsError(
            expected=Message("an entry of finite numbers and plain text"),
            found=Verbatim(str(error)),
            remedy=Message("Correct the entry."),
        ) from error
    return text


def entry_hash(row: Mapping[str, Any]) -> str:
    """Return the SHA-256 of all columns of an entry but its hash, as the database holds them."""
    said = {"format": FORMAT, **{column: row[column] for column in _HASHED}}
    text = json.dumps(said, sort_keys=True, separators=(",", ":"), ensure_ascii=False)
    return hashlib.sha256(text.encode("utf-8", "surrogatepass")).hexdigest()


def utc_text(at: datetime) -> str:
    """Return a time with a zone as text in UTC that sorts as the times do."""
    return at.astimezone(UTC).replace(tzinfo=None).isoformat(timespec="microseconds") + "Z"


def parse_utc(text: str) -> datetime:
    """Return the time that `utc_text` wrote."""
    return datetime.fromisoformat(text)


def offset_text(at: datetime) -> str:
    """Return the offset from UTC of a time with a zone, as ``+02:00``."""
    offset = at.utcoffset()
    minutes = 0 if offset is None else round(offset.total_seconds() / 60)
    return f"{'-' if minutes < 0 else '+'}{abs(minutes) // 60:02d}:{abs(minutes) % 60:02d}"


def parse_offset(text: str) -> timezone:
    """Return the zone of an offset such as ``+02:00``."""
    hours, minutes = int(text[1:3]), int(text[4:6])
    offset = timedelta(hours=hours, minutes=minutes)
    return timezone(-offset if text[0] == "-" else offset)
