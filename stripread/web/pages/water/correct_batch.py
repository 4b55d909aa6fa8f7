"""A batch that was entered wrongly: its volumes, tank and cover corrected, or the whole of it taken back."""

from collections.abc import Mapping
from datetime import datetime
from typing import Any
from urllib.parse import quote

from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import RedirectResponse, Response
from starlette.routing import Route

from stripread.errors import StripReadError
from stripread.i18n import Message, Shown
from stripread.records import Batch, Entry, Records, Stamp, correct_batch, from_payload
from stripread.site import load_site
from stripread.units import ParsedInputs, Units, volume_as_typed
from stripread.water import COVERS
from stripread.web.forms import chosen, needed, text
from stripread.web.pages.correct import may_correct
from stripread.web.people.people import Person
from stripread.web.render import render
from stripread.web.security import need
from stripread.web.sent_form import sent_form
from stripread.web.site_record import records_of
from stripread.web.state import state_of
from stripread.web.units import units_of

__all__ = ["correct_batch_routes"]

_LONGEST = 400  # characters of a reason


def correct_batch_routes() -> list[Route]:
    """Return the routes."""
    return [
        Route("/batches/correct/{id:path}", ask, methods=["GET"]),
        Route("/batches/correct/{id:path}", correct, methods=["POST"]),
        Route("/batches/withdraw/{id:path}", ask_back, methods=["GET"]),
        Route("/batches/withdraw/{id:path}", withdraw, methods=["POST"]),
    ]


@need("technician", "supervisor")
def ask(request: Request, person: Person) -> Response:
    """Show what was entered, to be changed."""
    with records_of(state_of(request)) as records:
        entry = _entry(records, request.path_params["id"], person)
    return _form(request, entry, _as_typed(entry, units_of(request)), None)


@need("technician", "supervisor")
def correct(request: Request, person: Person) -> Response:
    """Enter the correction; what follows from a volume is worked out again."""
    fields, state = sent_form(request), state_of(request)
    with records_of(state) as records:
        entry = _entry(records, request.path_params["id"], person)
        try:
            changes = _changes(fields, entry, units_of(request))
            why = needed(fields, "why", Message("why it is corrected"), most=_LONGEST)
            correct_batch(records, load_site(state.folder), entry, changes=changes, why=why, stamp=_stamp(person))
        except StripReadError as error:
            sent = {name: value for name, value in fields.items() if isinstance(value, str)}
            return _form(request, entry, {**_as_typed(entry, units_of(request)), **sent}, error)
    return RedirectResponse(f"/batches/made/{quote(entry.subject or '', safe='')}", status_code=303)


def _form(request: Request, entry: Entry, asked: Mapping[str, str], trouble: StripReadError | None) -> Response:
    return render(
        request, "correct_batch.html", status=400 if trouble else 200, entry=entry, asked=asked, trouble=trouble,
        parts=[part.batch for part in from_payload(Batch, entry.payload).parts], covers=list(COVERS), longest=_LONGEST,
    )  # fmt: skip


def _as_typed(entry: Entry, units: Units) -> dict[str, str]:
    """Return what may be changed of a batch, as somebody would type it."""
    said, system = from_payload(Batch, entry.payload), ParsedInputs.of(units).system
    parts = {f"part-{place}": volume_as_typed(part.volume_l, system) for place, part in enumerate(said.parts)}
    return {
        "water": volume_as_typed(said.water_l, system), **parts,
        "tank": said.tank or "", "cover": said.cover or "", "note": said.note,
    }  # fmt: skip


def _changes(fields: Mapping[str, Any], entry: Entry, units: Units) -> dict[str, Any]:
    """Return the fields that differ from what was shown: a volume that nobody touched keeps all its digits."""
    shown, typed = _as_typed(entry, units), ParsedInputs.of(units)
    sent = {name: text(fields, name, most=500) for name in shown if name in fields}
    changed = {name: words for name, words in sent.items() if words != shown[name]}
    changes: dict[str, Any] = {}
    if words := changed.pop("water", None):
        litres = typed.measured(words, "volume", name=Message("the water"), positive=False)
        changes |= {"water_l": litres.value, "u_water_l": litres.u}
    parts = [dict(part) for part in entry.payload.get("parts", ())]
    touched = False
    for place, part in enumerate(parts):
        if words := changed.pop(f"part-{place}", None):
            name: Shown = Message("the volume of %(name)s", name=str(part["batch"]))
            litres = typed.measured(words, "volume", name=name)
            part.update(volume_l=litres.value, u_volume_l=litres.u)
            touched = True
    if touched:
        changes["parts"] = parts
    if "cover" in changed:
        known = Message("one of %(known)s", known=", ".join(COVERS))
        changes["cover"] = chosen(changed, "cover", tuple(COVERS), known)
    if "tank" in changed:
        changes["tank"] = changed["tank"][:80] or None
    if "note" in changed:
        changes["note"] = changed["note"]
    return changes


@need("technician", "supervisor")
def ask_back(request: Request, person: Person) -> Response:
    """Ask why a batch is taken back."""
    with records_of(state_of(request)) as records:
        entry = _entry(records, request.path_params["id"], person)
    return render(request, "withdraw_batch.html", entry=entry, longest=_LONGEST)


@need("technician", "supervisor")
def withdraw(request: Request, person: Person) -> Response:
    """Take a batch back; it is entered anew under another name."""
    why = needed(sent_form(request), "why", Message("why it is taken back"), most=_LONGEST)
    with records_of(state_of(request)) as records:
        entry = _entry(records, request.path_params["id"], person)
        records.correct(entry.seq, why=why, withdraw=True, stamp=_stamp(person))
    return RedirectResponse("/batches", status_code=303)


def _entry(records: Records, name: str, person: Person) -> Entry:
    """Return the entry that holds of a batch which somebody may correct."""
    found = [entry for entry in records.entries(kind="batch", subject=name, limit=1) if not entry.withdrawn]
    if not found:
        raise HTTPException(404)
    if not may_correct(found[0], person):
        raise HTTPException(403)
    return found[0]


def _stamp(person: Person) -> Stamp:
    return Stamp(at=datetime.now().astimezone(), who=person.name)
