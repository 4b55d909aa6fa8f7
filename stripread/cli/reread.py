"""What ``records reread`` does with one entry: its stored photos read again with the lot file of now."""

import json
import tomllib
from collections.abc import Callable, Mapping
from datetime import datetime
from typing import Any

from stripread.card import CardLayout, parse_card
from stripread.check import check_reading
from stripread.errors import RecordsError
from stripread.lot.lot import Lot
from stripread.photo.load import PhotoFile, open_photo_bytes
from stripread.read import combine_readings, read_strip
from stripread.records import Entry, Records
from stripread.records.chain.canonical import parse_offset, parse_utc
from stripread.records.chain.entries import Role
from stripread.records.chain.files import read_kept
from stripread.records.queries.history import Occasion, history_of, taken_when
from stripread.report.json_lines import reading_json
from stripread.site import Site, kind_of_lot

__all__ = ["reader"]


def reader(records: Records, site: Site, lot: Lot) -> Callable[[Entry], Mapping[str, Any]]:
    """Return a function that reads an entry's photos again; it raises `StripReadError` where that cannot be."""

    def read(entry: Entry) -> Mapping[str, Any]:
        return _read(records, site, lot, entry)

    return read


def _read(records: Records, site: Site, lot: Lot, entry: Entry) -> Mapping[str, Any]:
    was, how = entry.payload, entry.payload.get("how", {})
    photos, flash = _photos(records, entry, "photo"), _photos(records, entry, "flash_photo")
    if not photos or "how" not in was:
        raise RecordsError(
            expected="a reading recorded with its photos", found="none of them", remedy="Dip and read a new strip."
        )
    card, kind = _card(records, entry), kind_of_lot(lot, site)
    readings = [read_strip(photo, card=card, kind=kind, lot=lot, flash=flash[0] if flash else None) for photo in photos]
    together = how.get("together", False)
    reading = combine_readings(readings, one_strip=how.get("one_strip", False)) if together else readings[0]
    dipped_at = how.get("dipped_at")
    sample, entered = site.sample(was["sample"]), _entered(entry)
    occasion = Occasion(
        point=was["point"],
        sample=sample,
        lot=lot,
        photo_sha256=reading.photo_sha256,
        at=taken_when(reading.taken_at, entered),
        now=entered,
        flushed_s=how.get("flushed_s"),
        batch=how.get("batch"),
        again=True,
    )
    verdict = check_reading(
        reading,
        sample=sample,
        today=entered.date(),  # what was fresh then has not expired by being read again
        dipped_at=None if dipped_at is None else datetime.fromisoformat(dipped_at),
        waited_s=how.get("waited_s"),
        history=history_of(records, occasion),
    )
    name = was["photo"] if not together else reading.photo
    now = reading_json(verdict, photo=name, sample=was["sample"], point=was["point"], timing_ms={}, budget=True)
    now.pop("timing_ms")
    if together:
        now["together"] = was["together"]
    # Replicates were compared when all were at hand; that verdict stays with each of them.
    if differ := [f for f in was["findings"] if f["code"] == "replicates_disagree"]:
        now["findings"] = [*differ, *now["findings"]]
        now["validity"] = "doubtful" if now["validity"] == "valid" else now["validity"]
    return json.loads(json.dumps(now))  # type: ignore[no-any-return]  # plain JSON values, as in the record


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
        expected="a reading recorded with its card file", found="none", remedy="Dip and read a new strip."
    )
