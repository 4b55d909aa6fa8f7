"""Which readings were due, and which were done, late or missed: a pure function of a schedule and times."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta, tzinfo
from typing import Literal

from stripread.site import PointSchedule, Schedule

__all__ = ["DueReading", "State", "due_readings"]

State = Literal["due", "done", "done late", "late", "missed"]


@dataclass(frozen=True, slots=True, kw_only=True)
class DueReading:
    """One reading that a point owes.

    Attributes
    ----------
    before : datetime
        Until when; at midnight where any time of the day will do.
    state : str
        ``due``: its time has not passed. ``late``: it has, on the same day. ``missed``: the day is over.
    read_at : datetime or None
        When it was done.
    """

    point: str
    day: date
    before: datetime
    any_time: bool
    state: State
    read_at: datetime | None = None
    who: str | None = None


def due_readings(
    schedule: Schedule, read: Mapping[str, Iterable[datetime]], *, first: date, last: date, now: datetime
) -> tuple[DueReading, ...]:
    """Return what the points of a schedule owed from one day to another, both included; day by day, point by point.

    Parameters
    ----------
    read : mapping of str to datetimes
        When each point was read, with zones.
    now : datetime
        Its zone is the one in which days begin and times are meant.
    """
    zone, found = now.tzinfo, []
    times = {point: sorted(when.astimezone(zone) for when in whens) for point, whens in read.items()}
    day = first
    while day <= last:
        for point in schedule.points:
            known = schedule.due_on(point, day)
            if known is not None:
                own = [when for when in times.get(point, ()) if when.date() == day]
                found += _of_day(known, day, own, now=now, zone=zone)
        day += timedelta(days=1)
    return tuple(found)


def _of_day(
    known: PointSchedule, day: date, read: Sequence[datetime], *, now: datetime, zone: tzinfo | None
) -> list[DueReading]:
    """Give each time of a day the first reading after the time before it; what comes later may still fill one, late."""
    midnight = datetime.combine(day + timedelta(days=1), time.min, zone)
    ends = [datetime.combine(day, one, zone) for one in known.before] or [midnight]
    left, taken = list(read), dict[datetime, datetime]()
    start = datetime.combine(day, time.min, zone)
    for end in ends:
        in_time = next((when for when in left if start <= when <= end), None)
        if in_time is not None:
            taken[end] = in_time
            left.remove(in_time)
        start = end
    found = []
    for end in ends:
        when, late = taken.get(end), next((one for one in left if one > end), None)
        state: State = "done"
        if when is None and late is not None:
            when, state = late, "done late"
            left.remove(late)
        elif when is None:
            state = "due" if now <= end else "late" if now < midnight else "missed"
        found.append(
            DueReading(
                point=known.point, day=day, before=end, any_time=not known.before, state=state, read_at=when,
                who=known.who,
            )
        )  # fmt: skip
    return found
