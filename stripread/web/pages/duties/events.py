"""Events with a time of their own, the checks that follow them, and why a reading was missed."""

from datetime import datetime

from starlette.requests import Request
from starlette.responses import RedirectResponse, Response
from starlette.routing import Route

from stripread.i18n import Message
from stripread.records import Note, Stamp, noted_events, open_events, tick_check, when_noted
from stripread.site import load_site
from stripread.web.forms import chosen, moment, needed, text
from stripread.web.people.people import Person
from stripread.web.render import render
from stripread.web.security import need
from stripread.web.sent_form import sent_form
from stripread.web.site_record import records_of
from stripread.web.state import state_of

__all__ = ["event_routes"]

_LONGEST, _SHOWN = 400, 50
_MISSED = "missed"


def event_routes() -> list[Route]:
    """Return the routes."""
    return [
        Route("/events", events, methods=["GET"]),
        Route("/events", enter, methods=["POST"]),
        Route("/events/{entry:int}/tick", tick, methods=["POST"]),
    ]


@need()
def events(request: Request, person: Person) -> Response:
    """List the events, those that are not over first."""
    site, now = load_site(state_of(request).folder), datetime.now().astimezone()
    with records_of(state_of(request)) as records:
        still = open_events(records, site.events, until=now)
        found = [(when_noted(one), one) for one in noted_events(records)[:_SHOWN]]
        points = records.points_in_order()
    lines = dict.fromkeys((*site.supply.lines, *(p.line for p in points if p.line is not None)))
    return render(
        request, "events.html", still=still, events=found, types=list(site.events), lines=list(lines),
        points=[p.name for p in points], may=person.role != "grower", longest=_LONGEST,
    )  # fmt: skip


@need("technician", "supervisor")
def enter(request: Request, person: Person) -> Response:
    """Enter an event, or why a reading was missed; the same one sent twice is entered once."""
    form, now = sent_form(request), datetime.now().astimezone()
    site = load_site(state_of(request).folder)
    kind = chosen(form, "type", (*site.events, _MISSED), Message("a type of event of the list"))
    said = Note(
        text=needed(form, "what", Message("what happened"), most=_LONGEST),
        at=moment(form, "at", now=now),
        type=needed({"type": kind or ""}, "type", Message("a type of event")),
        line=text(form, "line", most=80) or None,
        tank=text(form, "tank", most=80) or None,
        point=needed(form, "point", Message("the point that was not read")) if kind == _MISSED else None,
    )
    with records_of(state_of(request)) as records:
        same = [one.said for one in records.notes() if one.said.type == kind]
        if not any(_alike(one, said) for one in same):
            records.add_note(said, Stamp(at=now, who=person.name))
    return RedirectResponse("/events", status_code=303)


@need("technician", "supervisor")
def tick(request: Request, person: Person) -> Response:
    """Tick a check of an event."""
    site, now = load_site(state_of(request).folder), datetime.now().astimezone()
    check = needed(sent_form(request), "check", Message("a check"), most=_LONGEST)
    with records_of(state_of(request)) as records:
        seq = request.path_params["entry"]
        tick_check(records, site.events, seq, check=check, at=None, stamp=Stamp(at=now, who=person.name))
    return RedirectResponse("/events", status_code=303)


def _alike(one: Note, other: Note) -> bool:
    """Tell whether two notes tell of the same, entered within two minutes where neither says when."""
    same = (one.text, one.type, one.line, one.tank, one.point) == (
        other.text, other.type, other.line, other.tank, other.point
    )  # fmt: skip
    return same and one.at is not None and other.at is not None and abs((one.at - other.at).total_seconds()) <= 120
