"""The points where samples are taken, kept by the supervisor, and labels for them that a phone's camera opens."""

from collections.abc import Mapping
from datetime import datetime
from typing import Any
from urllib.parse import quote

from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import RedirectResponse, Response
from starlette.routing import Route

from stripread.errors import WrongUsageError
from stripread.i18n import Message, Verbatim
from stripread.records import Point, Stamp
from stripread.site import Site, load_site
from stripread.web.addresses import checked_address, is_local, phone_address, qr_uri
from stripread.web.forms import chosen, needed, number, text, whole
from stripread.web.people.people import Person
from stripread.web.render import render
from stripread.web.security import need
from stripread.web.sent_form import sent_form
from stripread.web.site_record import points_of, records_of
from stripread.web.state import state_of

__all__ = ["points_admin_routes"]


def points_admin_routes() -> list[Route]:
    """Return the routes."""
    return [
        Route("/points-admin", show_points, methods=["GET"]),
        Route("/points-admin", keep_point, methods=["POST"]),
        Route("/points-admin/{point}", show_point, methods=["GET"]),
        Route("/points-admin/{point}/retire", retire_point, methods=["POST"]),
        Route("/labels", show_labels, methods=["GET"]),
    ]


@need("supervisor")
def show_points(request: Request, person: Person) -> Response:
    """List the points, with a form for a new one."""
    return _page(request, None)


@need("supervisor")
def show_point(request: Request, person: Person) -> Response:
    """Show one point in the form, to change it."""
    wanted = request.path_params["point"]
    points = points_of(state_of(request))
    point = next((p for p in points if p.name == wanted), None)
    if point is None:
        raise HTTPException(404)
    return _page(request, point)


def _page(request: Request, point: Point | None) -> Response:
    points = points_of(state_of(request))
    site = load_site(state_of(request).folder)
    lines = sorted({p.line for p in points if p.line})
    return render(
        request, "points_admin.html", points=points, point=point, samples=list(site.samples), lines=lines
    )  # fmt: skip


@need("supervisor")
def keep_point(request: Request, person: Person) -> Response:
    """Enter a point, or update it: the entry before is kept and superseded."""
    form = sent_form(request)
    point = _point(form, load_site(state_of(request).folder))
    stamp = Stamp(at=datetime.now().astimezone(), who=person.name)
    new = text(form, "new") == "yes"
    _keep(request, point, stamp, new=new)
    return RedirectResponse("/points-admin", status_code=303)


def _keep(request: Request, point: Point, stamp: Stamp, *, new: bool) -> None:
    with records_of(state_of(request), create=stamp) as records:
        known = point.name in {p.said.name for p in records.points()}
        if known is new:
            raise WrongUsageError(
                expected=(Message("a new name") if new else Message("a point in use")),
                found=(
                    Message("%(name)s, which is a point", name=repr(point.name))
                    if new
                    else Message("%(name)s, which is none", name=repr(point.name))
                ),
                remedy=Message("Choose another name, or open that point to change it."),
            )
        records.add_point(point, stamp)


def _point(form: Mapping[str, Any], site: Site) -> Point:
    name = needed(form, "name", Message("a name"), most=60)
    if "/" in name or "\n" in name or name in (".", ".."):  # it is part of the point's address
        raise WrongUsageError(
            expected=Message("a name without a slash"),
            found=Verbatim(repr(name)),
            remedy=Message("Write it with a hyphen or a blank."),
        )
    sample = chosen(form, "sample", site.samples, Message("a sample type of the site"))
    if sample is None:
        raise WrongUsageError(
            expected=Message("what is sampled there"), found=Message("nothing"), remedy=Message("Choose it.")
        )
    line, order = text(form, "line", most=60) or None, whole(form, "order", most=1000)
    if (line is None) != (order is None):
        raise WrongUsageError(
            expected=Message("the line together with the place along it"),
            found=Message("one of them"),
            remedy=Message("Fill in both, or neither."),
        )
    flush_s = number(form, "flush_s", Message("seconds to flush"), low=0, high=3600, default=60)
    return Point(
        name=name,
        sample=sample,
        line=line,
        order=order,
        flush_min=flush_s / 60,
        before_injector=text(form, "before_injector") == "yes",
        note=text(form, "note"),
    )


@need("supervisor")
def retire_point(request: Request, person: Person) -> Response:
    """Take a point out of use; its readings stay."""
    form = sent_form(request)
    why, name = needed(form, "why", Message("why no samples are taken there any more")), request.path_params["point"]
    stamp = Stamp(at=datetime.now().astimezone(), who=person.name)
    _retire(request, name, why, stamp)
    return RedirectResponse("/points-admin", status_code=303)


def _retire(request: Request, name: str, why: str, stamp: Stamp) -> None:
    with records_of(state_of(request)) as records:
        found = records.entries(kind="point", subject=name, limit=1)
        if not found or found[0].withdrawn:
            raise HTTPException(404)
        records.correct(found[0].seq, why=why, stamp=stamp, withdraw=True)


@need("supervisor")
def show_labels(request: Request, person: Person) -> Response:
    """Show a label for each point, to be printed: its name, and a code that holds the address of its page."""
    address = checked_address(text(request.query_params, "address") or phone_address(request))
    points = points_of(state_of(request))
    labels = [_label(point, address) for point in points]
    return render(request, "labels.html", labels=labels, address=address, local=is_local(address))


def _label(point: Point, address: str) -> dict[str, Any]:
    url = f"{address}/read/{quote(point.name, safe='')}"
    return {"point": point, "url": url, "code": qr_uri(url)}
