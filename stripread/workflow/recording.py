"""What a read photo leaves in the record, and what the record says to it before: the same for every face."""

import hashlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

from stripread import __version__
from stripread.card import CardLayout, save_card
from stripread.check import Verdict
from stripread.check.history import History
from stripread.check.history_rules import clock_may_be_right
from stripread.errors import RecordsError
from stripread.lot.lot import Lot
from stripread.lot.record import CheckRow
from stripread.photo.load import PhotoFile
from stripread.read import Reading
from stripread.records import Draft, Entry, FileRef, Records, Stamp
from stripread.records.chain.entries import Role
from stripread.records.queries.checks import check_standard_of
from stripread.records.queries.history import Occasion, batch_of, history_of, taken_when
from stripread.report.json_lines import reading_json
from stripread.site import SampleType

__all__ = ["PHOTO_SUFFIX", "Taking", "batch_for", "history_for", "keep_lot", "record_check", "record_reading"]

PHOTO_SUFFIX = {"jpeg": ".jpg", "png": ".png", "webp": ".webp", "tiff": ".tif", "heic": ".heic"}


@dataclass(frozen=True, slots=True, kw_only=True)
class Taking:
    """How a sample was taken and what its strip is read with.

    Attributes
    ----------
    lot, lot_file
        The lot, and the file that it was loaded from.
    batch : str or None
        Of the record, that the sample is of.
    flushed_s : float or None
    waited_s : float or None
        From the dip to the photo, by a timer.
    together, one_strip, replicates : bool
        Whether several photos make one reading, are of one strip, or are of strips held against each other.
    job : str or None
        What asked for it, so that it is recorded once however often it is tried.
    """

    sample: SampleType
    lot: Lot
    lot_file: Path
    card: CardLayout
    point: str | None = None
    batch: str | None = None
    flushed_s: float | None = None
    dipped_at: datetime | None = None
    waited_s: float | None = None
    together: bool = False
    one_strip: bool = False
    replicates: bool = False
    job: str | None = None


def batch_for(records: Records, sample: SampleType, taken_at: datetime | None, *, now: datetime) -> str | None:
    """Return the batch that a sample is of: the latest when its photo was taken, which may be long before it came.

    Where the camera's clock is wrong (`clock_wrong`), it is the latest one now.
    """
    taken = taken_when(taken_at, now)
    return batch_of(records, sample, at=taken if clock_may_be_right(taken, now=now) else now)


def history_for(records: Records, reading: Reading, taking: Taking, *, now: datetime) -> History:
    """Return what the record knows that bears on a reading made now."""
    occasion = Occasion(
        point=taking.point,
        sample=taking.sample,
        lot=taking.lot,
        photo_sha256=reading.photo_sha256,
        at=taken_when(reading.taken_at, now),
        now=now,
        flushed_s=taking.flushed_s,
        batch=taking.batch,
    )
    return history_of(records, occasion)


def record_reading(
    records: Records, verdict: Verdict, taking: Taking, photos: Sequence[tuple[Role, PhotoFile]], stamp: Stamp
) -> Entry:
    """Record a reading with its photos, lot file and card file: all of it, or an error and nothing.

    Parameters
    ----------
    photos : sequence of (role, PhotoFile)
        Those that the reading rests on, as they are now; several where they were combined.

    Raises
    ------
    RecordsError
        If a photo or the lot file is not the one that was read, or the record cannot be written.
    """
    refs = [records.keep(role, file.data, file.name, suffix=PHOTO_SUFFIX[file.format]) for role, file in photos]
    lot_ref, lot = keep_lot(records, taking.lot_file, taking.lot.number, taking.lot.kind)
    card_ref = records.keep("card", _card_bytes(taking.card), f"{taking.card.name}.toml", suffix=".toml")
    _check_unchanged(verdict, [ref.sha256 for ref in refs], lot_ref.sha256, together=taking.together)
    card = Draft(kind="card_print", payload={"name": taking.card.name}, subject=taking.card.name, files=(card_ref,))
    names = [file.name for role, file in photos if role == "photo"]
    return records.add_reading(
        _payload(verdict, taking, names), files=(*refs, lot_ref, card_ref), stamp=stamp, first_if_new=(lot, card)
    )


def keep_lot(records: Records, file: Path, number: str, kind: str, *, keep: bool = True) -> tuple[FileRef, Draft]:
    """Keep a lot file, unless it is only asked what it would be called; return its name and the entry for it."""
    data = file.read_bytes()
    if keep:
        ref = records.keep("lot", data, file.name, suffix=".json")
    else:
        sha256 = hashlib.sha256(data).hexdigest()
        ref = FileRef(role="lot", sha256=sha256, name=file.name, path=f"lots/{sha256}.json")
    payload = {"number": number, "kind": kind, "sha256": ref.sha256}
    return ref, Draft(kind="lot", payload=payload, subject=number, files=(ref,))


def record_check(
    records: Records, row: CheckRow, *, lot: str, kind: str, lot_file: Path, rows: Path, photo: PhotoFile, stamp: Stamp
) -> Entry:
    """Record a check of a lot by its row in the lot's own file of checks, ``rows``, within the site's folder."""
    kept = records.keep("photo", photo.data, photo.name, suffix=PHOTO_SUFFIX[photo.format])
    lot_ref, known = keep_lot(records, lot_file, lot, kind)
    file = rows.resolve().relative_to(records.folder.resolve()).as_posix()
    check = check_standard_of(row, lot=lot, file=file)
    return records.add_check_standard(check, stamp, files=(kept, lot_ref), first_if_new=(known,))


def _payload(verdict: Verdict, taking: Taking, names: Sequence[str]) -> Mapping[str, Any]:
    said = reading_json(
        verdict,
        photo=verdict.reading.photo,
        sample=taking.sample.name,
        point=taking.point,
        timing_ms={},
        budget=True,
    )
    said.pop("timing_ms")
    if taking.together:
        said["together"] = list(names)
    said["how"] = {
        "software": f"stripread {__version__}",  # a correction by a later version leaves the numbers as they are
        "together": taking.together,
        "one_strip": taking.one_strip,
        "replicates": taking.replicates,
        "dipped_at": None if taking.dipped_at is None else taking.dipped_at.isoformat(),
        "flushed_s": taking.flushed_s,
        "batch": taking.batch,
        "expected": [
            {"analyte": e.analyte, "unit": e.unit, "low": e.low, "high": e.high, "target": e.target}
            for e in taking.sample.expectations
        ],
    }
    if taking.waited_s is not None:
        said["how"]["waited_s"] = taking.waited_s
    if taking.job is not None:
        said["how"]["job"] = taking.job
    return said


def _check_unchanged(verdict: Verdict, photos: Sequence[str], lot: str, *, together: bool) -> None:
    """Refuse a photo or lot file that was replaced between reading and recording it."""
    reading = verdict.reading
    flash = reading.measurement.flash_photo
    read = {reading.photo_sha256, *(() if flash is None else (flash.sha256,))}
    if (not together and not read.issubset(photos)) or lot != reading.lot.sha256:
        raise RecordsError(
            expected="photo and lot file as they were read",
            found="other bytes: one of them was replaced meanwhile",
            remedy="Read the photo again. Nothing was recorded.",
        )


def _card_bytes(card: CardLayout) -> bytes:
    """Return the card as a file: the one that it was read from, in the one spelling that the program writes."""
    with TemporaryDirectory() as folder:
        path = Path(folder) / "card.toml"
        save_card(card, path)
        return path.read_bytes()
