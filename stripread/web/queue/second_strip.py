"""A second strip of the same sample: held against the first one, and read together with it."""

from dataclasses import dataclass

from stripread.card import CardLayout
from stripread.check.replicates import check_second_strip
from stripread.errors import StripReadError
from stripread.findings import Finding, make_finding
from stripread.lot.lot import Lot
from stripread.photo.load import PhotoFile, open_photo_bytes
from stripread.read import Reading, combine_readings, read_strip
from stripread.strip.kinds import StripKind
from stripread.web.queue.inbox import Inbox, Job

__all__ = ["Beside", "flash_of", "hold_against"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Beside:
    """What came of it: the first strip's reading, what both say together where they agree, and what was found."""

    first: Reading | None = None
    together: Reading | None = None
    findings: tuple[Finding, ...] = ()


def hold_against(inbox: Inbox, job: Job, reading: Reading, *, card: CardLayout, kind: StripKind, lot: Lot) -> Beside:
    """Hold a strip against the one beside it; say so where that cannot be done."""
    other = None if job.beside is None else inbox.job(job.beside)
    if other is None or not inbox.photo(other.id).exists():
        return _alone(make_finding("replicates_not_compared", "The photo of the first strip is no longer kept here."))
    if other.lot != job.lot:
        return _alone(
            make_finding(
                "replicates_not_compared", f"The first strip is of lot {other.lot}, this one of lot {job.lot}."
            )
        )
    if other.point != job.point:
        return _alone(
            make_finding(
                "replicates_not_compared", f"The first strip was read at {other.point}, this one at {job.point}."
            )
        )
    try:
        file = open_photo_bytes(inbox.photo(other.id).read_bytes(), other.name)
        first = read_strip(file, card=card, kind=kind, lot=lot, flash=flash_of(inbox, other))
    except (StripReadError, FileNotFoundError):  # photos that are old enough go at any time
        return _alone(make_finding("replicates_not_compared", "The photo of the first strip cannot be read."))
    findings = tuple(check_second_strip(first, reading))
    together = None if findings else combine_readings((first, reading), one_strip=False)
    return Beside(first=first, together=together, findings=findings)


def flash_of(inbox: Inbox, job: Job) -> PhotoFile | None:
    """Return a job's photo with the flash, if it has one."""
    return open_photo_bytes(inbox.flash(job.id).read_bytes(), f"flash-{job.name}") if job.flash else None


def _alone(finding: Finding) -> Beside:
    return Beside(findings=(finding,))
