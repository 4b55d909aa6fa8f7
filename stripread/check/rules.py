"""The rules that a strip and its pads are held against, one small function a finding, and the lists they are run in.

Each takes a case and yields findings: what was seen, what was expected, what to do next. Findings of the photo, the
card and the pads themselves come with the reading; they are not made here. To add a rule, write it and put it into
its list; its finding goes into ``findings.py``.
"""

from collections.abc import Callable, Iterable, Iterator

from stripread.check.case import PadCase, SampleCase, StripCase
from stripread.check.expected import out_of_range, plain_number, range_undecided
from stripread.findings import Finding, make_finding
from stripread.i18n import Joined, Message, Number, Shown
from stripread.site import SampleType

__all__ = ["PAD_RULES", "SAMPLE_RULES", "STRIP_RULES"]

_CLOCK_S = 1.0  # EXIF counts whole seconds
# Ours: a concentration over thrice the expected high is taken for no ordinary fault of dosing, so that a pad which
# could also be a bleached one is noted, and not refused. Judged on the simulator's pink pad of 0 to 2 mg/L, which turns
# back at some 60 mg/L: 120 times the line's 0.5 mg/L, and far under any stock.
_FAR = 3.0


# --- the strip -------------------------------------------------------------------------------------------------------


def lot_expired(case: StripCase) -> Iterator[Finding]:
    """Doubt strips past their date."""
    lot = case.lot
    # What counts is the day of the dip: the photo's, where it carries one.
    taken = case.reading.taken_at
    days = ((taken.date() if taken else case.today) - lot.expires).days
    if days > 0:
        yield make_finding(
            "lot_expired",
            (
                Message(
                    "Lot %(number)s expired on %(expires)s, %(days)s days ago.",
                    number=lot.number,
                    expires=lot.expires.isoformat(),
                    days=days,
                )
                if days > 1
                else Message(
                    "Lot %(number)s expired on %(expires)s, %(days)s day ago.",
                    number=lot.number,
                    expires=lot.expires.isoformat(),
                    days=days,
                )
            ),
        )


def outside_read_window(case: StripCase) -> Iterator[Finding]:
    """Doubt strips photographed too early or too late; say so where the photo's time is unknown."""
    dip, taken, dipped = case.kind.dip, case.reading.taken_at, case.dipped_at
    window = Message(
        "%(read_from_s)s to %(read_until_s)s s after the dip",
        read_from_s=Number(dip.read_from_s, "g"),
        read_until_s=Number(dip.read_until_s, "g"),
    )
    if case.waited_s is not None:
        yield from _in_window(case, case.waited_s, window)
        return
    if dipped is None:
        return
    if taken is None:
        yield make_finding(
            "read_window_unknown",
            Message("Kind %(name)s is read %(window)s; the photo carries no time.", name=case.kind.name, window=window),
        )
        return
    if taken.tzinfo is None or dipped.tzinfo is None:  # EXIF mostly has the local time alone: compare as clocks show
        taken, dipped = taken.replace(tzinfo=None), dipped.replace(tzinfo=None)
    seconds = (taken - dipped).total_seconds()
    if seconds < -_CLOCK_S:
        yield make_finding(
            "outside_read_window",
            Message(
                "The photo was taken %(seconds)s s before the dip: at %(taken)s, and the strip was dipped at "
                "%(dipped)s.",
                seconds=Number(-seconds, ".0f"),
                taken=taken.isoformat(sep=" "),
                dipped=dipped.isoformat(sep=" "),
            ),
            advice=Message(
                "Check the time of the dip and the phone's clock, and that this is the photo of that strip."
            ),
        )
    else:
        yield from _in_window(case, seconds, window)


def _in_window(case: StripCase, seconds: float, window: Shown) -> Iterator[Finding]:
    dip = case.kind.dip
    if not dip.read_from_s - _CLOCK_S <= seconds <= dip.read_until_s + _CLOCK_S:
        yield make_finding(
            "outside_read_window",
            Message(
                "The photo was taken %(seconds)s s after the dip; kind %(name)s is read %(window)s.",
                seconds=Number(seconds, ".0f"),
                name=case.kind.name,
                window=window,
            ),
        )


# --- the pad, as a measurement of this sample ------------------------------------------------------------------------


