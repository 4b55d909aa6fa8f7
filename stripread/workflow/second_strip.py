"""A second strip of the same sample: held against the first one, and read together with it."""

from dataclasses import dataclass

from stripread.card import CardLayout
from stripread.check import check_second_strip
from stripread.errors import StripReadError
from stripread.findings import Finding, make_finding
from stripread.i18n import Message
from stripread.photo import PhotoFile
from stripread.read import Reading, combine_readings, read_strip
from stripread.strip import StripKind

__all__ = ["Compared", "FirstStrip", "compare_with_first"]


@dataclass(frozen=True, slots=True, kw_only=True)
class FirstStrip:
    """The strip that was read before: its photos, or a finding that tells why there is nothing to compare with."""

    photo: PhotoFile | None = None
    flash: PhotoFile | None = None
    missing: Finding | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Compared:
    """What came of it: the first strip's reading, what both say together where they agree, and what was found."""

    first: Reading | None = None
    together: Reading | None = None
    findings: tuple[Finding, ...] = ()


def compare_with_first(strip: FirstStrip, reading: Reading, *, card: CardLayout, kind: StripKind) -> Compared:
    """Hold a strip against the one that was read before; say so where that cannot be done."""
    if strip.missing is not None or strip.photo is None:
        return Compared(findings=() if strip.missing is None else (strip.missing,))
    try:
        first = read_strip(
            strip.photo, card=card, kind=kind, lot=reading.lot, flash=strip.flash, dilution=reading.dilution
        )
    except StripReadError:
        finding = make_finding("replicates_not_compared", Message("The photo of the first strip cannot be read."))
        return Compared(findings=(finding,))
    findings = tuple(check_second_strip(first, reading))
    together = None if findings else combine_readings((first, reading), one_strip=False)
    return Compared(first=first, together=together, findings=findings)
