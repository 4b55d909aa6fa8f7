"""Corrections: an entry that stands in place of a wrong one, with the reason; the wrong one stays in the record."""

from collections.abc import Mapping
from datetime import datetime
from typing import Any, get_args

from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import RedirectResponse, Response
from starlette.routing import Route

from stripread.check import Validity
from stripread.i18n import Message
from stripread.records import Entry, Records, Stamp
from stripread.web.forms import chosen, needed, text
from stripread.web.people.people import Person
from stripread.web.render import render
from stripread.web.security import need
from stripread.web.sent_form import sent_form
from stripread.web.site_record import reading_entry, records_of
from stripread.web.state import state_of

__all__ = ["correct_routes", "may_correct"]

_LONGEST = 400  # characters of a reason


def correct_routes() -> list[Route]:
    """Return the routes."""
    return [
        Route("/log/{entry:int}/correct", ask_reading, methods=["GET"]),
        Route("/log/{entry:int}/correct", correct_reading, methods=["POST"]),
    ]


def may_correct(entry: Entry, person: Person) -> bool:
    """Return whether somebody may correct an entry: a supervisor any, a technician their own."""
    return person.role == "supervisor" or (person.role == "technician" and entry.who == person.name)


@need("technician", "supervisor")
def ask_reading(request: Request, person: Person) -> Response:
    """Ask what was wrong with a reading."""
    with records_of(state_of(request)) as records:
        entry = _holding(records, request.path_params["entry"], person)
        points = [point.name for point in records.points_in_order()]
    worse = get_args(Validity)[get_args(Validity).index(entry.payload["validity"]) :]
    return render(request, "correct_reading.html", entry=entry, points=points, worse=worse, longest=_LONGEST)


@need("technician", "supervisor")
def correct_reading(request: Request, person: Person) -> Response:
    """Enter the correction of a reading, or take it back."""
    form = sent_form(request)
    why = needed(form, "why", Message("why it is corrected"), most=_LONGEST)
    withdraw = text(form, "withdraw") == "yes"
    with records_of(state_of(request)) as records:
        entry = _holding(records, request.path_params["entry"], person)
        points = [point.name for point in records.points_in_order()]
        changes = {} if withdraw else _changes(form, entry, points)
        seq = records.correct(entry.seq, why=why, changes=changes, withdraw=withdraw, stamp=_stamp(person)).seq
    return RedirectResponse(f"/log/{seq}", status_code=303)


def _changes(form: Mapping[str, Any], entry: Entry, points: list[str]) -> dict[str, Any]:
    known = {*points, *([entry.payload["point"]] if entry.payload.get("point") else [])}
    said = {
        "point": chosen(form, "point", known, Message("a point of the list")),
        "validity": chosen(
            form, "validity", get_args(Validity), Message("one of %(known)s", known=", ".join(get_args(Validity)))
        ),
        "remark": text(form, "remark", most=_LONGEST) or None,
    }
    return {key: value for key, value in said.items() if value is not None and value != entry.payload.get(key)}


def _holding(records: Records, seq: int, person: Person) -> Entry:
    """Return a reading that holds and that somebody may correct."""
    entry = reading_entry(records, seq)
    if entry.withdrawn:
        raise HTTPException(404)
    if not may_correct(entry, person):
        raise HTTPException(403)
    return entry


def _stamp(person: Person) -> Stamp:
    return Stamp(at=datetime.now().astimezone(), who=person.name)
