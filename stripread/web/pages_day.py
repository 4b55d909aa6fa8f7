"""The day: what is due, and each point with its latest reading."""

from dataclasses import dataclass
from datetime import datetime

from anyio import to_thread
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from stripread.records import Point, RecordedReading
from stripread.records.today import Due, due_today
from stripread.report.records_text import reading_headline
from stripread.report.words import Headline
from stripread.site import load_site
from stripread.web.people import Person
from stripread.web.render import render
from stripread.web.security import need
from stripread.web.site_record import points_in_order, records_of

__all__ = ["day_routes"]


def day_routes() -> list[Route]:
    """Return the routes."""
    return [Route("/", today, methods=["GET"])]


@dataclass(frozen=True, slots=True, kw_only=True)
class _At:
    """A point and the latest reading there, with its verdict."""

    name: str
    point: Point | None  # None where readings name a point that was never entered
    reading: RecordedReading | None
    headline: Headline | None


@need()
async def today(request: Request, person: Person) -> Response:
    """Show what is due, the most urgent first, and the points."""
    now = datetime.now().astimezone()

    def look() -> tuple[tuple[Due, ...], list[_At]]:
        with records_of(request.app.state) as records:
            latest = records.latest_by_point()
            known = {point.name: point for point in points_in_order(records)}
            due = () if person.role == "grower" else due_today(records, load_site(request.app.state.folder), now=now)
        names = [*known, *sorted(latest.keys() - known.keys())]
        return due, [_at(name, known.get(name), latest.get(name)) for name in names]

    due, points = await to_thread.run_sync(look)
    return render(request, "today.html", due=due, points=points, looks_on=person.role == "grower")


def _at(name: str, point: Point | None, reading: RecordedReading | None) -> _At:
    headline = None if reading is None else reading_headline(reading)
    return _At(name=name, point=point, reading=reading, headline=headline)
