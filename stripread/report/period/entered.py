"""The section of a period's report on readings by other means than a strip, and how they and the strips agree."""

from collections import Counter
from collections.abc import Iterator, Sequence

from stripread.check import Method
from stripread.i18n import Message, Say
from stripread.records import MethodPair, PointFacts, RecordedReading
from stripread.report.document.document import Heading, Part, Table, Words
from stripread.report.period.words import moment
from stripread.report.terminal.records import pad_interval, pad_value
from stripread.units import format_number

__all__ = ["entered_parts", "means_words"]


def means_words(points: Sequence[PointFacts], readings: Sequence[RecordedReading], say: Say) -> str | None:
    """Tell how many readings at each point are by which means; None where all are strips."""
    if all(reading.method.is_strip for reading in readings):
        return None
    by: dict[str, Counter[str]] = {point.name: Counter() for point in points}
    for reading in readings:
        if reading.point in by:
            by[reading.point][reading.method.by] += 1
    told = [
        f"{name}: " + ", ".join(f"{count} {say(Method(by=method).words)}" for method, count in counts.most_common())
        for name, counts in by.items()
        if counts
    ]
    return say(Message("By which means: %(means)s.", means="; ".join(told)))


def entered_parts(readings: Sequence[RecordedReading], pairs: Sequence[MethodPair], say: Say) -> Iterator[Part]:
    """Return the section."""
    entered = [reading for reading in readings if not reading.method.is_strip]
    yield Heading(say(Message("Readings by other means")))
    if not entered:
        yield Words(say(Message("None were entered.")))
        return
    yield Table(
        (
            say(Message("when")),
            say(Message("where")),
            say(Message("what")),
            say(Message("reading")),
            say(Message("95 % interval")),
            say(Message("by")),
            say(Message("entry")),
        ),
        [_row(reading, say) for reading in entered],
        (13, 12, 16, 16, 16, 19, 8),
        frozenset((6,)),
    )
    if any(_assumed(reading) for reading in entered):
        words = Message("* No uncertainty was stated; a wide one was assumed.")
        yield Words(say(words), small=True)
    yield Heading(say(Message("One sample by two means")), level=3)
    if not pairs:
        yield Words(say(Message("None: no point was read by two means within half an hour.")))
        return
    differ = sum(pair.differ for pair in pairs)
    yield Words(
        say(Message("▲ %(differ)s of %(count)s cannot both be right.", differ=differ, count=len(pairs)))
        if differ
        else say(Message("✔ All agree within their uncertainties: %(count)s.", count=len(pairs)))
    )
    yield Table(
        (
            say(Message("when")),
            say(Message("where")),
            say(Message("what")),
            say(Message("first")),
            say(Message("second")),
            say(Message("zeta")),
            say(Message("verdict")),
        ),
        [_pair_row(pair, say) for pair in pairs],
        (13, 12, 14, 21, 21, 7, 12),
        frozenset((5,)),
    )
    yield Words(
        say(
            Message(
                "Zeta is the difference over its standard uncertainty (ISO 13528). Two means differ where chance alone "
                "would part good ones so far less than once in a hundred times."
            )
        ),
        small=True,
    )


def _assumed(reading: RecordedReading) -> bool:
    method = (reading.entry.payload.get("how") or {}).get("method") or {}
    return bool(method.get("u_assumed"))


def _row(reading: RecordedReading, say: Say) -> tuple[str, ...]:
    pad = reading.main
    return (
        moment(reading.when, say),
        reading.point or (say(Message(reading.sample)) if reading.sample else ""),
        say(Message(pad.analyte)),
        say(pad_value(pad)),
        say(pad_interval(pad)) + (" *" if _assumed(reading) else ""),
        say(reading.method.words),
        str(reading.entry.seq),
    )


def _pair_row(pair: MethodPair, say: Say) -> tuple[str, ...]:
    first, second = (
        f"{say(pad_value(pad))}, {say(one.method.words)} [{one.entry.seq}]"
        for one, pad in zip((pair.first, pair.second), pair.pads, strict=True)
    )
    return (
        moment(pair.second.when, say),
        pair.second.point or "",
        say(Message(pair.pads[0].analyte)),
        first,
        second,
        "" if pair.zeta is None else say(format_number(pair.zeta, 1)),
        say(Message("▲ DIFFERS")) if pair.differ else say(Message("✔ agrees")),
    )
