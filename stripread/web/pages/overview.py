"""The points at a glance: how many are in order, which are not and since when, each with a small line."""

from dataclasses import dataclass
from datetime import datetime, timedelta

from stripread.i18n import Message, Shown, joined
from stripread.records import Course, Point, ReadingFilter, RecordedReading, Records, course_of
from stripread.report import Headline, reading_headline
from stripread.site import Expectation, Site

__all__ = ["At", "Overview", "Spark", "overview_of"]

_LATELY, _LATEST = timedelta(days=30), 14  # readings before the latest one that tell where a point goes: ours
_FEW = 5
_STALE = timedelta(days=2)  # a point that nobody read for longer is in no order that anybody knows of. Ours
_NAMED = 3  # points that the sentence names; more are counted
_WIDTH, _HEIGHT, _EDGE = 120.0, 32.0, 3.0
_WORST = ("no-result", "out", "high", "low", "doubtful", "undecided", "warned", "unjudged")


@dataclass(frozen=True, slots=True, kw_only=True)
class Spark:
    """A small line of a point's latest readings, drawn to scale: x and y of each, and the band that is expected.

    Attributes
    ----------
    dots : tuple of (x, y, high, low)
        With the ends of the interval.
    band : (top, height) or None
    """

    dots: tuple[tuple[float, float, float, float], ...]
    band: tuple[float, float] | None
    width: float = _WIDTH
    height: float = _HEIGHT


@dataclass(frozen=True, slots=True, kw_only=True)
class At:
    """A point and the latest reading there, with its verdict, and since when it stands so."""

    name: str
    point: Point | None  # None where readings name a point that was never entered
    reading: RecordedReading | None
    headline: Headline | None
    course: Course | None
    latest: tuple[RecordedReading, ...]  # a few, the earliest first, where no course may be told
    since: datetime | None
    stale: bool
    spark: Spark | None

    @property
    def in_order(self) -> bool:
        """Whether it was read lately, and well."""
        return self.headline is not None and self.headline.state == "within" and not self.stale


@dataclass(frozen=True, slots=True, kw_only=True)
class Overview:
    """All points, the worst first, and the sentence that tells of them."""

    points: tuple[At, ...]
    sentence: Shown

    @property
    def wrong(self) -> tuple[At, ...]:
        """Those that are not in order."""
        return tuple(at for at in self.points if not at.in_order)

    @property
    def fine(self) -> tuple[At, ...]:
        """Those that are."""
        return tuple(at for at in self.points if at.in_order)


def overview_of(records: Records, site: Site, *, now: datetime) -> Overview:
    """Return the points of a site as they stand."""
    latest = records.latest_by_point(site.main_analytes)
    known = {point.name: point for point in records.points_in_order()}
    names = [*known, *sorted(latest.keys() - known.keys())]
    points = [_at(records, site, name, known.get(name), latest.get(name), now) for name in names]
    ordered = tuple(sorted(points, key=_rank))
    return Overview(points=ordered, sentence=_sentence(ordered, now))


def _rank(at: At) -> int:
    if at.headline is None:
        return len(_WORST)
    if at.headline.state in _WORST:
        return _WORST.index(at.headline.state)
    return len(_WORST) + (1 if at.stale else 2)


def _at(
    records: Records, site: Site, name: str, point: Point | None, reading: RecordedReading | None, now: datetime
) -> At:
    if reading is None:
        return At(name=name, point=point, reading=None, headline=None, course=None, latest=(), since=None, stale=True,
                  spark=None)  # fmt: skip
    wanted = ReadingFilter(
        point=name, sample=reading.sample, analyte=reading.main.analyte, since=reading.when - _LATELY
    )
    found, headline = records.readings(wanted, limit=_LATEST), reading_headline(reading)
    course = course_of(found[:10])
    since = reading.when
    for one in found:
        if reading_headline(one).state != headline.state:
            break
        since = one.when
    return At(
        name=name, point=point, reading=reading, headline=headline, course=course, since=since,
        latest=tuple(reversed(found[:_FEW])) if course is None and len(found) > 1 else (),
        stale=now - reading.when > _STALE,
        spark=_spark(found, site.expectation(reading.sample, reading.main.analyte)),
    )  # fmt: skip


def _spark(found: list[RecordedReading], expected: Expectation | None) -> Spark | None:
    """Draw the readings that have a number; None with fewer than two."""
    pads = [
        (r.when.timestamp(), pad.value, pad.low, pad.high)
        for r in reversed(found)
        if (pad := r.main).value is not None and r.validity != "invalid"
    ]
    numbers = [(at, value, low, high) for at, value, low, high in pads if value is not None]
    if len(numbers) < 2:
        return None
    first, last = numbers[0][0], numbers[-1][0]
    most = max([v if high is None else high for _, v, _, high in numbers] + ([expected.high] if expected else []))
    if most <= 0 or last <= first:
        return None

    def y(value: float | None, default: float) -> float:
        share = min(max((default if value is None else value) / (1.05 * most), 0.0), 1.0)
        return round(_HEIGHT - _EDGE - (_HEIGHT - 2 * _EDGE) * share, 1)

    dots = tuple(
        (round(_EDGE + (_WIDTH - 2 * _EDGE) * (at - first) / (last - first), 1), y(v, v), y(high, most), y(low, 0.0))
        for at, v, low, high in numbers
    )
    band = None if expected is None else (y(expected.high, most), y(expected.low, 0.0) - y(expected.high, most))
    return Spark(dots=dots, band=None if band is None else (band[0], round(band[1], 1)))


def _sentence(points: tuple[At, ...], now: datetime) -> Shown:
    """Return one sentence: how many are in order, and which are not since when."""
    wrong, fine = [at for at in points if not at.in_order], sum(at.in_order for at in points)
    if not points:
        return Message("There are no points yet.")
    if not wrong:
        return Message("All %(all)s points are in order.", all=fine) if fine > 1 else Message("The point is in order.")
    named = [_of_one(at, now) for at in wrong[:_NAMED]]
    if len(wrong) > _NAMED:
        named.append(Message("%(count)s more", count=len(wrong) - _NAMED))
    return Message("%(fine)s of %(all)s in order; %(wrong)s.", fine=fine, all=len(points), wrong=joined(named))


def _of_one(at: At, now: datetime) -> Shown:
    if at.headline is None or at.reading is None or at.since is None:
        return Message("%(point)s never read", point=at.name)
    if at.headline.state == "within":
        day = at.reading.when.astimezone(now.tzinfo).date().isoformat()
        return Message("%(point)s not read since %(day)s", point=at.name, day=day)
    since = at.since.astimezone(now.tzinfo)
    when = since.strftime("%H:%M") if since.date() == now.date() else since.strftime("%Y-%m-%d %H:%M")
    words = _STATES.get(at.headline.state, Message("not in order"))
    return Message("%(point)s %(what)s since %(when)s", point=at.name, what=words, when=when)


_STATES: dict[str, Message] = {
    "low": Message("too low"),
    "high": Message("too high"),
    "out": Message("out of range"),
    "doubtful": Message("doubtful"),
    "undecided": Message("near a limit"),
    "warned": Message("with a warning"),
    "no-result": Message("without a result"),
    "unjudged": Message("not judged"),
}
