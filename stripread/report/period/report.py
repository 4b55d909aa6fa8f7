"""The report of a period: the record's facts put into words, tables and pictures for an auditor and for the grower."""

from collections import Counter
from collections.abc import Iterator, Sequence
from datetime import datetime, timedelta

from stripread import __version__
from stripread.check import CAUTION
from stripread.i18n import Message, Reader, Say, plural
from stripread.records import BatchStanding, Episode, Period, PointFacts, RecordedReading
from stripread.report.document.document import Alarm, Document, Heading, Items, Part, Table, Words
from stripread.report.period.duties import duty_alarms, duty_parts
from stripread.report.period.entered import entered_parts, means_words
from stripread.report.period.figures import trend_figure
from stripread.report.period.sections import section_parts
from stripread.report.period.words import MARKS, day, how_many, meaning, moment, span
from stripread.report.terminal.records import pad_interval, pad_value, recorded_dilution
from stripread.site import Site

__all__ = ["period_report"]

_IN_SUMMARY = 10


def period_report(
    period: Period,
    site: Site,
    *,
    made_at: datetime,
    reader: Reader | None = None,
) -> Document:
    """Return the report.

    Parameters
    ----------
    reader : Reader or None
        For whom it is written; None: in English, in the site's units.

    Raises
    ------
    MissingExtraError
        Without matplotlib, for the figures.
    """
    reader = reader or Reader(units=site.units)
    last, say = period.end - timedelta(microseconds=1), reader.show
    parts = (
        *_summary(period, site, say),
        *duty_parts(period, say),
        *_points(period, site, say),
        *entered_parts(period.readings, period.compared, say),
        *section_parts(period, site, reader.units, say),
        Heading(say(Message("Cautions"))),
        Items((
            say(Message("Not for drinking water compliance, medicine or food: no approved method, no licensed "
"laboratory.")),
            say(Message("Not a clearance: that a number is low does not mean that air or water is safe.")),
            say(CAUTION),
        )),
    )  # fmt: skip
    return Document(
        title=say(Message("%(site)s: water record", site=period.site)),
        subtitle=say(Message("%(first)s to %(last)s", first=day(period.start, say), last=day(last, say))),
        parts=parts,
        footer=say(
            Message(
                "%(site)s, %(first)s to %(last)s. Written by stripread %(version)s on %(day)s, record %(head)s...",
                site=period.site,
                first=period.start.date(),
                last=last.date(),
                version=__version__,
                day=made_at.date(),
                head=str(period.verification.head)[:16],
            )
        ),
        page=say(Message("page")),
        language=reader.language,
    )


# --- summary ---------------------------------------------------------------------------------------------------------


def _summary(period: Period, site: Site, say: Say) -> Iterator[Part]:
    yield Heading(say(Message("In short")))
    yield from duty_alarms(period, say)
    yield Words(_counts(period.readings, len([p for p in period.points if p.states]), say))
    diluted = [str(one.entry.seq) for one in period.readings if recorded_dilution(one.entry.payload) is not None]
    if diluted:
        words = Message(
            "Read through a dilution, and stated as the undiluted sample: %(readings)s (entries %(entries)s).",
            readings=how_many(len(diluted), say),
            entries=", ".join(diluted),
        )
        yield Words(say(words))
    found = period.verification
    if found.intact:
        intact = say(
            Message(
                "✔ The record is as it was written: %(entries)s entries, %(files)s files, none changed, "
                "removed or put in.",
                entries=found.entries,
                files=found.files,
            )
        )
        yield Words(intact)
    else:
        yield Alarm(say(Message("✘ The record is NOT as it was written; see the last section.")))
    if not period.episodes and not period.differing:
        yield Words(say(Message("✔ Nothing was found wrong with strips, lots, batches or water.")))
        return
    # What mostly follows from something else: told in a few words after what was wrong with strip, lot, batch or line.
    short = {
        "out_of_range": say(Message("out of range")),
        "jump_at_point": say(Message("unlike before")),
        "stock_past_its_time": say(Message("stock past its time")),
    }
    photos = [e for e in period.episodes if _of_photo(e.code)]
    follows = [e for e in period.episodes if e.code in short and not _of_batch(e, site)]
    causes = [e for e in period.episodes if e not in photos and e not in follows]
    sentences = [(e.first, _sentence(e, say)) for e in causes]
    sentences += [(one.said.made_at, _differs(one, say)) for one in period.differing]
    if sentences:
        told = [words for _, words in sorted(sentences)]
        yield Words(say(Message("What was found:")))
        yield Items(tuple(told[:_IN_SUMMARY]), numbered=True)
        if len(told) > _IN_SUMMARY:
            left = len(told) - _IN_SUMMARY
            yield Words(say(Message("And %(count)s more, under “Findings, and what was done”.", count=left)))
    if follows:
        what = "; ".join(f"{short[e.code]} {span(e, say)} ({', '.join(e.points)})" for e in follows)
        yield Words(say(Message("What it was at the points: %(what)s.", what=what)))
    if photos:
        yield Words(say(Message("Photos to be retaken: %(count)s.", count=sum(len(e.readings) for e in photos))))


