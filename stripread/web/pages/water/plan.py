"""Planning the calibration of a lot: from a standard that is diluted, or with solutions that are at hand."""

from collections.abc import Callable, Mapping
from datetime import datetime
from typing import Any

from starlette.requests import Request
from starlette.responses import RedirectResponse, Response
from starlette.routing import Route

from stripread.calibrate import Solution, plan_dilutions, usual_levels
from stripread.errors import StripReadError, WrongUsageError
from stripread.i18n import Message, Verbatim
from stripread.site import Site, load_site, resolve_card, resolve_kind
from stripread.strip import StripKind, shipped_kinds
from stripread.units import Measured
from stripread.web.calibration.accept import check_number, enter_change, refuse_foreign, refuse_second
from stripread.web.calibration.drafts import CalibrationDraft, DraftPad, DraftSolution, PadValue
from stripread.web.forms import calendar_day, chosen, needed, number, numbers, text, whole
from stripread.web.people.people import Person
from stripread.web.render import render
from stripread.web.security import need
from stripread.web.sent_form import sent_form
from stripread.web.state import state_of

__all__ = ["plan_routes"]

_MOST_LEVELS = 20
_USUAL_LEVELS = 7
_LevelsOf = Callable[[Mapping[str, Any], StripKind], dict[str, Any]]


def plan_routes() -> list[Route]:
    """Return the routes."""
    return [
        Route("/lots/new", ask_plan, methods=["GET"]),
        Route("/lots/new", begin, methods=["POST"]),
        Route("/lots/new/known", ask_known, methods=["GET"]),
        Route("/lots/new/known", begin_known, methods=["POST"]),
    ]


@need("supervisor")
def ask_plan(request: Request, person: Person) -> Response:
    """Ask for the lot and the standard."""
    site = load_site(state_of(request).folder)
    kinds = _kinds(site)
    diluted = [(name, kind.pads[0]) for name, kind in kinds.items() if _can_be_diluted(kind)]
    return render(request, "plan_lot.html", kinds=diluted, cards=sorted(site.cards))


@need("supervisor")
def ask_known(request: Request, person: Person) -> Response:
    """Ask for the kind and how many solutions there are; then for the lot, and what each solution is."""
    site, asked = load_site(state_of(request).folder), request.query_params
    kinds = _kinds(site)
    name = chosen(asked, "kind", kinds, Message("a strip kind of the list"))
    return render(
        request,
        "plan_known.html",
        kinds=list(kinds.items()),
        name=name,
        kind=None if name is None else kinds[name],
        count=whole(asked, "levels", most=_MOST_LEVELS) or _USUAL_LEVELS,
        most=_MOST_LEVELS,
        cards=sorted(site.cards),
    )


def _kinds(site: Site) -> dict[str, StripKind]:
    found = {}
    for name in sorted({*shipped_kinds(), *site.kinds}):
        try:
            found[name] = resolve_kind(name, site)
        except StripReadError:
            continue
    return found


def _can_be_diluted(kind: StripKind) -> bool:
    """Tell whether one standard makes all levels: one pad, and a scale with a zero."""
    return len(kind.pads) == 1 and kind.pads[0].blank


@need("supervisor")
def begin(request: Request, person: Person) -> Response:
    """Plan the dilutions and keep a draft."""
    return _begin(request, person, _diluted)


@need("supervisor")
def begin_known(request: Request, person: Person) -> Response:
    """Keep a draft of solutions that are known as they are."""
    return _begin(request, person, _known)


def _begin(request: Request, person: Person, levels_of: _LevelsOf) -> Response:
    form, state = sent_form(request), state_of(request)
    lot, kind = _lot(form, load_site(state.folder))
    refuse_second(state.drafts.every(), lot["number"])

    def enter(draft: CalibrationDraft) -> None:
        enter_change(state, draft, "begun", person.name, kind=draft.kind, card=draft.card)

    at = datetime.now().astimezone().isoformat()
    draft = state.drafts.begin(**lot, **levels_of(form, kind), by=person.name, at=at, enter=enter)
    return RedirectResponse(f"/lots/drafts/{draft.id}", status_code=303)


