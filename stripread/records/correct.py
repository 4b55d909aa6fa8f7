"""The payload of an entry that stands in place of another."""

from collections.abc import Mapping
from typing import Any

from stripread.errors import RecordsError
from stripread.records.entries import (
    Batch,
    Entry,
    InjectorSetting,
    Kind,
    Note,
    Point,
    from_payload,
)

__all__ = ["corrected_payload"]

# Of a reading a person may say where and when it was taken and that it is worse than it looked. Numbers come from the
# photo alone: whoever doubts them withdraws the entry, or reads the photo again.
_OF_A_READING = ("point", "taken_at", "validity", "remark")
_WORSE = ("valid", "doubtful", "invalid")
_SHAPES: dict[Kind, type[Batch | Point | InjectorSetting | Note]] = {
    "batch": Batch, "point": Point, "injector_setting": InjectorSetting, "note": Note
}  # fmt: skip
_NAMES = {"batch": "id", "point": "name", "injector_setting": "injector"}  # of a kind, by which others know it


def corrected_payload(old: Entry, *, changes: Mapping[str, Any], why: str, withdraw: bool) -> dict[str, Any]:
    """Return the payload of an entry with some fields changed, or withdrawn, and why.

    Raises
    ------
    RecordsError
        If no reason is given, nothing is changed, or a field may not be changed so.
    """
    if not why.strip():
        raise _wrong("a reason for the correction", "none")
    if withdraw == bool(changes):
        raise _wrong("fields to change, or to withdraw the entry", "both" if withdraw else "neither")
    if old.withdrawn:
        raise _wrong("an entry that holds", f"entry {old.seq}, which withdraws another")
    payload = dict(old.payload)
    correction: dict[str, Any] = {"why": why.strip()}
    if withdraw:
        payload["withdrawn"] = True
    for key, value in changes.items():
        _check_field(old, key, value)
        payload[key] = value
    correction["changed"] = {key: [old.payload.get(key), value] for key, value in changes.items()}
    if not withdraw and old.kind in _SHAPES:
        shape: Any = _SHAPES[old.kind]
        from_payload(shape, payload)
    payload["correction"] = correction
    return payload


def _check_field(old: Entry, key: str, value: Any) -> None:
    known = _OF_A_READING if old.kind == "reading" else tuple(_SHAPES[old.kind].__dataclass_fields__) if (
        old.kind in _SHAPES
    ) else ()  # fmt: skip
    known = tuple(name for name in known if name != _NAMES.get(old.kind))
    if key not in known:
        raise _wrong(f"a field that may be changed: {', '.join(known) or 'none, only to withdraw it'}", repr(key))
    if old.kind != "reading":
        before = old.payload.get(key)
        plain = (str, bool, int | float, list)
        if (
            before is not None
            and value is not None
            and not any(isinstance(before, p) and isinstance(value, p) for p in plain)
        ):
            raise _wrong(f"for {key!r} something like {before!r}", repr(value))
        return
    if key == "validity":
        if value not in _WORSE or _WORSE.index(value) < _WORSE.index(old.payload["validity"]):
            raise _wrong(f"a validity no better than {old.payload['validity']!r}", repr(value))
    elif value is not None and not isinstance(value, str):
        raise _wrong(f"a text for {key!r}", repr(value))
    elif key == "taken_at" and value is not None:
        _check_time(value)


def _check_time(text: str) -> None:
    from datetime import datetime

    try:
        datetime.fromisoformat(text)
    except ValueError:
        raise _wrong("a time such as 2026-05-04T09:30:00+02:00 for 'taken_at'", repr(text)) from None


def _wrong(expected: str, found: str) -> RecordsError:
    return RecordsError(expected=expected, found=found, remedy="Correct the command. Nothing was recorded.")
