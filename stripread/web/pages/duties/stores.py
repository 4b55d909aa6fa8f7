"""The stores: what is left, what came, what was taken; and the label of a batch or tank."""

from datetime import datetime
from urllib.parse import quote

from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import RedirectResponse, Response
from starlette.routing import Route

from stripread.check import CAUTION
from stripread.i18n import Message
from stripread.records import (
    Stamp,
    StoreItem,
    StoreUse,
    expected_strength,
    find_batch,
    store_standings,
    take_from_store,
)
from stripread.site import load_site
from stripread.web.addresses import checked_address, is_local, phone_address, qr_uri
from stripread.web.forms import calendar_day, chosen, needed, text, whole
from stripread.web.people.people import Person
from stripread.web.render import render
from stripread.web.security import need
from stripread.web.sent_form import sent_form
from stripread.web.site_record import records_of
from stripread.web.state import state_of

__all__ = ["store_routes"]

_WHAT, _MOST = ("sachets", "strips"), 100_000


def store_routes() -> list[Route]:
    """Return the routes."""
    return [
        Route("/stores", stores, methods=["GET"]),
        Route("/stores", receive, methods=["POST"]),
        Route("/stores/use", use, methods=["POST"]),
        Route("/batches/label/{id:path}", label, methods=["GET"]),
    ]


@need("technician", "supervisor")
def stores(request: Request, person: Person) -> Response:
    """List the boxes and vials."""
    now = datetime.now().astimezone()
    with records_of(state_of(request)) as records:
        found = store_standings(records, at=now)
    return render(request, "stores.html", stores=found, today=now.date(), what=_WHAT)


@need("technician", "supervisor")
def receive(request: Request, person: Person) -> Response:
    """Enter a box or vial that came; the same one sent twice is entered once."""
    form, now = sent_form(request), datetime.now().astimezone()
    what = chosen(form, "what", _WHAT, Message("sachets or strips"))
    expires = calendar_day(form, "expires", Message("until when it is good")) if text(form, "expires") else None
    said = StoreItem(
        name=needed(form, "name", Message("what it is called"), most=80),
        what="strips" if what == "strips" else "sachets",
        count=whole(form, "count", most=_MOST) or 1,
        received=now.date().isoformat(),
        expires=None if expires is None else expires.isoformat(),
        lot=text(form, "lot", most=80) or None,
    )
    with records_of(state_of(request), create=Stamp(at=now, who=person.name)) as records:
        if said not in [one.said for one in records.store_items()]:
            records.add_store_item(said, Stamp(at=now, who=person.name))
    return RedirectResponse("/stores", status_code=303)


@need("technician", "supervisor")
def use(request: Request, person: Person) -> Response:
    """Enter what was taken from a box or vial."""
    form, now = sent_form(request), datetime.now().astimezone()
    said = StoreUse(
        item=needed(form, "item", Message("the box or vial")),
        count=whole(form, "count", most=_MOST) or 1,
        at=now,
        batch=text(form, "batch", most=80) or None,
        note=text(form, "note", most=400),
    )
    with records_of(state_of(request)) as records:
        take_from_store(records, said, Stamp(at=now, who=person.name))
    return RedirectResponse("/stores", status_code=303)


@need("technician", "supervisor")
def label(request: Request, person: Person) -> Response:
    """Show a label for a batch's tank, to be printed: contents, strength, made, by, cautions, and a code."""
    address = checked_address(text(request.query_params, "address") or phone_address(request))
    site = load_site(state_of(request).folder)
    with records_of(state_of(request)) as records:
        said = find_batch(records, request.path_params["id"])
        if said is None:
            raise HTTPException(404)
        strength = expected_strength(records, said)
    sample = site.sample_of_batch(said.kind)
    analyte = "" if sample is None else sample.main.analyte
    url = f"{address}/batches/made/{quote(said.id, safe='')}"
    return render(
        request, "batch_label.html", said=said, strength=strength, analyte=analyte,
        site_name=site.name, code=qr_uri(url), url=url, address=address, local=is_local(address), caution=CAUTION,
    )  # fmt: skip
