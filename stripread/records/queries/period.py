"""Some weeks of a site, by its record: what was read, made, found and done. A report's facts, without its words."""

from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from stripread.errors import StripReadError
from stripread.findings import REGISTRY, Finding, Severity
from stripread.i18n import Shown
from stripread.lot import CheckRow, Lot, load_lot
from stripread.records.chain.entries import Batch, Entry, InjectorSetting, Note, Point
from stripread.records.chain.verify import Verification, verify_records
from stripread.records.queries.actions import ActionStanding, action_standings, without_action
from stripread.records.queries.checks import check_rows
from stripread.records.queries.due_readings import DueReading, due_readings
from stripread.records.queries.events import OpenEvent, open_events, when_noted
from stripread.records.queries.methods import MethodPair, method_pairs
from stripread.records.queries.readings import ReadingFilter, RecordedReading
from stripread.records.queries.standing import BatchStanding, batch_standing
from stripread.records.queries.stores import StoreStanding, store_standings
from stripread.records.queries.studies import StudyStanding, study_standing
from stripread.records.queries.trend import Trend, trend_of
from stripread.records.store import Recorded, Records
from stripread.site import Site
from stripread.units import findings_of

__all__ = ["Episode", "LotFacts", "Period", "PointFacts", "period_of"]

_APART = timedelta(days=3)  # findings of one code further apart are two episodes: ours
_AFTER = timedelta(hours=24)  # what was entered so soon after an episode may have been done about it
_ALL = 100_000


@dataclass(frozen=True, slots=True, kw_only=True)
class PointFacts:
    """A point's readings; ``states`` counts within, below, above, undecided, unjudged."""

    name: str
    said: Point | None
    trend: Trend
    states: Counter[str]
    validity: Counter[str]
    days: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Episode:
    """One kind of finding in readings that lie close together.

    Attributes
    ----------
    readings : tuple of RecordedReading
        The earliest first.
    message, advice : Shown
        Of the first.
    notes : tuple of Recorded[Note]
        About one of the readings, or entered soon after without naming any.
    made : tuple of Batch
        Stocks and top-ups made soon after.
    righted : RecordedReading or None
        The first later reading at the last of the points that is valid and, where the finding is about the water,
        within its range; None where there is none.
    """

    code: str
    severity: Severity
    readings: tuple[RecordedReading, ...]
    message: Shown
    advice: Shown
    notes: tuple[Recorded[Note], ...]
    made: tuple[Batch, ...]
    righted: RecordedReading | None

    @property
    def first(self) -> datetime:
        """When it began."""
        return self.readings[0].when

    @property
    def last(self) -> datetime:
        """When it was last seen."""
        return self.readings[-1].when

    @property
    def points(self) -> tuple[str, ...]:
        """Where it was seen, in the order of time."""
        return tuple(dict.fromkeys(r.point or "no point" for r in self.readings))


@dataclass(frozen=True, slots=True, kw_only=True)
class LotFacts:
    """A lot that was read with: ``lot`` is None where its file is no longer readable."""

    number: str
    lot: Lot | None
    readings: int
    late: int  # of them, read after its date
    checks: tuple[CheckRow, ...]  # in the period
    study: StudyStanding | None = None  # the latest of the calibration that was read with


@dataclass(frozen=True, slots=True, kw_only=True)
class Period:
    """All of it; times have a zone, ``end`` is not included."""

    site: str
    start: datetime
    end: datetime
    readings: tuple[RecordedReading, ...]  # that hold now, the earliest first
    points: tuple[PointFacts, ...]
    batches: tuple[BatchStanding, ...]
    injector: tuple[InjectorSetting, ...]
    episodes: tuple[Episode, ...]
    lots: tuple[LotFacts, ...]
    compared: tuple[MethodPair, ...]  # one sample by two means
    superseded: tuple[tuple[Entry, Entry], ...]  # the entry that holds no longer, and the one in its place
    notes: tuple[Recorded[Note], ...]  # in the order of their own times
    actions: tuple[ActionStanding, ...]  # that were open in it
    unattended: int  # readings with an error about which no action was opened
    due: tuple[DueReading, ...]  # by the schedule; none without one
    stores: tuple[StoreStanding, ...]  # at its end
    open_events: tuple[OpenEvent, ...]  # whose checks are not all ticked at its end
    verification: Verification

    @property
    def differing(self) -> tuple[BatchStanding, ...]:
        """Batches whose recipe and reading cannot both be right, which no reading's own finding tells."""
        told = {
            reading.entry.payload.get("how", {}).get("batch")
            for episode in self.episodes
            if episode.code == "recipe_mismatch"
            for reading in episode.readings
        }
        return tuple(one for one in self.batches if one.finding is not None and one.said.id not in told)


