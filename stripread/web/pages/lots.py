"""The lots: what there is, and the curve, residuals, limits and checks of each."""

from datetime import datetime
from typing import Any

from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from stripread.errors import StripReadError
from stripread.records import study_standing
from stripread.report import lot_proven_words
from stripread.site import load_site, resolve_lot
from stripread.web.calibration.lot_facts import checks_of, lot_lines, pad_checks, pad_facts
from stripread.web.language import language_of
from stripread.web.people.people import Person
from stripread.web.render import render
from stripread.web.security import need
from stripread.web.site_record import records_of
from stripread.web.state import state_of

__all__ = ["lots_routes"]


def lots_routes() -> list[Route]:
    """Return the routes; ``/lots/new`` and drafts stand before them (`pages_calibrate`)."""
    return [
        Route("/lots", show_lots, methods=["GET"]),
        Route("/lots/{lot}", show_lot, methods=["GET"]),
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


def _facts(request: Request) -> dict[str, Any]:
    site, name = load_site(state_of(request).folder), request.path_params["lot"]
    if name not in site.lots:  # a name of the site, never a path
        raise HTTPException(404)
    lot, language = resolve_lot(name, site), language_of(request)
    trouble = None
    with records_of(state_of(request)) as records:
        standing = study_standing(records, lot.number, lot.sha256)
    try:
        rows = checks_of(site, name)
    except StripReadError as error:  # the lot can be shown all the same
        rows, trouble = (), error
    return {
        "name": name,
        "lot": lot,
        "study": lot_proven_words(standing),
        "expired": lot.expires < datetime.now().astimezone().date(),
        "pads": [pad_facts(lot, pad, language) for pad in lot.pads],
        "checks": [pad_checks(lot, pad, rows, language) for pad in lot.pads],
        "check_trouble": trouble,
    }
