"""Corrective actions: opened at a reading's finding, listed, and closed."""

from datetime import datetime

from starlette.requests import Request
from starlette.responses import RedirectResponse, Response
from starlette.routing import Route

from stripread.i18n import Message
from stripread.records import Action, Stamp, action_standings, close_action
from stripread.web.forms import calendar_day, needed, text, whole
from stripread.web.people.people import Person
from stripread.web.render import render
from stripread.web.security import need
from stripread.web.sent_form import sent_form
from stripread.web.site_record import LAST_ENTRY, reading_entry, records_of
from stripread.web.state import state_of

__all__ = ["action_routes"]

_LONGEST = 400


def action_routes() -> list[Route]:
    """Return the routes."""
    return [
        Route("/actions", actions, methods=["GET"]),
        Route("/log/{entry:int}/actions", open_action, methods=["POST"]),
        Route("/actions/{action:int}/done", done, methods=["POST"]),
    ]


@need()
def actions(request: Request, person: Person) -> Response:
    """List the actions, the open ones first."""
    with records_of(state_of(request)) as records:
        found = action_standings(records)
    today = datetime.now().astimezone().date()
    return render(
        request, "actions.html", actions=[(one, one.is_overdue(today)) for one in found],
        may=person.role != "grower", longest=_LONGEST,
    )  # fmt: skip


@need("technician", "supervisor")
def open_action(request: Request, person: Person) -> Response:
    """Open an action about a finding of a reading; the same one sent twice is entered once."""
    form = sent_form(request)
    with records_of(state_of(request)) as records:
        entry = reading_entry(records, request.path_params["entry"])
        said = Action(
            about=entry.seq,
            code=needed(form, "code", Message("a finding"), most=80),
            text=needed(form, "what", Message("what is to be done"), most=_LONGEST),
            owner=needed(form, "owner", Message("who is to do it"), most=80),
            by=calendar_day(form, "by", Message("until when")).isoformat(),
        )
        if said not in [one.said for one in records.actions()]:
            records.add_action(said, Stamp(at=datetime.now().astimezone(), who=person.name))
    return RedirectResponse("/actions", status_code=303)


@need("technician", "supervisor")
def done(request: Request, person: Person) -> Response:
    """Close an action with what was done and, where there is one, the reading that shows it."""
    form = sent_form(request)
    words = needed(form, "what", Message("what was done"), most=_LONGEST)
    reading = whole(form, "reading", most=LAST_ENTRY) if text(form, "reading") else None
    with records_of(state_of(request)) as records:
        stamp = Stamp(at=datetime.now().astimezone(), who=person.name)
        close_action(records, request.path_params["action"], text=words, reading=reading, stamp=stamp)
    return RedirectResponse("/actions", status_code=303)
