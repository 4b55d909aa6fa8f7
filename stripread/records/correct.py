"""The payload of an entry that stands in place of another."""

from collections.abc import Mapping
from datetime import datetime
from typing import Any

from stripread.errors import RecordsError
from stripread.i18n import Message, Shown, Verbatim, joined
from stripread.records.chain.entries import (
    Action,
    ActionDone,
    Batch,
    Entry,
    InjectorSetting,
    Kind,
    Note,
    Point,
    StoreItem,
    StoreUse,
    TankEvent,
    from_payload,
)

__all__ = ["corrected_payload"]

# Of a reading a person may say where and when it was taken and that it is worse than it looked. Numbers come from the
# photo alone: whoever doubts them withdraws the entry, or reads the photo again.
_OF_A_READING = ("point", "taken_at", "validity", "remark")
_WORSE = ("valid", "doubtful", "invalid")
_Shape = Batch | Point | InjectorSetting | Note | TankEvent | Action | ActionDone | StoreItem | StoreUse
_SHAPES: dict[Kind, type[_Shape]] = {
    "batch": Batch, "point": Point, "injector_setting": InjectorSetting, "note": Note, "tank_event": TankEvent,
    "action": Action, "action_done": ActionDone, "store_item": StoreItem, "store_use": StoreUse,
}  # fmt: skip
_NAMES = {
    "batch": "id",
    "point": "name",
    "injector_setting": "injector",
    "store_item": "name",
}  # of a kind, by which others know it


def corrected_payload(old: Entry, *, changes: Mapping[str, Any], why: str, withdraw: bool) -> dict[str, Any]:
    """Return the payload of an entry with some fields changed, or withdrawn, and why.

    Raises
    ------
    RecordsError
        If no reason is given, nothing is changed, or a field may not be changed so.
    """
    if not why.strip():
        raise _wrong(Message("a reason for the correction"), Message("none"))
    if withdraw == bool(changes):
        raise _wrong(
            Message("fields to change, or to withdraw the entry"), (Message("both") if withdraw else Message("neither"))
        )
    if old.withdrawn:
        raise _wrong(Message("an entry that holds"), Message("entry %(seq)s, which withdraws another", seq=old.seq))
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
    known = _fields(old.kind)
    if key not in known:
        raise _wrong(
            Message(
                "a field that may be changed: %(known)s",
                known=joined(known) if known else Message("none, only to withdraw it"),
            ),
            Verbatim(repr(key)),
        )
    if old.kind != "reading":
        _check_alike(key, old.payload.get(key), value)
    elif key == "validity":
        if value not in _WORSE or _WORSE.index(value) < _WORSE.index(old.payload["validity"]):
            raise _wrong(
                Message("a validity no better than %(validity)s", validity=repr(old.payload["validity"])),
                Verbatim(repr(value)),
            )
    elif value is not None and not isinstance(value, str):
        raise _wrong(Message("a text for %(key)s", key=repr(key)), Verbatim(repr(value)))
    elif key == "taken_at" and value is not None:
        _check_time(value)


def _fields(kind: Kind) -> tuple[str, ...]:
    """Return what a person may change in an entry of a kind."""
    if kind == "reading":
        return _OF_A_READING
    if kind not in _SHAPES:
        return ()
    return tuple(name for name in _SHAPES[kind].__dataclass_fields__ if name != _NAMES.get(kind))


def _check_alike(key: str, before: Any, value: Any) -> None:
    """Refuse a text in place of a number and the like."""
    if before is None or value is None:
        return
    alike = (str, bool, int | float, list)
    if not any(isinstance(before, one) and isinstance(value, one) for one in alike):
        raise _wrong(
            Message("for %(key)s something like %(before)s", key=repr(key), before=repr(before)), Verbatim(repr(value))
        )


def _check_time(text: str) -> None:
    try:
        datetime.fromisoformat(text)
    except ValueError:
        raise _wrong(Message("a time such as 2026-05-04T09:30:00+02:00 for 'taken_at'"), Verbatim(repr(text))) from None


def _wrong(expected: Shown, found: Shown) -> RecordsError:
    return RecordsError(
        expected=expected, found=found, remedy=Message("Nothing was recorded. State again what is to be changed.")
    )
