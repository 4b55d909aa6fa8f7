"""The card: its page to be printed, and the enrolment of a print from its measured colours."""

import hashlib
from datetime import datetime
from pathlib import Path
from tempfile import TemporaryDirectory

from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import RedirectResponse, Response
from starlette.routing import Route

from stripread.card import CardLayout, PageName, design_card, draw_card, enrol_card, load_card, save_card
from stripread.check import FileStanding
from stripread.errors import SiteError, StripReadError
from stripread.files import write_file
from stripread.i18n import Message
from stripread.records import Draft, Records, Stamp
from stripread.site import Site, add_name, load_site, resolve_card
from stripread.web.calibration.accept import check_number, refuse_unseen
from stripread.web.forms import calendar_day, needed, sent_file, text
from stripread.web.people.people import Person
from stripread.web.render import render
from stripread.web.security import need
from stripread.web.sent_form import sent_form
from stripread.web.site_record import records_of
from stripread.web.state import state_of
from stripread.workflow import accept_card_file, card_standing

__all__ = ["card_routes"]

_MOST_BYTES = 10_000_000  # of a file of measured colours, as `stripread card enrol` takes it


def card_routes() -> list[Route]:
    """Return the routes."""
    return [
        Route("/card", show_cards, methods=["GET"]),
        Route("/card/card.pdf", card_page, methods=["GET"]),
        Route("/card/enrol", enrol, methods=["POST"]),
        Route("/card/{card}/accept", accept_print, methods=["POST"]),
    ]


@need("supervisor")
def show_cards(request: Request, person: Person) -> Response:
    """Show the prints of the site, where to get the page, and the form of the enrolment."""
    site = load_site(state_of(request).folder)
    with records_of(state_of(request)) as records:
        prints = [_print(name, site, records) for name in sorted(site.cards)]
    return render(request, "card.html", prints=prints, today=datetime.now().astimezone().date().isoformat())


def _print(name: str, site: Site, records: Records) -> tuple[str, CardLayout | None, FileStanding | None]:
    try:
        card = resolve_card(name, site)
    except StripReadError:
        return name, None, None
    return name, card, card_standing(records, card)


@need("supervisor")
def accept_print(request: Request, person: Person) -> Response:
    """Accept the file of a print as it was shown."""
    form, name = sent_form(request), request.path_params["card"]
    site = load_site(state_of(request).folder)
    if name not in site.cards:  # a name of the site, never a path
        raise HTTPException(404)
    stamp = Stamp(at=datetime.now().astimezone(), who=person.name)
    with records_of(state_of(request), create=stamp) as records:
        card = resolve_card(name, site)
        refuse_unseen(card_standing(records, card), text(form, "sha256"))
        accept_card_file(records, card, site.cards[name], stamp)
    return RedirectResponse("/card", status_code=303)


@need("supervisor")
def card_page(request: Request, person: Person) -> Response:
    """Send the project's own card as a page of true size."""
    page: PageName = "letter" if text(request.query_params, "page") == "letter" else "a4"
    data = _drawn(page)
    headers = {"content-disposition": 'attachment; filename="stripread-card.pdf"'}
    return Response(data, media_type="application/pdf", headers=headers)


def _drawn(page: PageName) -> bytes:
    with TemporaryDirectory() as folder:
        path = Path(folder) / "card.pdf"
        draw_card(design_card(), path, page=page)
        return path.read_bytes()


@need("supervisor")
def enrol(request: Request, person: Person) -> Response:
    """Put the measured colours of a print in place of the design's, as a card of the site."""
    if not state_of(request).upload_tries.allow(person.name):
        raise HTTPException(429)
    form = sent_form(request)
    name = check_number(needed(form, "name", Message("a name for the print")))
    measured_on = calendar_day(form, "measured_on", Message("the day of the measurement")).isoformat()
    data = sent_file(form, "measured", Message("a file of measured colours"), most=_MOST_BYTES)
    stamp = Stamp(at=datetime.now().astimezone(), who=person.name)
    _enrol(request, name, measured_on, data, stamp)
    return RedirectResponse("/card", status_code=303)


def _enrol(request: Request, name: str, measured_on: str, data: bytes, stamp: Stamp) -> None:
    with TemporaryDirectory() as folder, records_of(state_of(request), create=stamp) as records:
        source, made = Path(folder) / f"{name}-measured.txt", Path(folder) / "card.toml"
        source.write_bytes(data)
        save_card(enrol_card(design_card(), source, name=name, measured_on=measured_on), made)
        load_card(made)
        _keep(records, name, made.read_bytes(), data, stamp)


def _keep(records: Records, name: str, card: bytes, measured: bytes, stamp: Stamp) -> None:
    """Keep a print's file beside what was measured, enter it, and give it a name; tried again it goes on."""
    site, file = load_site(records.folder), f"cards/{name}/card.toml"
    path = site.folder / file
    if name in site.cards or (path.exists() and path.read_bytes() != card):
        raise SiteError(
            expected=Message("a new name for the print"),
            found=Message("%(name)s, which the site has", name=repr(name)),
            remedy=Message("Choose another name."),
        )
    path.parent.mkdir(parents=True, exist_ok=True)
    write_file(path.with_name("measured.txt"), measured)
    write_file(path, card)
    ref = records.keep("card", card, f"{name}.toml", suffix=".toml")
    payload = {"name": name, "measured_sha256": hashlib.sha256(measured).hexdigest(), "enrolled_by": stamp.who}
    entry = Draft(kind="card_print", payload=payload, subject=name, files=(ref,))
    records.append([], stamp, first_if_new=[entry])
    accept_card_file(records, load_card(path), path, stamp)
    add_name(site.folder, "cards", name, file)