def period_of(records: Records, site: Site, *, start: datetime, end: datetime, now: datetime | None = None) -> Period:
    """Gather the facts of a period.

    Parameters
    ----------
    now : datetime or None
        What was due later is not missed; None: all of the period is past.

    Raises
    ------
    RecordsError
        If the record cannot be read.
    """
    readings = tuple(reversed(list(records.iterate_readings(ReadingFilter(since=start, until=end)))))
    noted = [n for n in reversed(records.notes(limit=_ALL)) if start <= when_noted(n) < end]
    notes = tuple(sorted(noted, key=when_noted))
    actions = action_standings(records)
    made = [b.said for b in records.batches(limit=_ALL) if start <= b.said.made_at < end]
    made.sort(key=lambda batch: batch.made_at)
    settings = sorted((s.said for s in records.injector_settings(limit=_ALL)), key=lambda s: s.since)
    return Period(
        site=site.name,
        start=start,
        end=end,
        readings=readings,
        points=_points(records, site, readings, start, end),
        batches=tuple(batch_standing(records, batch) for batch in made),
        # The setting that held when the period began, and those since.
        injector=tuple(
            s
            for i, s in enumerate(settings)
            if s.since < end and not (i + 1 < len(settings) and settings[i + 1].since <= start)
        ),
        episodes=tuple(_episodes(readings, notes, made)),
        lots=tuple(_lots(records, readings, start, end)),
        compared=method_pairs(readings),
        superseded=tuple(_superseded(records, start, end)),
        notes=notes,
        actions=tuple(
            one for one in actions if one.entry.at < end and (one.done is None or one.done.entry.at >= start)
        ),
        unattended=without_action(readings, actions),
        due=_due(site, readings, start=start, end=end, now=now),
        stores=store_standings(records, at=end),
        open_events=tuple(open_events(records, site.events, until=end)),
        verification=verify_records(records),
    )


def _due(
    site: Site, readings: Sequence[RecordedReading], *, start: datetime, end: datetime, now: datetime | None
) -> tuple[DueReading, ...]:
    """Return what the schedule asked for until the end of the period, or until now."""
    until = end if now is None else min(end, now)
    if site.schedule is None or until <= start:
        return ()
    read: dict[str, list[datetime]] = {}
    for reading in readings:
        if reading.point is not None:
            read.setdefault(reading.point, []).append(reading.when)
    last = (until.astimezone(start.tzinfo) - timedelta(microseconds=1)).date()
    return due_readings(site.schedule, read, first=start.date(), last=last, now=until.astimezone(start.tzinfo))


def _points(
    records: Records, site: Site, readings: Sequence[RecordedReading], start: datetime, end: datetime
) -> tuple[PointFacts, ...]:
    known = {p.said.name: p.said for p in records.points()}
    of: dict[str, list[RecordedReading]] = {name: [] for name in known}
    for reading in readings:
        if reading.point is not None:
            of.setdefault(reading.point, []).append(reading)
    found = [
        PointFacts(
            name=name,
            said=known.get(name),
            trend=trend_of(records, site, name, since=start, until=end),
            states=Counter(r.main.range_state or "unjudged" for r in own),
            validity=Counter(r.validity for r in own),
            days=len({r.when.date() for r in own}),
        )
        for name, own in of.items()
    ]
    return tuple(sorted(found, key=_along_the_water))


