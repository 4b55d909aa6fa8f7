"""Making a batch: plan first - what to pour, step by step - then enter what was poured."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path
from threading import Lock
from typing import Any
from urllib.parse import quote

from starlette.requests import Request
from starlette.responses import RedirectResponse, Response
from starlette.routing import Route

from stripread.errors import StripReadError
from stripread.i18n import Message
from stripread.records import (
    Batch,
    BatchKind,
    Part,
    Records,
    Stamp,
    StoreUse,
    as_expected,
    check_store,
    complete_batch,
    enter_batch,
    find_batch,
    take_from_store,
    to_payload,
)
from stripread.site import load_site
from stripread.units import ParsedInputs, Units
from stripread.water import COVERS, expected_generation, sachet_source
from stripread.web.forms import chosen, moment, needed, text, whole
from stripread.web.pages.water.batch_plans import (
    BATCH,
    Plan,
    known_sachets,
    load_known,
    plan_generation,
    plan_stock,
    plan_top_up,
    warmth_of,
)
from stripread.web.people.people import Person
from stripread.web.render import render
from stripread.web.security import need
from stripread.web.sent_form import sent_form
from stripread.web.site_record import records_of
from stripread.web.state import AppState, state_of
from stripread.web.units import units_of

__all__ = ["make_routes"]

_ENTERING = Lock()  # so that one batch sent twice at once is found to be there by the second
_MOST_SACHETS = 1000
# What of a batch follows from when it was sent.
_OF_ITS_TIME = ("made_at", "ready_at", "expected_mg_per_l", "u_expected_mg_per_l", "expected_interval")

_Fields = Mapping[str, Any]
_Planned = Callable[[Records, Path, _Fields, Units], Plan]
_Make = Callable[[_Fields, Stamp, "_Where"], Batch]


@dataclass(frozen=True, slots=True)
class _Where:
    """Whose folder and units are meant."""

    folder: Path
    units: Units


def make_routes() -> list[Route]:
    """Return the routes."""
    return [
        Route("/batches/generate", generate, methods=["GET", "POST"]),
        Route("/batches/stock", stock, methods=["GET", "POST"]),
        Route("/batches/top-up", top_up, methods=["GET", "POST"]),
    ]


@need("technician", "supervisor")
def generate(request: Request, person: Person) -> Response:
    """Plan a concentrate from sachets, and enter it."""
    return _serve(request, person, "make_concentrate.html", plan_generation, _generated)


@need("technician", "supervisor")
def stock(request: Request, person: Person) -> Response:
    """Plan a stock from a concentrate as it was read, and enter it."""
    return _serve(request, person, "make_stock.html", plan_stock, _stock)


@need("technician", "supervisor")
def top_up(request: Request, person: Person) -> Response:
    """Plan how to bring a stock to strength, and enter what was done."""
    return _serve(request, person, "make_top_up.html", plan_top_up, _topped_up)


def _serve(request: Request, person: Person, template: str, plan: _Planned, make: _Make) -> Response:
    """Show a plan; or enter a batch, and where it cannot be, say why beside what was typed."""
    state, now = state_of(request), datetime.now().astimezone()
    asked: _Fields = request.query_params
    trouble = None
    if request.method == "POST":
        asked = sent_form(request)
        try:
            name = _enter(state, asked, Stamp(at=now, who=person.name), make, units_of(request))
            return RedirectResponse(f"/batches/made/{quote(name, safe='')}", status_code=303)
        except StripReadError as error:
            trouble = error
    with records_of(state) as records:
        page = plan(records, state.folder, asked, units_of(request))
    trouble = trouble or page.trouble
    typed = {name: value for name in asked if isinstance(value := asked[name], str)}
    return render(
        request, template, status=400 if trouble else 200, plan=page, asked=typed, trouble=trouble, covers=list(COVERS)
    )


def _enter(state: AppState, fields: _Fields, stamp: Stamp, make: _Make, units: Units) -> str:
    with _ENTERING, records_of(state, create=stamp) as records:
        site = load_site(state.folder)
        said = complete_batch(records, site, make(fields, stamp, _Where(state.folder, units)))
        there = find_batch(records, said.id)
        if there is None or not _same(there, said):
            taken = _taken(fields, said)
            if taken is not None:
                check_store(records, taken, at=stamp.at)
            enter_batch(records, site, said, stamp)
            if taken is not None:
                take_from_store(records, taken, stamp)
        return said.id


def _taken(fields: _Fields, said: Batch) -> StoreUse | None:
    """Return what a concentrate takes from a box of the store, where one is named."""
    box = text(fields, "store", most=80)
    if not box or said.kind != "concentrate":
        return None
    return StoreUse(item=box, count=whole(fields, "sachets", most=_MOST_SACHETS) or 1, at=said.made_at, batch=said.id)


def _same(there: Batch, said: Batch) -> bool:
    """Tell whether a batch was sent before: all but its time is alike."""
    one, other = to_payload(there), to_payload(said)
    return all(one[name] == other[name] for name in one if name not in _OF_ITS_TIME)


def _generated(fields: _Fields, stamp: Stamp, where: "_Where") -> Batch:
    typed, sachets = ParsedInputs.of(where.units), whole(fields, "sachets", most=_MOST_SACHETS) or 1
    water = typed.measured(needed(fields, "water", Message("the water")), "volume", name=Message("the water"))
    hours = typed.exact(needed(fields, "after", Message("the time")), "time", name=Message("the time"))
    kind = load_known(known_sachets(where.folder), fields)
    warm = warmth_of(typed, fields)
    made = expected_generation(kind, water_l=water, hours=hours, sachets=sachets, temperature_c=warm)
    common = _common(fields, stamp)
    said = Batch(
        kind="concentrate",
        water_l=water.value,
        u_water_l=water.u,
        source=sachet_source(kind, sachets=sachets, hours=hours, temperature_c=warm),
        ready_at=common["made_at"] + timedelta(hours=hours),
        **common,
    )
    return as_expected(said, made.strength_mg_per_l)


def _stock(fields: _Fields, stamp: Stamp, where: "_Where") -> Batch:
    concentrate = needed(fields, "concentrate", Message("the concentrate that it is made of"))
    parts = [(concentrate, needed(fields, "add", Message("how much concentrate")))]
    if second := text(fields, "also"):
        parts.append((second, needed(fields, "add_also", Message("how much of the second concentrate"))))
    elif text(fields, "add_also"):
        needed(fields, "also", Message("the second concentrate"))
    return _mixed("stock", parts, fields, stamp, where)


def _topped_up(fields: _Fields, stamp: Stamp, where: "_Where") -> Batch:
    parts = [
        (needed(fields, "stock", Message("the stock")), needed(fields, "left", Message("how much stock was left")))
    ]
    if concentrate := text(fields, "concentrate"):
        if add := text(fields, "add"):
            parts.append((concentrate, add))
    elif text(fields, "add"):
        needed(fields, "concentrate", Message("the concentrate that was added"))
    return _mixed("top-up", parts, fields, stamp, where)


def _mixed(kind: BatchKind, named: list[tuple[str, str]], fields: _Fields, stamp: Stamp, where: "_Where") -> Batch:
    typed = ParsedInputs.of(where.units)
    volumes = [
        (name, typed.measured(words, "volume", name=Message("the volume of %(name)s", name=name)))
        for name, words in named
    ]
    water = typed.measured(text(fields, "water") or "0 L", "volume", name=Message("the water"), positive=False)
    return Batch(
        kind=kind,
        water_l=water.value,
        u_water_l=water.u,
        parts=tuple(Part(batch=name, volume_l=v.value, u_volume_l=v.u) for name, v in volumes),
        **_common(fields, stamp),
    )


def _common(fields: _Fields, stamp: Stamp) -> dict[str, Any]:
    return {
        "id": needed(fields, "id", Message("what the batch is called"), most=BATCH),
        "made_at": moment(fields, "at", now=stamp.at),
        "made_by": stamp.who,
        "tank": text(fields, "tank", most=80) or None,
        "cover": chosen(fields, "cover", tuple(COVERS), Message("one of %(known)s", known=", ".join(COVERS))),
        "note": text(fields, "note", most=500),
    }
