"""The points in the order in which somebody would go round: those that are due first, each with what it last read."""

from dataclasses import dataclass
from datetime import datetime

from stripread.records import Point, RecordedReading, Records, due_today
from stripread.report import Headline, reading_headline
from stripread.site import Site

__all__ = ["PointDue", "next_due", "points_due"]

_OF_POINTS = ("point", "reading", "measurement")


@dataclass(frozen=True, slots=True, kw_only=True)
class PointDue:
    """A point, whether it is due today, and its latest reading."""

    point: Point
    due: bool
    done: bool
    latest: RecordedReading | None
    headline: Headline | None


def points_due(records: Records, site: Site, *, now: datetime) -> list[PointDue]:
    """Return the points in use: what is due in the order of the way, then what is not."""
    latest = records.latest_by_point(site.main_analytes)
    pressing = {
        str(one.about) for one in due_today(records, site, now=now)
        if one.kind in _OF_POINTS and one.urgency in ("now", "today")
    }  # fmt: skip
    found = []
    for point in records.points_in_order():
        reading = latest.get(point.name)
        today = reading is not None and reading.when.astimezone(now.tzinfo).date() == now.date()
        found.append(
            PointDue(
                point=point,
                due=point.name in pressing,
                done=today and point.name not in pressing,
                latest=reading,
                headline=None if reading is None else reading_headline(reading),
            )
        )
    return sorted(found, key=lambda one: not one.due)


def next_due(points: list[PointDue], after: str | None) -> PointDue | None:
    """Return the due point that follows another one on the way, from the beginning after the last one."""
    names = [one.point.name for one in points]
    at = names.index(after) + 1 if after in names else 0
    return next((one for one in [*points[at:], *points[:at]] if one.due and one.point.name != after), None)
