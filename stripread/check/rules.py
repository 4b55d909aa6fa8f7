"""The rules that a strip and its pads are held against, one small function a finding, and the lists they are run in.

Each takes a case and yields findings: what was seen, what was expected, what to do next. Findings of the photo, the
card and the pads themselves come with the reading; they are not made here. To add a rule, write it and put it into
its list; its finding goes into ``findings.py``.
"""

from collections.abc import Callable, Iterable, Iterator

from stripread.check.case import PadCase, StripCase
from stripread.check.expected import out_of_range, plain_number, range_undecided
from stripread.findings import Finding, make_finding
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
            f"Lot {lot.number} expired on {lot.expires.isoformat()}, {days} day{'s' if days > 1 else ''} ago.",
        )


def outside_read_window(case: StripCase) -> Iterator[Finding]:
    """Doubt strips photographed too early or too late; say so where the photo's time is unknown."""
    dip, taken, dipped = case.kind.dip, case.reading.taken_at, case.dipped_at
    window = f"{dip.read_from_s:g} to {dip.read_until_s:g} s after the dip"
    if case.waited_s is not None:
        yield from _in_window(case, case.waited_s, window)
        return
    if dipped is None:
        return
    if taken is None:
        yield make_finding("read_window_unknown", f"Kind {case.kind.name} is read {window}; the photo carries no time.")
        return
    if taken.tzinfo is None or dipped.tzinfo is None:  # EXIF mostly has the local time alone: compare as clocks show
        taken, dipped = taken.replace(tzinfo=None), dipped.replace(tzinfo=None)
    seconds = (taken - dipped).total_seconds()
    if seconds < -_CLOCK_S:
        yield make_finding(
            "outside_read_window",
            f"The photo was taken {-seconds:.0f} s before the dip: at {taken.isoformat(sep=' ')}, and the strip was "
            f"dipped at {dipped.isoformat(sep=' ')}.",
            advice="Check the time of the dip and the phone's clock, and that this is the photo of that strip.",
        )
    else:
        yield from _in_window(case, seconds, window)


def _in_window(case: StripCase, seconds: float, window: str) -> Iterator[Finding]:
    dip = case.kind.dip
    if not dip.read_from_s - _CLOCK_S <= seconds <= dip.read_until_s + _CLOCK_S:
        yield make_finding(
            "outside_read_window",
            f"The photo was taken {seconds:.0f} s after the dip; kind {case.kind.name} is read {window}.",
        )


# --- the pad, as a measurement of this sample ------------------------------------------------------------------------


def wrong_range_strip(case: PadCase) -> Iterator[Finding]:
    """Refuse a strip that measures something else, or cannot tell the expected range from what lies about it."""
    sample, expected, calibration = case.sample, case.expected, case.calibration
    if sample is None:
        return
    if expected is None:
        if not _is_companion(case, sample):
            why = f"it measures {case.pad.analyte}, and {sample.name} is judged by its {sample.main.analyte}"
            yield make_finding("wrong_range_strip", f"Kind {case.kind.name}: {why}.", advice=_other_kind(case, sample))
        return
    curve, loq, unit = calibration.curve, calibration.loq.value, expected.unit
    why = ""
    if curve.top < expected.low:
        why = f"it ends at {curve.top:g} {unit}, below what is expected"
    elif curve.low > expected.high:
        why = f"it starts at {curve.low:g} {unit}, above what is expected"
    elif loq is not None and loq > expected.high:
        why = f"it puts no number on less than {plain_number(loq)} {unit} (its LOQ)"
    elif loq is None and curve.low == 0 and not case.reading.lot.provisional:
        why = f"this lot puts no number on anything up to its top of {curve.top:g} {unit}"
    if why:
        message = f"{sample.name} is expected at {expected}, and kind {case.kind.name} cannot tell that: {why}."
        yield make_finding("wrong_range_strip", message, advice=_other_kind(case, sample))
    elif curve.top <= expected.high:
        # A number under its top stands; one over it is censored, and its range then is undecided.
        yield make_finding(
            "wrong_range_strip",
            f"{sample.name} is expected at {expected}; kind {case.kind.name} ends at {curve.top:g} {unit} and cannot "
            "tell more than that from too much.",
            advice="Where the pad reads over the top, dilute the sample by a known factor and dip a new strip.",
            severity="info",
        )
    elif loq is not None and loq > max(expected.low, expected.target or 0.0):
        yield make_finding(
            "wrong_range_strip",
            f"{sample.name} is expected at {expected}; this lot of kind {case.kind.name} puts no number on less than "
            f"{plain_number(loq)} {unit} (its LOQ).",
            advice="Take readings under the LOQ for undecided, not for right; a lower kind or lot would tell.",
            severity="info",
        )


def _is_companion(case: PadCase, sample: SampleType) -> bool:
    """Tell whether a pad that the sample says nothing about stands beside one that it is judged by."""
    analytes = [pad.analyte for pad in case.reading.pads]
    if any(sample.main.analyte.casefold() == analyte.casefold() for analyte in analytes):
        return True
    return case.kind.name in sample.kinds and any(sample.expectation(analyte) for analyte in analytes)


def _other_kind(case: PadCase, sample: SampleType) -> str:
    others = [name for name in sample.kinds if name != case.kind.name]
    if others:
        return f"Dip a strip of kind {' or '.join(others)}, which the site lists for {sample.name}."
    return f"The site lists no other kind for {sample.name}: check the sample type, or list one that can judge it."


def possible_bleaching(case: PadCase) -> Iterator[Finding]:
    """Refuse a colour that strong solution may have left by bleaching the pad; a faint one in weak water stays good."""
    sample, expected, pad, top = case.sample, case.expected, case.pad, case.calibration.curve.top
    may_bleach = case.kind.pad(pad.pad).blank  # scales without a zero, such as pH, are no dye that is used up
    if sample is not None and expected is not None and may_bleach and top < (expected.target or expected.low):
        yield make_finding(
            "possible_bleaching",
            f"{sample.name} is expected at {expected}; a pad made for up to {top:g} {pad.unit} may bleach there and "
            "show any colour, a pale one too.",
        )
    elif sample is not None and sample.strong and expected is not None and pad.censored == "below" and expected.low > 0:
        yield make_finding(
            "possible_bleaching",
            f"The pad is pale where {sample.name} is expected at {expected}: it is bleached, or hardly anything is "
            "in the sample.",
            advice="Do not take this for a weak solution. Dilute the sample by a known factor and dip a new strip.",
        )
    elif pad.beyond is not None:
        alike = f"A pad bleached by about {plain_number(pad.beyond)} {pad.unit} looks the same"
        if expected is None:
            message = f"{alike}, and no sample type was named that would rule this out."
            advice = "Name the sample type; where strong solution is possible, dilute by a known factor and dip again."
            yield make_finding("possible_bleaching", message, advice=advice, severity="warning")
        elif pad.beyond > _FAR * expected.high:
            yield make_finding(
                "possible_bleaching",
                f"{alike}; at an expected {expected} that is unlikely.",
                advice="If strong solution may have come here undiluted, dilute by a known factor and dip a new strip.",
                severity="info",
            )
        else:
            yield make_finding("possible_bleaching", f"{alike}, and that is near the expected {expected}.")


STRIP_RULES: tuple[Callable[[StripCase], Iterable[Finding]], ...] = (lot_expired, outside_read_window)
PAD_RULES: tuple[Callable[[PadCase], Iterable[Finding]], ...] = (wrong_range_strip, possible_bleaching)
SAMPLE_RULES: tuple[Callable[[PadCase], Iterable[Finding]], ...] = (out_of_range, range_undecided)