def _along_the_water(point: PointFacts) -> tuple[int, str, int, str]:
    """Order points as the water flows: before the injector, what is injected, then line by line."""
    said = point.said
    if said is None:
        return 3, "", 0, point.name
    if said.before_injector:
        return 0, "", 0, point.name
    return (2 if said.line else 1), said.line or "", said.order or 0, point.name


def _episodes(
    readings: Sequence[RecordedReading], notes: Sequence[Recorded[Note]], made: Sequence[Batch]
) -> Iterator[Episode]:
    """Yield the findings that are no mere remarks, those of one code that lie close together as one, in their order.

    Of one sample type each: what is wrong with a stock is told by itself. Readings at no point are kept apart.
    """
    of: dict[tuple[str, str | None, bool], list[list[RecordedReading]]] = {}
    for reading in readings:
        for code in dict.fromkeys(f.code for f in _grave(reading)):
            runs = of.setdefault((code, reading.sample, reading.point is None), [])
            if runs and reading.when - runs[-1][-1].when <= _APART:
                runs[-1].append(reading)
            else:
                runs.append([reading])
    found = [_episode(code, run, readings, notes, made) for (code, _, _), runs in of.items() for run in runs]
    yield from sorted(found, key=lambda episode: episode.first)


def _grave(reading: RecordedReading) -> list[Finding]:
    return [f for f in findings_of(reading.entry.payload) if f.severity != "info"]


def _episode(
    code: str,
    run: Sequence[RecordedReading],
    readings: Sequence[RecordedReading],
    notes: Sequence[Recorded[Note]],
    made: Sequence[Batch],
) -> Episode:
    said = next(f for f in _grave(run[0]) if f.code == code)
    until = run[-1].when + _AFTER
    own = {r.entry.seq for r in run}
    about_water = code in REGISTRY and REGISTRY[code].about == "sample"
    righted = [r for r in readings if _rights(r, run[-1], about_water=about_water)]
    return Episode(
        code=code,
        severity="error" if said.severity == "error" else "warning",
        readings=tuple(run),
        message=said.message,
        advice=said.advice,
        notes=tuple(n for n in notes if n.said.about in own),
        made=tuple(b for b in made if about_water and b.kind != "concentrate" and run[-1].when < b.made_at <= until),
        righted=righted[0] if righted else None,
    )


def _rights(later: RecordedReading, wrong: RecordedReading, *, about_water: bool) -> bool:
    """Tell whether a reading shows that what was found in an earlier one at its point is in order again.

    Of the same analyte: a pH within its range says nothing of a residual. Bad water may be found good by any means, and
    a bad photo is mended by a good one alone.
    """
    if later.when <= wrong.when or later.point != wrong.point or later.validity != "valid":
        return False
    if later.sample != wrong.sample:  # at a place where several things are sampled, or at no point
        return False
    if later.main.analyte != wrong.main.analyte:
        return False
    return later.main.range_state == "within" if about_water else later.method.by == wrong.method.by


def _lots(records: Records, readings: Sequence[RecordedReading], start: datetime, end: datetime) -> Iterator[LotFacts]:
    for number in dict.fromkeys(r.lot for r in readings if r.lot is not None):
        own = [r for r in readings if r.lot == number]
        lot = _lot(records, own[-1])
        rows = check_rows(records, number)
        yield LotFacts(
            number=number,
            lot=lot,
            readings=len(own),
            late=0 if lot is None else sum(r.when.date() > lot.expires for r in own),
            checks=tuple(row for row in rows if start <= row.when < end),
            study=None if lot is None else study_standing(records, number, lot.sha256),
        )


def _lot(records: Records, reading: RecordedReading) -> Lot | None:
    """Load the lot file that a reading rests on."""
    for ref in reading.entry.files:
        if ref.role == "lot":
            try:
                return load_lot(records.folder / ref.path)
            except (StripReadError, OSError):
                return None
    return None


def _superseded(records: Records, start: datetime, end: datetime) -> Iterator[tuple[Entry, Entry]]:
    before = None
    while page := records.entries(superseded=True, before=before, limit=500):
        for entry in page:
            if entry.supersedes is not None and start <= entry.at < end:
                yield records.entry(entry.supersedes), entry
        before = page[-1].seq
