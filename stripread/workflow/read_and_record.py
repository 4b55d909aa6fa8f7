"""The way of a sample's photos into the record: read, judged with what the record knows, recorded."""

from collections.abc import Callable, Mapping, Sequence
from contextlib import AbstractContextManager
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from stripread.check import Verdict, doubted
from stripread.errors import RecordsError
from stripread.i18n import Message
from stripread.photo import PhotoFile
from stripread.read import Reading
from stripread.records import Entry, Records, Stamp, proven_payload, study_standing
from stripread.workflow.accepted_files import file_standings
from stripread.workflow.history import history_for, with_batch
from stripread.workflow.judge import judge_reading, read_photos
from stripread.workflow.kept_files import keep_card, keep_lot, keep_photo
from stripread.workflow.payload import reading_payload
from stripread.workflow.sample import ResolvedInputs, SampleContext
from stripread.workflow.second_strip import Compared, compare_with_first

__all__ = ["RecordedSample", "read_and_record_sample", "record_reading"]


@dataclass(frozen=True, slots=True, kw_only=True)
class RecordedSample:
    """A sample read and recorded: reading, verdict, the entry's number, the strip before, what a study has proven."""

    reading: Reading
    verdict: Verdict
    entry: int
    compared: Compared | None = None
    proven: Mapping[str, Any] | None = None


def read_and_record_sample(
    open_record: Callable[[], AbstractContextManager[Records]],
    photos: Sequence[PhotoFile],
    inputs: ResolvedInputs,
    context: SampleContext,
    *,
    now: datetime,
) -> RecordedSample:
    """Read a sample's photos, judge the reading with what the record knows, and record it.

    A face that shows a verdict before it is recorded calls the parts of this one by one.

    Parameters
    ----------
    open_record : callable
        Opens the site's record; called once the photos are read.
    now : datetime
        When it is judged and entered, with a zone.

    Raises
    ------
    StripReadError
        If a photo gives no measurement.
    RecordsError
        If the record cannot be read or written; nothing is recorded then.
    """
    reading = read_photos(photos, inputs, context)
    with open_record() as records:
        context = with_batch(records, context, reading, now=now)
        before = _recorded(records, photos[0], context.job)
        history = None if before is not None else history_for(records, reading, context, now=now)
        files = file_standings(records, reading)
        verdict, compared = judge_reading(reading, context, now=now, history=history, files=files), None
        if context.first_strip is not None:
            compared = compare_with_first(context.first_strip, reading, card=inputs.card, kind=inputs.kind)
            verdict = doubted(verdict, compared.findings)
        entry = before or record_reading(records, verdict, photos, inputs, context, now=now)
    return RecordedSample(reading=reading, verdict=verdict, entry=entry.seq, compared=compared,
                          proven=entry.payload.get("proven"))  # fmt: skip


def record_reading(
    records: Records,
    verdict: Verdict,
    photos: Sequence[PhotoFile],
    inputs: ResolvedInputs,
    context: SampleContext,
    *,
    now: datetime,
) -> Entry:
    """Record a reading with its photos, lot file and card file: all of it, or an error and nothing.

    Parameters
    ----------
    photos : sequence of PhotoFile
        Those that the reading rests on, as they are now; several where they were combined.
    context : SampleContext
        With its batch (`history.with_batch`).

    Raises
    ------
    RecordsError
        If a photo or the lot file is not the one that was read, or the record cannot be written.
    """
    refs = [keep_photo(records, photo) for photo in photos]
    if context.flash is not None:
        refs.append(keep_photo(records, context.flash, role="flash_photo"))
    lot_ref, lot = keep_lot(records, inputs.lot_file, inputs.lot.number, inputs.lot.kind)
    card_ref, card = keep_card(records, inputs.card)
    _check_unchanged(verdict, [ref.sha256 for ref in refs], lot_ref.sha256, together=context.together)
    lot_read = verdict.reading.lot
    proven = proven_payload(study_standing(records, lot_read.number, lot_read.sha256), verdict.reading.camera)
    return records.add_reading(
        {**reading_payload(verdict, context, [photo.name for photo in photos]), "proven": proven},
        files=(*refs, lot_ref, card_ref),
        stamp=Stamp(at=now, who=context.who),
        first_if_new=(lot, card),
    )


def _recorded(records: Records, photo: PhotoFile, job: str | None) -> Entry | None:
    """Return the entry of this very job, where whoever did it was stopped between recording and answering."""
    if job is None:
        return None
    for entry in records.with_file(photo.sha256):
        if entry.kind == "reading" and entry.payload.get("how", {}).get("job") == job:
            return entry
    return None


def _check_unchanged(verdict: Verdict, photos: Sequence[str], lot: str, *, together: bool) -> None:
    """Refuse a photo or lot file that was replaced between reading and recording it."""
    reading = verdict.reading
    flash = reading.measurement.flash_photo
    read = {reading.photo_sha256, *(() if flash is None else (flash.sha256,))}
    if (not together and not read.issubset(photos)) or lot != reading.lot.sha256:
        raise RecordsError(
            expected=Message("photo and lot file as they were read"),
            found=Message("other bytes: one of them was replaced meanwhile"),
            remedy=Message("Read the photo again. Nothing was recorded."),
        )
