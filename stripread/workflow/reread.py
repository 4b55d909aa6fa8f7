"""The stored photos of a lot read again, with the lot file of now; what moved supersedes what was read before."""

import json
import tomllib
from collections.abc import Iterator, Mapping
from datetime import datetime
from pathlib import Path
from typing import Any

from stripread import __version__
from stripread.card import CardLayout, parse_card
from stripread.errors import RecordsError, StripReadError
from stripread.i18n import Message
from stripread.lot import Lot
from stripread.photo import PhotoFile, open_photo_bytes
from stripread.records import (
    Draft,
    Entry,
    FileRef,
    ReadingFilter,
    Records,
    Reread,
    Role,
    Stamp,
    parse_offset,
    parse_utc,
    proven_payload,
    read_kept,
    study_standing,
)
from stripread.site import Site, kind_of_lot
from stripread.units import findings_of, kept_findings
from stripread.workflow.history import history_for
from stripread.workflow.judge import judge_reading, read_photos
from stripread.workflow.kept_files import keep_lot
from stripread.workflow.payload import context_of_payload, measured_payload
from stripread.workflow.sample import ResolvedInputs

__all__ = ["reread_lot"]

_WORSE = ("valid", "doubtful", "invalid")
_SOFTWARE = f"stripread {__version__}"


def reread_lot(
    records: Records, site: Site, lot: Lot, lot_file: Path, *, stamp: Stamp, dry_run: bool = False
) -> Iterator[Reread]:
    """Read all readings of a lot again that hold now, the latest first; each is recorded before the next is read.

    One that was made with the same software and lot file is left alone.

    Parameters
    ----------
    lot, lot_file
        The lot as it is now, and its file.
    dry_run : bool
        Only tell what would move; nothing is kept or recorded.
    """
    ref, known = keep_lot(records, lot_file, lot.number, lot.kind, keep=not dry_run)
    if not dry_run:
        records.append([], stamp, first_if_new=[known])
    for recorded in records.iterate_readings(ReadingFilter(lot=lot.number)):
        old = recorded.entry
        same = any(file.role == "lot" and file.sha256 == ref.sha256 for file in old.files)
        if same and old.payload.get("how", {}).get("software") == _SOFTWARE:
            yield Reread(old=old, new=None, seq=None, why_not="read with this lot file already")
            continue
        try:
            now = _read(records, site, old, lot, lot_file)
            if "proven" in old.payload:
                now = {**now, "proven": proven_payload(study_standing(records, lot.number, lot.sha256), now["camera"])}
            new = {**now, **_kept_of(old, now), "correction": {"why": _why(ref), "changed": {}}}
        except StripReadError as error:
            yield Reread(old=old, new=None, seq=None, why_not=f"expected {error.expected}; found {error.found}")
            continue
        seq = None
        if not dry_run:
            files = (*(file for file in old.files if file.role != "lot"), ref)
            draft = Draft(kind="reading", payload=new, subject=old.subject, supersedes=old.seq, files=files)
            seq = records.append([draft], stamp)[0].seq
        yield Reread(old=old, new=new, seq=seq, why_not=None)


def _read(records: Records, site: Site, entry: Entry, lot: Lot, lot_file: Path) -> Mapping[str, Any]:
    """Return what an entry's photos give now; `StripReadError` where they cannot be read."""
    was = entry.payload
    photos, flash = _photos(records, entry, "photo"), _photos(records, entry, "flash_photo")
    if not photos or "how" not in was:
        raise RecordsError(
            expected=Message("a reading recorded with its photos"),
            found=Message("none of them"),
            remedy=Message("Dip and read a new strip."),
        )
    card, kind = _card(records, entry), kind_of_lot(lot, site)
    inputs = ResolvedInputs(lot=lot, lot_file=lot_file, kind=kind, card=card)
    context = context_of_payload(was, site.sample(was["sample"]), flash=flash[0] if flash else None)
    entered = _entered(entry)  # what was fresh then has not expired by being read again
    reading = read_photos(photos if context.together else photos[:1], inputs, context)
    history = history_for(records, reading, context, now=entered, again=True)
    verdict = judge_reading(reading, context, now=entered, history=history)
    now = measured_payload(verdict, context)
    if context.together:
        now["together"] = was["together"]
    else:
        now["photo"] = was["photo"]
    # Replicates were compared when all were at hand; that verdict stays with each of them.
    differ = tuple(f for f in findings_of(was) if f.code == "replicates_disagree")
    if differ:
        now["findings"] = [*(f for f in was["findings"] if f["code"] == "replicates_disagree"), *now["findings"]]
        now["validity"] = "doubtful" if now["validity"] == "valid" else now["validity"]
    if now["findings"]:
        now["messages"] = kept_findings((*differ, *verdict.findings))
    return json.loads(json.dumps(now))  # type: ignore[no-any-return]  # plain JSON values, as in the record


def _kept_of(old: Entry, new: Mapping[str, Any]) -> dict[str, Any]:
    """Return what people said of the reading: it stays with it."""
    kept = {key: old.payload[key] for key in ("point", "taken_at", "remark", "imported") if key in old.payload}
    kept["how"] = {**old.payload["how"], "software": _SOFTWARE}
    changed = (old.payload.get("correction") or {}).get("changed", {})
    if "validity" in changed:  # a person called it worse than it looks
        kept["validity"] = max(old.payload["validity"], new["validity"], key=_WORSE.index)
    return kept


def _why(lot_file: FileRef) -> str:
    return f"read again with lot file {lot_file.name}, SHA-256 {lot_file.sha256}"


def _entered(entry: Entry) -> datetime:
    """Return when it was entered first, on the local clock."""
    first = entry.payload.get("imported")
    if first is None:
        return entry.at
    return parse_utc(first["at_utc"]).astimezone(parse_offset(first["zone_offset"]))


def _photos(records: Records, entry: Entry, role: Role) -> list[PhotoFile]:
    kept = [ref for ref in entry.files if ref.role == role]
    return [open_photo_bytes(read_kept(records.folder, ref), ref.name) for ref in kept]


def _card(records: Records, entry: Entry) -> CardLayout:
    """Return the card as it was enrolled then: what moves is to be the lot's doing."""
    for ref in entry.files:
        if ref.role == "card":
            return parse_card(tomllib.loads(read_kept(records.folder, ref).decode("utf-8")), where=ref.name)
    raise RecordsError(
        expected=Message("a reading recorded with its card file"),
        found=Message("none"),
        remedy=Message("Dip and read a new strip."),
    )