def _lot(form: Mapping[str, Any], site: Site) -> tuple[dict[str, Any], StripKind]:
    """Return what both ways of planning ask for."""
    lot_number = check_number(needed(form, "number", Message("the lot's number, as on the vial")))
    again = text(form, "again") == "yes"
    if lot_number in site.lots and not again:
        raise WrongUsageError(
            expected=Message("a new number"),
            found=Message("%(lot_number)s, which the site has", lot_number=repr(lot_number)),
            remedy=Message("Choose another, or say that this lot is calibrated anew."),
        )
    refuse_foreign(site, lot_number)
    kinds = _kinds(site)
    name = chosen(form, "kind", kinds, Message("a strip kind of the list"))
    card = chosen(form, "card", site.cards, Message("a card print of the site"))
    if name is None or card is None:
        raise WrongUsageError(
            expected=Message("a strip kind and a card print"), found=Message("nothing"), remedy=Message("Choose both.")
        )
    resolve_card(card, site)  # refuses a damaged one now, and not after the first photo
    kind = kinds[name]
    several = len(kind.pads) > 1
    lot = {
        "number": lot_number,
        "again": again,
        "kind": name,
        "card": card,
        "expires": calendar_day(form, "expires", Message("the expiry date")).isoformat(),
        "unit": "" if several else kind.pads[0].unit,
        "strips": whole(form, "strips", most=9) or 3,
        "lights": whole(form, "lights", most=9) or 2,
        "flash": text(form, "flash") == "yes",
        "pads": tuple(
            DraftPad(id=pad.id if several else None, analyte=pad.analyte, unit=pad.unit, blank=pad.blank)
            for pad in kind.pads
        ),
    }
    return lot, kind


def _diluted(form: Mapping[str, Any], kind: StripKind) -> dict[str, Any]:
    if not _can_be_diluted(kind):
        raise WrongUsageError(
            expected=Message("a strip kind of one pad, with a zero on its scale"),
            found=Verbatim(kind.name),
            remedy=Message("Choose known solutions instead."),
        )
    top = kind.pads[0].range[1]
    standard = Measured(
        number(form, "standard", Message("the standard's strength"), low=1e-6, high=1e6),
        number(form, "u_standard", Message("its standard uncertainty"), low=0, high=1e6),
    )
    total_ml = number(form, "total_ml", Message("the volume of each level in mL"), low=1, high=1e5, default=100)
    plan = plan_dilutions(
        numbers(form, "levels", Message("levels"), low=0, high=1e6, most=_MOST_LEVELS) or list(usual_levels(top)),
        standard=standard,
        total_ml=total_ml,
        pour_u=number(form, "pour_u", Message("how well volumes are measured, in percent"), low=0, high=30, default=1)
        / 100,
        least_ml=number(form, "least_ml", Message("the least volume in mL"), low=1e-3, high=1e4, default=1),
        beyond=numbers(form, "beyond", Message("levels above the range"), low=top, high=1e6, most=_MOST_LEVELS),
    )
    return {
        "standard": standard.value,
        "u_standard": standard.u,
        "total_ml": total_ml,
        "intermediates": tuple(_kept(one) for one in plan.intermediates),
        "levels": tuple(_kept(one) for one in plan.levels),
    }


def _kept(solution: Solution) -> DraftSolution:
    return DraftSolution(
        name=solution.name,
        take_ml=solution.take_ml,
        water_ml=solution.water_ml,
        source=solution.source,
        values=(PadValue(pad=None, value=solution.strength.value, u=solution.strength.u),),
        beyond=solution.beyond,
    )


def _known(form: Mapping[str, Any], kind: StripKind) -> dict[str, Any]:
    levels: list[DraftSolution] = []
    for index in range(1, _MOST_LEVELS + 1):
        values = tuple(
            one for place in range(len(kind.pads)) if (one := _known_value(form, kind, index, place)) is not None
        )
        if not values:
            continue  # a row that was left empty
        units = {pad.id: pad.unit for pad in kind.pads}
        name = " · ".join(f"{v.value:g}" if v.pad is None else f"{v.value:g} {units[v.pad]}" for v in values)
        if any(name == level.name for level in levels):
            raise WrongUsageError(
                expected=Message("each solution once"),
                found=Message("%(name)s twice", name=name),
                remedy=Message("Strips of one solution are one level."),
            )
        beyond = text(form, f"beyond-{index}") == "yes"
        levels.append(DraftSolution(name=name, take_ml=0, water_ml=0, source="", values=values, beyond=beyond))
    if not levels:
        raise WrongUsageError(
            expected=Message("solutions that are known"),
            found=Message("none"),
            remedy=Message("Fill in what they are."),
        )
    nothing = {"standard": None, "u_standard": None, "total_ml": None, "intermediates": ()}
    return {**nothing, "levels": tuple(levels)}


def _known_value(form: Mapping[str, Any], kind: StripKind, index: int, place: int) -> PadValue | None:
    pad, fields = kind.pads[place], (f"value-{index}-{place}", f"u-{index}-{place}")
    if not any(text(form, name) for name in fields):
        return None
    return PadValue(
        pad=pad.id if len(kind.pads) > 1 else None,
        value=number(
            form,
            fields[0],
            Message("the %(analyte)s of solution %(index)s", analyte=pad.analyte, index=index),
            low=0,
            high=1e6,
        ),
        u=number(
            form, fields[1], Message("the standard uncertainty of solution %(index)s", index=index), low=0, high=1e6
        ),
    )
