"""The lots: what there is, and the curve, residuals, limits and checks of each."""

from datetime import datetime
from typing import Any
from urllib.parse import quote

from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import RedirectResponse, Response
from starlette.routing import Route

from stripread.errors import StripReadError
from stripread.records import Stamp, study_standing
from stripread.report import lot_proven_words
from stripread.site import load_site, resolve_lot
from stripread.web.calibration.accept import refuse_unseen
from stripread.web.calibration.lot_facts import checks_of, lot_lines, pad_checks, pad_facts
from stripread.web.forms import text
from stripread.web.language import language_of
from stripread.web.people.people import Person
from stripread.web.render import render
from stripread.web.security import need
from stripread.web.sent_form import sent_form
from stripread.web.site_record import records_of
from stripread.web.state import state_of
from stripread.workflow import accept_lot_file, lot_standing

__all__ = ["lots_routes"]


def lots_routes() -> list[Route]:
    """Return the routes; ``/lots/new`` and drafts stand before them (`pages_calibrate`)."""
    return [
        Route("/lots", show_lots, methods=["GET"]),
        Route("/lots/{lot}", show_lot, methods=["GET"]),
        Route("/lots/{lot}/accept", accept, methods=["POST"]),
    ]


@need("supervisor")
def show_lots(request: Request, person: Person) -> Response:
    """List the site's lots."""
    today = datetime.now().astimezone().date()
    lines = lot_lines(load_site(state_of(request).folder), today=today)
    return render(request, "lots.html", lines=lines)


@need("supervisor")
def show_lot(request: Request, person: Person) -> Response:
    """Show one lot."""
    return render(request, "lot.html", **_facts(request))


@need("supervisor")
def accept(request: Request, person: Person) -> Response:
    """Accept the file of a lot as it was shown."""
    form, name = sent_form(request), request.path_params["lot"]
    site = load_site(state_of(request).folder)
    if name not in site.lots:  # a name of the site, never a path
        raise HTTPException(404)
    stamp = Stamp(at=datetime.now().astimezone(), who=person.name)
    with records_of(state_of(request), create=stamp) as records:
        lot = resolve_lot(name, site)
        refuse_unseen(lot_standing(records, lot), text(form, "sha256"))
        accept_lot_file(records, lot, site.lots[name], stamp)
    return RedirectResponse(f"/lots/{quote(name, safe='')}", status_code=303)


def _facts(request: Request) -> dict[str, Any]:
    site, name = load_site(state_of(request).folder), request.path_params["lot"]
    if name not in site.lots:  # a name of the site, never a path
        raise HTTPException(404)
    lot, language = resolve_lot(name, site), language_of(request)
    trouble = None
    with records_of(state_of(request)) as records:
        standing = study_standing(records, lot.number, lot.sha256)
        file = lot_standing(records, lot)
    try:
        rows = checks_of(site, name)
    except StripReadError as error:  # the lot can be shown all the same
        rows, trouble = (), error
    return {
        "name": name,
        "lot": lot,
        "file": file,
        "study": lot_proven_words(standing),
        "expired": lot.expires < datetime.now().astimezone().date(),
        "pads": [pad_facts(lot, pad, language) for pad in lot.pads],
        "checks": [pad_checks(lot, pad, rows, language) for pad in lot.pads],
        "check_trouble": trouble,
    }
