"""The rules that a strip and its pads are held against, one small function a finding, and the lists they are run in.

Each takes a case and yields findings: what was seen, what was expected, what to do next. Findings of the photo, the
card and the pads themselves come with the reading; they are not made here. To add a rule, write it and put it into
its list; its finding goes into ``findings.py``.
"""

from collections.abc import Callable, Iterable, Iterator

from stripread.check.accepted import files_accepted
from stripread.check.case import PadCase, SampleCase, StripCase
from stripread.check.expected import out_of_range, plain_number, range_undecided
from stripread.findings import HIGHER_KIND, Finding, dilute, make_finding
from stripread.i18n import Joined, Message, Number, Shown
from stripread.read import fitting_dilution
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


def sample_diluted(case: StripCase) -> Iterator[Finding]:
    """Tell that the numbers are not those of what the strip was dipped into."""
    dilution = case.reading.dilution
    if dilution is not None:
        message = Message(
            "The numbers are of the undiluted sample: %(dilution)s. Water that takes disinfectant itself makes them "
            "too low.",
            dilution=dilution.words,
        )
        yield make_finding("sample_diluted", message)


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
    times, told_top = case.factor, case.in_sample(curve.top, _plainly)
    why: Message | None = None
    if times * curve.top < expected.low:
        why = Message("it ends at %(top)s %(unit)s, below what is expected", top=told_top, unit=unit)
    elif times * curve.low > expected.high:
        low = case.in_sample(curve.low, _plainly)
        why = Message("it starts at %(low)s %(unit)s, above what is expected", low=low, unit=unit)
    elif loq is not None and times * loq > expected.high:
        told = case.in_sample(loq, plain_number)
        why = Message("it puts no number on less than %(loq)s %(unit)s (its LOQ)", loq=told, unit=unit)
    elif loq is None and curve.low == 0 and not case.reading.lot.provisional:
        why = Message(
            "this lot puts no number on anything up to its top of %(top)s %(unit)s",
            top=told_top,
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
        yield make_finding("wrong_range_strip", message, advice=_other_range(case, sample))
    elif times * curve.top <= expected.high:
        # A number under its top stands; one over it is censored, and its range then is undecided.
        yield make_finding(
            "wrong_range_strip",
            Message(
                "%(sample)s is expected at %(expected)s; kind %(kind)s ends at %(top)s %(unit)s and "
                "cannot tell more than that from too much.",
                sample=sample.name,
                expected=expected.words,
                kind=case.kind.name,
                top=told_top,
                unit=unit,
            ),
            advice=Message("Where the pad reads over the top: %(dilute)s", dilute=dilute_more(case)),
            severity="info",
        )
    elif loq is not None and times * loq > max(expected.low, expected.target or 0.0):
        yield make_finding(
            "wrong_range_strip",
            Message(
                "%(sample)s is expected at %(expected)s; this lot of kind %(kind)s puts no number on "
                "less than %(loq)s %(unit)s (its LOQ).",
                sample=sample.name,
                expected=expected.words,
                kind=case.kind.name,
                loq=case.in_sample(loq, plain_number),
                unit=unit,
            ),
            advice=Message("Take readings under the LOQ for undecided, not for right; a lower kind or lot would tell."),
            severity="info",
        )


def _plainly(number: float) -> Number:
    return Number(number, "g")


def dilute_more(case: PadCase) -> Shown:
    """Return the advice to dilute the sample so that it comes into the strip's range; more than it was."""
    n = fitting_dilution(case.calibration, case.reading.dilution)
    return HIGHER_KIND if n is None else dilute(n)


def _other_range(case: PadCase, sample: SampleType) -> Message:
    """Return what to do with a strip of the wrong range; for a sample that was diluted far too much, that."""
    top, expected = case.calibration.curve.top, case.expected
    if case.reading.dilution is None or expected is None or case.factor * top < expected.low:
        return _other_kind(case, sample)
    return Message(
        "The sample was diluted too much for this strip: dilute it less, or not at all, and dip a new strip."
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
    told_top, top = case.in_sample(top, _plainly), case.factor * top
    may_bleach = case.kind.pad(pad.pad).blank  # scales without a zero, such as pH, are no dye that is used up
    if sample is not None and expected is not None and may_bleach and top < (expected.target or expected.low):
        yield make_finding(
            "possible_bleaching",
            Message(
                "%(sample)s is expected at %(expected)s; a pad made for up to %(top)s %(unit)s may bleach "
                "there and show any colour, a pale one too.",
                sample=sample.name,
                expected=expected.words,
                top=told_top,
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
            advice=Message("Do not take this for a weak solution. %(dilute)s", dilute=dilute_more(case)),
        )
    elif pad.beyond is not None:
        alike = Message(
            "A pad bleached by about %(beyond)s %(unit)s looks the same", beyond=plain_number(pad.beyond), unit=pad.unit
        )
        if expected is None:
            message = Message("%(alike)s, and no sample type was named that would rule this out.", alike=alike)
            advice = Message(
                "Name the sample type. Where strong solution is possible: %(dilute)s", dilute=dilute_more(case)
            )
            yield make_finding("possible_bleaching", message, advice=advice, severity="warning")
        elif pad.beyond > _FAR * expected.high:
            yield make_finding(
                "possible_bleaching",
                Message("%(alike)s; at an expected %(expected)s that is unlikely.", alike=alike, expected=expected),
                advice=Message("If strong solution may have come here undiluted: %(dilute)s", dilute=dilute_more(case)),
                severity="info",
            )
        else:
            yield make_finding(
                "possible_bleaching",
                Message("%(alike)s, and that is near the expected %(expected)s.", alike=alike, expected=expected),
            )


STRIP_RULES: tuple[Callable[[StripCase], Iterable[Finding]], ...] = (
    files_accepted,
    lot_expired,
    outside_read_window,
    sample_diluted,
)
PAD_RULES: tuple[Callable[[PadCase], Iterable[Finding]], ...] = (wrong_range_strip, possible_bleaching)
SAMPLE_RULES: tuple[Callable[[SampleCase], Iterable[Finding]], ...] = (out_of_range, range_undecided)