def _counts(readings: Sequence[RecordedReading], points: int, say: Say) -> str:
    judged = Counter(_state(r) for r in readings)
    states = {
        "within": say(Message("within range")),
        "out": say(Message("out of range")),
        "undecided": say(Message("undecided: neither sure nor ruled out")),
        "doubtful": say(Message("doubtful measurements")),
        "invalid": say(Message("invalid measurements")),
        "unjudged": say(Message("without an expected range")),
    }
    where = plural("1 point", "%(count)s points", count=points)
    words = [f"{judged[name]} {text}" for name, text in states.items() if judged[name]]
    return say(
        Message(
            "%(readings)s at %(points)s: %(states)s.",
            readings=how_many(len(readings), say),
            points=where,
            states=", ".join(words) or say(Message("none")),
        )
    )


def _state(reading: RecordedReading) -> str:
    if reading.validity != "valid":
        return reading.validity
    state = reading.main.range_state or "unjudged"
    return "out" if state in ("below", "above") else state


def _of_batch(episode: Episode, site: Site) -> bool:
    """Tell whether what was found is of a concentrate or a stock that is out of range: what stands behind the water."""
    sample = site.samples.get(episode.readings[0].sample or "")
    return episode.code == "out_of_range" and sample is not None and sample.batch is not None


def _differs(batch: BatchStanding, say: Say) -> str:
    """Say of a batch that recipe and reading cannot both be right."""
    found = "" if batch.finding is None else say(batch.finding.message)
    return f"{MARKS['warning']} {moment(batch.said.made_at, say)}, {batch.said.id}: {found}"


def _of_photo(code: str) -> bool:
    """Tell whether a finding only says that a photo was not good, which a retake mends."""
    return code.startswith(("photo_", "pad_", "card_", "glare", "shadow", "mixed", "poor_", "flash_", "patch_"))


def _sentence(episode: Episode, say: Say) -> str:
    count = len(episode.readings)
    many = f" ({how_many(count, say)})" if count > 1 else ""
    again = "" if episode.righted is None else moment(episode.righted.when, say)
    state = " " + say(Message("In order again on %(when)s.", when=again)) if again else ""
    return (
        f"{MARKS[episode.severity]} {span(episode, say)}, {', '.join(episode.points)}{many}: "
        f"{meaning(episode.code, say)} {say(episode.message)}{state}"
    )


# --- points ----------------------------------------------------------------------------------------------------------


def _points(period: Period, site: Site, say: Say) -> Iterator[Part]:
    points = period.points
    yield Heading(say(Message("Points")))
    rows = [_point_row(p, site, say) for p in points]
    if not rows:
        yield Words(say(Message("No points, and no readings at any.")))
        return
    yield Table(
        (
            say(Message("point")),
            say(Message("verdict")),
            say(Message("expected")),
            say(Message("readings")),
            say(Message("within")),
            say(Message("out")),
            say(Message("not decided")),
            say(Message("doubtful or invalid")),
            say(Message("last reading")),
        ),
        rows,
        (11, 17, 13, 10, 8, 6, 11, 10, 19),
        frozenset(range(3, 8)),
    )
    yield Words(
        say(
            Message(
                "Within, out, undecided: of the valid readings, by their 95 % interval. A doubtful or "
                "invalid one is no good measurement and is not judged here, whatever it reads."
            )
        ),
        small=True,
    )
    if (means := means_words(points, period.readings, say)) is not None:
        yield Words(means)
    for point in points:
        if point.trend.readings:
            yield trend_figure(point, site, say)


def _point_row(point: PointFacts, site: Site, say: Say) -> tuple[str, ...]:
    readings = point.trend.readings
    states = Counter(_state(r) for r in readings)
    said = point.said
    expected = "" if said is None or said.sample not in site.samples else say(site.samples[said.sample].main.words)
    last = say(Message("none"))
    if readings:
        pad = readings[-1].main
        last = f"{moment(readings[-1].when, say)}: {say(pad_value(pad))}"
        last += f" ({say(pad_interval(pad))})" if pad.value is not None else ""
    return (
        point.name,
        _point_verdict(states, say),
        expected,
        str(len(readings)),
        str(states["within"]),
        str(states["out"]),
        str(states["undecided"]),
        str(states["doubtful"] + states["invalid"]),
        last,
    )


def _point_verdict(states: "Counter[str]", say: Say) -> str:
    if not states:
        return say(Message("? NOT SAMPLED"))
    if states["out"]:
        return say(Message("▲ OUT OF RANGE in %(readings)s", readings=how_many(states["out"], say)))
    if states["undecided"]:
        return say(Message("? NOT ALWAYS CLEAR"))
    return say(Message("✔ IN RANGE")) if states["within"] else say(Message("? NO VALID READING"))