def wrong_range_strip(case: PadCase) -> Iterator[Finding]:
    """Refuse a strip that measures something else, or cannot tell the expected range from what lies about it."""
    sample, expected, calibration = case.sample, case.expected, case.calibration
    if sample is None:
        return
    if expected is None:
        if not _is_companion(case, sample):
            message = Message(
                "Kind %(kind)s: it measures %(analyte)s, and %(sample)s is judged by its %(main)s.",
                kind=case.kind.name,
                analyte=case.pad.analyte,
                sample=sample.name,
                main=sample.main.analyte,
            )
            yield make_finding("wrong_range_strip", message, advice=_other_kind(case, sample))
        return
    curve, loq, unit = calibration.curve, calibration.loq.value, expected.unit
    why: Message | None = None
    if curve.top < expected.low:
        why = Message("it ends at %(top)s %(unit)s, below what is expected", top=Number(curve.top, "g"), unit=unit)
    elif curve.low > expected.high:
        why = Message("it starts at %(low)s %(unit)s, above what is expected", low=Number(curve.low, "g"), unit=unit)
    elif loq is not None and loq > expected.high:
        why = Message("it puts no number on less than %(loq)s %(unit)s (its LOQ)", loq=plain_number(loq), unit=unit)
    elif loq is None and curve.low == 0 and not case.reading.lot.provisional:
        why = Message(
            "this lot puts no number on anything up to its top of %(top)s %(unit)s",
            top=Number(curve.top, "g"),
            unit=unit,
        )
    if why is not None:
        message = Message(
            "%(sample)s is expected at %(expected)s, and kind %(kind)s cannot tell that: %(why)s.",
            sample=sample.name,
            expected=expected.words,
            kind=case.kind.name,
            why=why,
        )
        yield make_finding("wrong_range_strip", message, advice=_other_kind(case, sample))
    elif curve.top <= expected.high:
        # A number under its top stands; one over it is censored, and its range then is undecided.
        yield make_finding(
            "wrong_range_strip",
            Message(
                "%(sample)s is expected at %(expected)s; kind %(kind)s ends at %(top)s %(unit)s and "
                "cannot tell more than that from too much.",
                sample=sample.name,
                expected=expected.words,
                kind=case.kind.name,
                top=Number(curve.top, "g"),
                unit=unit,
            ),
            advice=Message(
                "Where the pad reads over the top, dilute the sample by a known factor and dip a new strip."
            ),
            severity="info",
        )
    elif loq is not None and loq > max(expected.low, expected.target or 0.0):
        yield make_finding(
            "wrong_range_strip",
            Message(
                "%(sample)s is expected at %(expected)s; this lot of kind %(kind)s puts no number on "
                "less than %(loq)s %(unit)s (its LOQ).",
                sample=sample.name,
                expected=expected.words,
                kind=case.kind.name,
                loq=plain_number(loq),
                unit=unit,
            ),
            advice=Message("Take readings under the LOQ for undecided, not for right; a lower kind or lot would tell."),
            severity="info",
        )


def _is_companion(case: PadCase, sample: SampleType) -> bool:
    """Tell whether a pad that the sample says nothing about stands beside one that it is judged by."""
    analytes = [pad.analyte for pad in case.reading.pads]
    if any(sample.main.analyte.casefold() == analyte.casefold() for analyte in analytes):
        return True
    return case.kind.name in sample.kinds and any(sample.expectation(analyte) for analyte in analytes)


def _other_kind(case: PadCase, sample: SampleType) -> Message:
    others = [name for name in sample.kinds if name != case.kind.name]
    if others:
        kinds = Joined(tuple(others), ", ", Message("or"))
        return Message(
            "Dip a strip of kind %(kinds)s, which the site lists for %(sample)s.", kinds=kinds, sample=sample.name
        )
    return Message(
        "The site lists no other kind for %(sample)s: check the sample type, or list one that can judge it.",
        sample=sample.name,
    )


def possible_bleaching(case: PadCase) -> Iterator[Finding]:
    """Refuse a colour that strong solution may have left by bleaching the pad; a faint one in weak water stays good."""
    sample, expected, pad, top = case.sample, case.expected, case.pad, case.calibration.curve.top
    may_bleach = case.kind.pad(pad.pad).blank  # scales without a zero, such as pH, are no dye that is used up
    if sample is not None and expected is not None and may_bleach and top < (expected.target or expected.low):
        yield make_finding(
            "possible_bleaching",
            Message(
                "%(sample)s is expected at %(expected)s; a pad made for up to %(top)s %(unit)s may bleach "
                "there and show any colour, a pale one too.",
                sample=sample.name,
                expected=expected.words,
                top=Number(top, "g"),
                unit=pad.unit,
            ),
        )
    elif sample is not None and sample.strong and expected is not None and pad.censored == "below" and expected.low > 0:
        yield make_finding(
            "possible_bleaching",
            Message(
                "The pad is pale where %(sample)s is expected at %(expected)s: it is bleached, or hardly "
                "anything is in the sample.",
                sample=sample.name,
                expected=expected.words,
            ),
            advice=Message(
                "Do not take this for a weak solution. Dilute the sample by a known factor and dip a new strip."
            ),
        )
    elif pad.beyond is not None:
        alike = Message(
            "A pad bleached by about %(beyond)s %(unit)s looks the same", beyond=plain_number(pad.beyond), unit=pad.unit
        )
        if expected is None:
            message = Message("%(alike)s, and no sample type was named that would rule this out.", alike=alike)
            advice = Message(
                "Name the sample type; where strong solution is possible, dilute by a known factor and dip again."
            )
            yield make_finding("possible_bleaching", message, advice=advice, severity="warning")
        elif pad.beyond > _FAR * expected.high:
            yield make_finding(
                "possible_bleaching",
                Message("%(alike)s; at an expected %(expected)s that is unlikely.", alike=alike, expected=expected),
                advice=Message(
                    "If strong solution may have come here undiluted, dilute by a known factor and dip a new strip."
                ),
                severity="info",
            )
        else:
            yield make_finding(
                "possible_bleaching",
                Message("%(alike)s, and that is near the expected %(expected)s.", alike=alike, expected=expected),
            )


STRIP_RULES: tuple[Callable[[StripCase], Iterable[Finding]], ...] = (lot_expired, outside_read_window)
PAD_RULES: tuple[Callable[[PadCase], Iterable[Finding]], ...] = (wrong_range_strip, possible_bleaching)
SAMPLE_RULES: tuple[Callable[[SampleCase], Iterable[Finding]], ...] = (out_of_range, range_undecided)
