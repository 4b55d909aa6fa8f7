"""The day: what is due, each point with its latest reading, and what a point has read over time."""

from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path

from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from stripread.errors import StripReadError
from stripread.i18n import Message, Reader
from stripread.records import (
    Due,
    Point,
    ReadingFilter,
    RecordedReading,
    Trend,
    action_standings,
    due_today,
    open_site_records,
    trend_of,
)
from stripread.report import figure_png, new_figure, plot_trend
from stripread.site import Site, load_site
from stripread.web.forms import chosen, text
from stripread.web.language import language_of
from stripread.web.pages.first_steps import first_steps
from stripread.web.pages.overview import overview_of
from stripread.web.people.people import Person
from stripread.web.queue.exclusive import DRAWING
from stripread.web.render import render
from stripread.web.security import need
from stripread.web.site_record import records_of
from stripread.web.state import state_of

__all__ = ["day_routes"]

_SPANS = ("7", "30", "90", "365")  # days that a trend may show
_SPAN = "30"
_SIZE_IN, _DPI = (4.4, 3.8), 200  # for a phone held upright


def day_routes() -> list[Route]:
    """Return the routes."""
    return [
        Route("/", today, methods=["GET"]),
        Route("/points/{name:path}/figure.png", figure, methods=["GET"]),
        Route("/points/{name:path}", trend, methods=["GET"]),
    ]


@need()
def today(request: Request, person: Person) -> Response:
    """Show what is due, the most urgent first, and the points."""
    now = datetime.now().astimezone()
    state = state_of(request)
    site = load_site(state.folder)
    with records_of(state) as records:
        overview = overview_of(records, site, now=now)
        due = () if person.role == "grower" else due_today(records, site, now=now)
        steps = first_steps(state, records, site) if person.role == "supervisor" else ()
        actions = sum(one.done is None for one in action_standings(records))
    others = () if person.role == "technician" else [_other(folder, now) for folder in state.settings.also]
    return render(
        request, "today.html", due=due, overview=overview, actions=actions, looks_on=person.role == "grower",
        others=others, steps=steps, today=now.date().isoformat(),
    )  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class _Other:
    """The day of another site; ``trouble`` where it cannot be told."""

    name: str
    due: tuple[Due, ...] = ()
    trouble: StripReadError | None = None


def _other(folder: Path, now: datetime) -> _Other:
    try:
        site = load_site(folder)
        with open_site_records(site) as records:
            due = due_today(records, site, now=now)
    except StripReadError as error:  # one site that is damaged does not hide this one
        return _Other(name=folder.name, trouble=error)
    return _Other(name=site.name, due=tuple(one for one in due if one.urgency != "done"))


@need()
def trend(request: Request, person: Person) -> Response:
    """Show what a point has read over some days, as a picture and as a table."""
    days = _days(request)
    found, site, point, last = _trend(request, days)
    shown = found.readings[-1] if found.readings else last
    expected = None if shown is None else site.expectation(shown.sample, shown.main.analyte)
    return render(
        request, "trend.html", name=request.path_params["name"], point=point, trend=found, last=last, days=days,
        spans=_SPANS, expected=expected, may_read=point is not None and person.role != "grower",
        analyte=None if shown is None else shown.main.analyte,
    )  # fmt: skip


@need()
def figure(request: Request, person: Person) -> Response:
    """Draw it."""
    days = _days(request)
    found, site, _, last = _trend(request, days)
    if last is None or not found.readings:
        raise HTTPException(404)
    latest = found.readings[-1]
    with DRAWING:
        drawn = new_figure(*_SIZE_IN)
        expected = site.expectation(latest.sample, latest.main.analyte)
        plot_trend(found, drawn.subplots(), expected=expected, say=Reader(language=language_of(request)).show)
        picture = figure_png(drawn, dpi=_DPI)
    return Response(picture, media_type="image/png")


def _days(request: Request) -> str:
    return (
        chosen(request.query_params, "days", _SPANS, Message("one of %(known)s days", known=", ".join(_SPANS))) or _SPAN
    )


def _trend(request: Request, days: str) -> tuple[Trend, Site, Point | None, RecordedReading | None]:
    """Return the trend of the address's point, what the point is, and its latest reading whenever that was."""
    name, since = request.path_params["name"], datetime.now().astimezone() - timedelta(days=int(days))
    with records_of(state_of(request)) as records:
        point = next((p.said for p in records.points() if p.said.name == name), None)
        last = next(iter(records.readings(ReadingFilter(point=name), limit=1)), None)
        if point is None and last is None:
            raise HTTPException(404)
        analyte = text(request.query_params, "analyte") or None
        found = trend_of(records, load_site(state_of(request).folder), name, since=since, until=None, analyte=analyte)
        return found, load_site(state_of(request).folder), point, last
