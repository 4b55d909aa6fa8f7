"""The strip that was read before of the same sample, as the inbox keeps it."""

import math

from stripread.errors import StripReadError
from stripread.findings import make_finding
from stripread.i18n import Message, Shown
from stripread.photo import PhotoFile, open_photo_bytes
from stripread.water import parse_dilution
from stripread.web.queue.inbox import Inbox, Job
from stripread.workflow import FirstStrip

__all__ = ["first_strip_of", "flash_of"]


def first_strip_of(inbox: Inbox, job: Job) -> FirstStrip | None:
    """Return the strip beside which a job's strip is read; None where it is read alone."""
    if job.beside is None:
        return None
    other = inbox.job(job.beside)
    if other is None or not inbox.photo(other.id).exists():
        return _missing(Message("The photo of the first strip is no longer kept here."))
    if other.lot != job.lot:
        return _missing(
            Message("The first strip is of lot %(first)s, this one of lot %(second)s.", first=other.lot, second=job.lot)
        )
    if other.point != job.point:
        return _missing(
            Message(
                "The first strip was read at %(first)s, this one at %(second)s.", first=other.point, second=job.point
            )
        )
    if not math.isclose(_factor(other), _factor(job), rel_tol=1e-6):
        return _missing(Message("The first strip was dipped into the sample diluted otherwise."))
    try:
        photo = open_photo_bytes(inbox.photo(other.id).read_bytes(), other.name)
        return FirstStrip(photo=photo, flash=flash_of(inbox, other))
    except (StripReadError, FileNotFoundError):  # photos that are old enough go at any time
        return _missing(Message("The photo of the first strip cannot be read."))


def _factor(job: Job) -> float:
    return 1.0 if job.diluted is None else parse_dilution(job.diluted).factor


def flash_of(inbox: Inbox, job: Job) -> PhotoFile | None:
    """Return a job's photo with the flash, if it has one."""
    return open_photo_bytes(inbox.flash(job.id).read_bytes(), f"flash-{job.name}") if job.flash else None


def _missing(words: Shown) -> FirstStrip:
    return FirstStrip(missing=make_finding("replicates_not_compared", words))
