"""Sums of the water work: a form for each, filled in with what the points were read as, and its answer."""

from dataclasses import replace
from datetime import datetime, timedelta

from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from stripread.errors import StripReadError
from stripread.records import ReadingFilter, Records, line_of
from stripread.site import Site, load_site
from stripread.units import ParsedInputs
from stripread.web.pages.water.sum_forms import ROWS, SUMS, Filled
from stripread.web.people.people import Person
from stripread.web.render import render
from stripread.web.security import need
from stripread.web.site_record import records_of
from stripread.web.state import state_of
from stripread.web.units import units_of

__all__ = ["sum_routes"]

_LATELY = timedelta(hours=24)  # readings of the outlets that belong together


def sum_routes() -> list[Route]:
    """Return the routes."""
    return [Route("/sums", choose, methods=["GET"]), Route("/sums/{what}", show, methods=["GET"])]


@need("technician", "supervisor")
def choose(request: Request, person: Person) -> Response:
    """List the sums."""
    return render(request, "sums.html", sums=[(name, one.title, one.why) for name, one in SUMS.items()])


@need("technician", "supervisor")
def show(request: Request, person: Person) -> Response:
    """Ask for what a sum needs, and give its answer."""
    one = SUMS.get(request.path_params["what"])
    if one is None:
        raise HTTPException(404)
    state, asked = state_of(request), dict(request.query_params)
    site, answer, trouble = load_site(state.folder), None, None
    if asked:
        typed = ParsedInputs.of(units_of(request), site.units)
        try:
            answer = one.do(Filled(typed, asked, state.folder))
            answer = replace(answer, notes=(*answer.notes, *typed.notes))
        except StripReadError as error:
            trouble = error
    elif one.of_outlets:
        with records_of(state) as records:
            asked = _as_read(records, site)
    return render(
        request, "sum.html", status=400 if trouble else 200, what=request.path_params["what"], sum=one, answer=answer,
        trouble=trouble, asked=asked, count=ROWS,
    )  # fmt: skip


def _as_read(records: Records, site: Site) -> dict[str, str]:
    """Return the rows of a form by what the outlets of the line read last were read as, in the order of the water."""
    since = datetime.now().astimezone() - _LATELY
    read: dict[str, str] = {}
    for reading in reversed(records.readings(ReadingFilter(validity="valid", since=since), limit=200)):
        pad = reading.judged
        if reading.point and pad is not None and pad.value is not None and pad.u is not None:
            read[reading.point] = f"{pad.value:.4g} {pad.unit} u {pad.u:.2g}"
    points = [point for point in records.points_in_order() if point.name in read and not point.before_injector]
    first = next((line for point in points if (line := line_of(site, point)) is not None), None)
    own = [point.name for point in points if line_of(site, point) == first and first is not None][:ROWS]
    filled = {f"name-{place}": name for place, name in enumerate(own)}
    return filled | {f"reading-{place}": read[name] for place, name in enumerate(own)}
