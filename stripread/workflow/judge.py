"""A sample's photos read, and the reading judged. Nothing of the record is imported here, as it takes a while."""

from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime

from stripread.check import FileStanding, History, Verdict, check_reading
from stripread.photo import PhotoFile
from stripread.read import Reading, combine_readings, read_strip
from stripread.workflow.sample import ResolvedInputs, SampleContext

__all__ = ["judge_reading", "read_photos"]


def read_photos(photos: Sequence[PhotoFile], inputs: ResolvedInputs, context: SampleContext) -> Reading:
    """Read the photos of a sample; several make one reading where they are to be taken together.

    Raises
    ------
    StripReadError
        If one of them gives no measurement, or they cannot be combined.
    """
    readings = [
        read_strip(
            photo, card=inputs.card, kind=inputs.kind, lot=inputs.lot, flash=context.flash, dilution=context.dilution
        )
        for photo in photos
    ]
    return combine_readings(readings, one_strip=context.one_strip) if context.together else readings[0]


def judge_reading(
    reading: Reading,
    context: SampleContext,
    *,
    now: datetime,
    history: History | None = None,
    files: tuple[FileStanding, ...] = (),
) -> Verdict:
    """Hold a reading against all that is known of its sample.

    Parameters
    ----------
    now : datetime
        When it is judged, with a zone; its day decides whether the lot has expired.
    history : History or None
        What the record knows that bears on it (`history.history_for`); None where there is no record.
    files : tuple of FileStanding
        What the record knows of its lot file and card file (`accepted_files.file_standings`).

    Raises
    ------
    SiteError
        If the site states the expected range in another unit than the lot.
    """
    verdict = check_reading(
        reading,
        sample=context.sample,
        today=now.date(),
        dipped_at=context.dipped_at,
        waited_s=context.waited_s,
        history=history,
        files=files,
    )
    return replace(verdict, cautions=(*verdict.cautions, *context.cautions))
