"""The report of a period: the record's facts put into words, tables and pictures for an auditor and for the grower."""

from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import replace
from datetime import datetime, timedelta

from stripread import __version__
from stripread.check.verdict import CAUTION
from stripread.numbers import counted
from stripread.quantities import Units
from stripread.records.period import Episode, Period, PointFacts
from stripread.records.queries import RecordedReading
from stripread.report.amounts import tell_volumes_in
from stripread.report.document import Alarm, Document, Heading, Items, Part, Table, Words
from stripread.report.period_figures import trend_figure
from stripread.report.period_sections import (
    batch_parts,
    finding_parts,
    lot_parts,
    note_parts,
    superseded_parts,
    verification_parts,
)
from stripread.report.period_words import MARKS, day, meaning, moment, span
from stripread.report.records_text import pad_interval, pad_value
from stripread.site import Site

__all__ = ["period_report"]

# What mostly follows from something else: told in a few words after what was wrong with strip, lot, batch or line.
_FOLLOWS = {
    "out_of_range": "out of range",
    "jump_at_point": "unlike before",
    "stock_past_its_time": "stock past its time",
}
_IN_SUMMARY = 10


def period_report(period: Period, site: Site, *, made_at: datetime, units: Units | None = None) -> Document:
    """Return the report.

    Parameters
    ----------
    units : {"metric", "us"} or None
        Of volumes; None: the site's.

    Raises
    ------
    MissingExtraError
        Without matplotlib, for the figures.
    """
    last, units = period.end - timedelta(days=1), units or site.units
    told = (replace(episode, message=tell_volumes_in(episode.message, units)) for episode in period.episodes)
    period = replace(period, episodes=tuple(told))
    parts = (
        *_summary(period),
        *_points(period.points, site),
        *batch_parts(period.batches, site, units),
        *finding_parts(period.episodes),
        *lot_parts(period.lots, made_at),
        *note_parts(period),
        *superseded_parts(period.superseded),
        *verification_parts(period),
        Heading("Cautions"),
        Items((
            "Not for drinking water compliance, medicine or food: no approved method, no licensed laboratory.",
            "Not a clearance: that a number is low does not mean that air or water is safe.",
            CAUTION,
        )),
    )  # fmt: skip
    return Document(
        title=f"{period.site}: water record",
        subtitle=f"{day(period.start)} to {day(last)}",
        parts=parts,
        footer=f"{period.site}, {period.start.date()} to {last.date()}. Written by stripread {__version__} on "
        f"{made_at.date()}, record {str(period.verification.head)[:16]}...",
    )


# --- summary ---------------------------------------------------------------------------------------------------------


def _summary(period: Period) -> Iterator[Part]:
    yield Heading("In short")
    yield Words(_counts(period.readings, len([p for p in period.points if p.states])))
    intact = period.verification.intact
    yield (
        Words(f"✔ The record is as it was written: {period.verification.entries} entries, "
              f"{period.verification.files} files, none changed, removed or put in.")
        if intact
        else Alarm("✘ The record is NOT as it was written; see the last section.")
    )  # fmt: skip
    if not period.episodes:
        yield Words("✔ Nothing was found wrong with strips, lots, batches or water.")
        return
    photos = [e for e in period.episodes if _of_photo(e.code)]
    follows = [e for e in period.episodes if e.code in _FOLLOWS]
    causes = [e for e in period.episodes if e not in photos and e not in follows]
    if causes:
        yield Words("What was found:")
        yield Items(tuple(_sentence(e) for e in causes[:_IN_SUMMARY]), numbered=True)
        if len(causes) > _IN_SUMMARY:
            yield Words(f"And {len(causes) - _IN_SUMMARY} more, under “Findings, and what was done”.")
    if follows:
        yield Words(f"What it was at the points: {'; '.join(_short(e) for e in follows)}.")
    if photos:
        yield Words(f"Photos to be retaken: {sum(len(e.readings) for e in photos)}.")


def _counts(readings: Sequence[RecordedReading], points: int) -> str:
    judged = Counter(_state(r) for r in readings)
    words = [f"{judged[name]} {text}" for name, text in _STATES.items() if judged[name]]
    return f"{counted(len(readings), 'reading')} at {counted(points, 'point')}: {', '.join(words) or 'none'}."


_STATES = {
    "within": "within range",
    "out": "out of range",
    "undecided": "undecided, as their interval straddles a limit",
    "doubtful": "doubtful measurements",
    "invalid": "invalid measurements",
    "unjudged": "without an expected range",
}


def _state(reading: RecordedReading) -> str:
    if reading.validity != "valid":
        return reading.validity
    state = reading.main.range_state or "unjudged"
    return "out" if state in ("below", "above") else state


def _of_photo(code: str) -> bool:
    """Tell whether a finding only says that a photo was not good, which a retake mends."""
    return code.startswith(("photo_", "pad_", "card_", "glare", "shadow", "mixed", "poor_", "flash_", "patch_"))


def _sentence(episode: Episode) -> str:
    count = len(episode.readings)
    many = f" ({counted(count, 'reading')})" if count > 1 else ""
    state = "" if episode.righted is None else f" In order again on {moment(episode.righted.when)}."
    return (
        f"{MARKS[episode.severity]} {span(episode)}, {', '.join(episode.points)}{many}: {meaning(episode.code)} "
        f"{episode.message}{state}"
    )


def _short(episode: Episode) -> str:
    return f"{_FOLLOWS[episode.code]} {span(episode)} ({', '.join(episode.points)})"


# --- points ----------------------------------------------------------------------------------------------------------


def _points(points: Sequence[PointFacts], site: Site) -> Iterator[Part]:
    yield Heading("Points")
    rows = [_point_row(p, site) for p in points]
    if not rows:
        yield Words("No points, and no readings at any.")
        return
    yield Table(
        (
            "point",
            "verdict",
            "expected",
            "readings",
            "within",
            "out",
            "undecided",
            "doubtful or invalid",
            "last reading",
        ),
        rows,
        (11, 17, 13, 10, 8, 6, 11, 10, 19),
        frozenset(range(3, 8)),
    )
    yield Words(
        "Within, out, undecided: of the valid readings, by their 95 % interval. A doubtful or invalid one is no good "
        "measurement and is not judged here, whatever it reads.",
        small=True,
    )
    for point in points:
        if point.trend.readings:
            yield trend_figure(point, site)


def _point_row(point: PointFacts, site: Site) -> tuple[str, ...]:
    readings = point.trend.readings
    states = Counter(_state(r) for r in readings)
    said = point.said
    expected = "" if said is None or said.sample not in site.samples else str(site.samples[said.sample].main)
    last = "none"
    if readings:
        pad = readings[-1].main
        last = f"{moment(readings[-1].when)}: {pad_value(pad)}"
        last += f" ({pad_interval(pad)})" if pad.value is not None else ""
    return (
        point.name,
        _point_verdict(states),
        expected,
        str(len(readings)),
        str(states["within"]),
        str(states["out"]),
        str(states["undecided"]),
        str(states["doubtful"] + states["invalid"]),
        last,
    )


def _point_verdict(states: "Counter[str]") -> str:
    if not states:
        return "? NOT SAMPLED"
    if states["out"]:
        return f"▲ OUT OF RANGE in {counted(states['out'], 'reading')}"
    if states["undecided"]:
        return "? NOT ALWAYS CLEAR"
    return "✔ IN RANGE" if states["within"] else "? NO VALID READING"
