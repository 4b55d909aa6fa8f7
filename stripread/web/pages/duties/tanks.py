"""The tanks: what stands in each, how strong it is by now and how much is left; emptied, moved, and thrown away."""

from datetime import datetime
from typing import Literal, cast

from starlette.requests import Request
from starlette.responses import RedirectResponse, Response
from starlette.routing import Route

from stripread.i18n import Message
from stripread.records import Stamp, TankEvent, tank_standings
from stripread.site import load_site
from stripread.units import ParsedInputs
from stripread.web.forms import chosen, moment, needed, text
from stripread.web.people.people import Person
from stripread.web.render import render
from stripread.web.security import need
from stripread.web.sent_form import sent_form
from stripread.web.site_record import records_of
from stripread.web.state import state_of
from stripread.web.units import units_of

__all__ = ["tank_routes"]

_LONGEST = 400


def tank_routes() -> list[Route]:
    """Return the routes."""
    return [Route("/tanks", tanks, methods=["GET"]), Route("/tanks", enter, methods=["POST"])]


@need("technician", "supervisor")
def tanks(request: Request, person: Person) -> Response:
    """List the tanks."""
    site, now = load_site(state_of(request).folder), datetime.now().astimezone()
    with records_of(state_of(request)) as records:
        found = tank_standings(records, site, at=now)
    return render(request, "tanks.html", tanks=found, longest=_LONGEST)


@need("technician", "supervisor")
def enter(request: Request, person: Person) -> Response:
    """Enter that a tank was emptied, that its batch was put into another, or that some of it was thrown away."""
    form, now = sent_form(request), datetime.now().astimezone()
    site = load_site(state_of(request).folder)
    with records_of(state_of(request)) as records:
        known = {one.name: one for one in tank_standings(records, site, at=now)}
        name = chosen(form, "tank", list(known), Message("a tank of the list"))
        what = chosen(form, "what", ("emptied", "discarded", "moved"), Message("emptied, moved, or thrown away"))
        tank = None if name is None else known[name]
        if tank is None or what is None or tank.batch is None:  # sent twice: it is empty by now
            return RedirectResponse("/tanks", status_code=303)
        typed = ParsedInputs.of(units_of(request), site.units)
        litres = typed.maybe_exact(text(form, "volume") or None, "volume", name=Message("the volume"))
        into = None if what == "discarded" else tank.name
        if what == "moved":
            into = needed(form, "to", Message("the tank that it was put into"), most=80)
        event = TankEvent(
            what=cast(Literal["emptied", "discarded", "moved"], what),
            at=moment(form, "at", now=now),
            tank=into,
            batch=tank.batch.id,
            volume_l=litres if what == "discarded" else None,
            note=text(form, "note", most=_LONGEST),
        )
        records.add_tank_event(event, Stamp(at=now, who=person.name))
    return RedirectResponse("/tanks", status_code=303)
