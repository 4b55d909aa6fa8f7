"""Events with a time of their own, and those whose checks are not all ticked."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime

from stripread.errors import RecordsError
from stripread.i18n import Message, Verbatim
from stripread.records.chain.entries import Entry, Note, Stamp
from stripread.records.store import Recorded, Records
from stripread.site import EventType

__all__ = ["OpenEvent", "noted_events", "open_events", "tick_check", "when_noted"]

_MOST = 2000
_NO_EVENTS = ("missed", "check")  # notes with a type that tell of a reading, or of another event


@dataclass(frozen=True, slots=True, kw_only=True)
class OpenEvent:
    """An event some of whose checks nobody has ticked yet."""

    note: Recorded[Note]
    missing: tuple[str, ...]


def when_noted(note: Recorded[Note]) -> datetime:
    """Return when what a note tells of was: its own time, else when it was entered."""
    return note.said.at or note.entry.at


def noted_events(records: Records) -> list[Recorded[Note]]:
    """Return the notes that are events, the latest first."""
    found = [n for n in records.notes(limit=_MOST) if n.said.type is not None and n.said.type not in _NO_EVENTS]
    return sorted(found, key=when_noted, reverse=True)


def open_events(records: Records, types: Mapping[str, EventType], *, until: datetime) -> list[OpenEvent]:
    """Return the events until a time whose checks were not all ticked by then, the earliest first."""
    notes = records.notes(limit=_MOST)
    ticked: dict[int, set[str]] = {}
    for note in notes:
        if note.said.type == "check" and note.said.about is not None and when_noted(note) <= until:
            ticked.setdefault(note.said.about, set()).add(note.said.text)
    found = []
    for event in reversed(noted_events(records)):
        known = types.get(event.said.type or "")
        if known is None or when_noted(event) > until:
            continue
        missing = tuple(check for check in known.checks if check not in ticked.get(event.entry.seq, set()))
        if missing:
            found.append(OpenEvent(note=event, missing=missing))
    return found


def tick_check(
    records: Records, types: Mapping[str, EventType], seq: int, *, check: str, at: datetime | None, stamp: Stamp
) -> tuple[Entry, tuple[str, ...]]:
    """Tick a check of an event; return its entry, and the checks that are left.

    Raises
    ------
    RecordsError
        If the event has no such check open.
    """
    still = next((one.missing for one in open_events(records, types, until=stamp.at) if one.note.entry.seq == seq), ())
    if check not in still:
        raise RecordsError(
            expected=Message("a check of entry %(seq)s: %(known)s", seq=seq, known=", ".join(still) or Message("none")),
            found=Verbatim(repr(check)),
            remedy=Message("Write it as it stands there."),
        )
    entry = records.add_note(Note(text=check, about=seq, type="check", at=at), stamp)
    return entry, tuple(one for one in still if one != check)
