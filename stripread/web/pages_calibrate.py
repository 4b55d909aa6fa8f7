"""Calibrating a lot: the plan, the photos level by level, the curve, and the word of the supervisor."""

from collections.abc import Mapping
from dataclasses import asdict
from datetime import datetime
from typing import Any

from anyio import to_thread
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import JSONResponse, RedirectResponse, Response
from starlette.routing import Route

from stripread.errors import StripReadError, WrongUsageError
from stripread.lot.plan import plan_dilutions, usual_levels
from stripread.measured import Measured
from stripread.photo.load import PhotoFile, open_photo_bytes
from stripread.recording import PHOTO_SUFFIX
from stripread.records import Stamp
from stripread.site import Site, load_site, resolve_card, resolve_kind
from stripread.strip.kinds import PadSpec, shipped_kinds
from stripread.web.accept import accept_lot, check_number
from stripread.web.drafts import CalibrationDraft, DraftPhoto, DraftSolution, refuse_double
from stripread.web.forms import calendar_day, chosen, needed, number, numbers, sent_file, text, whole
from stripread.web.lot_facts import pad_facts
from stripread.web.measuring import measure_photo
from stripread.web.people import Person
from stripread.web.render import render
from stripread.web.security import need
from stripread.web.site_record import records_of

__all__ = ["calibrate_routes"]

_OFTEN = 2  # seconds between looks at a fit
_MOST_LEVELS = 20


def calibrate_routes() -> list[Route]:
    """Return the routes."""
    at = "/lots/drafts/{draft}"
    return [
        Route("/lots/new", ask_plan, methods=["GET"]),
        Route("/lots/new", begin, methods=["POST"]),
        Route("/lots/drafts", show_drafts, methods=["GET"]),
        Route(at, show_draft, methods=["GET"]),
        Route(f"{at}/state", draft_state, methods=["GET"]),
        Route(f"{at}/photo", take_photo, methods=["POST"]),
        Route(f"{at}/leave-out", leave_out, methods=["POST"]),
        Route(f"{at}/accept", accept, methods=["POST"]),
        Route(f"{at}/reject", reject, methods=["POST"]),
    ]


@need("supervisor")
async def ask_plan(request: Request, person: Person) -> Response:
    """Ask for the lot and the standard."""
    site = load_site(request.app.state.folder)
    kinds = await to_thread.run_sync(lambda: _kinds(site))
    return render(request, "plan_lot.html", kinds=kinds, cards=sorted(site.cards))


def _kinds(site: Site) -> list[tuple[str, PadSpec]]:
    """Return the kinds that a standard can be diluted for: one pad, and a scale with a zero."""
    found = []
    for name in sorted({*shipped_kinds(), *site.kinds}):
        try:
            pads = resolve_kind(name, site).pads
        except StripReadError:
            continue
        if len(pads) == 1 and pads[0].blank:
            found.append((name, pads[0]))
    return found


@need("supervisor")
async def begin(request: Request, person: Person) -> Response:
    """Plan the dilutions and keep a draft."""
    form = await request.form()
    state, site = request.app.state, load_site(request.app.state.folder)
    draft = await to_thread.run_sync(lambda: state.drafts.begin(**_planned(form, site, person)))
    return RedirectResponse(f"/lots/drafts/{draft.id}", status_code=303)


def _planned(form: Mapping[str, Any], site: Site, person: Person) -> dict[str, Any]:
    lot_number = check_number(needed(form, "number", "the lot's number, as on the vial"))
    if lot_number in site.lots:
        raise WrongUsageError(
            expected="a new number", found=f"{lot_number!r}, which the site has", remedy="Choose another."
        )
    kinds = dict(_kinds(site))
    kind = chosen(form, "kind", kinds, "a strip kind of the list")
    card = chosen(form, "card", site.cards, "a card print of the site")
    if kind is None or card is None:
        raise WrongUsageError(expected="a strip kind and a card print", found="nothing", remedy="Choose both.")
    resolve_card(card, site)  # refuses a damaged one now, and not after the first photo
    pad = kinds[kind]
    standard = Measured(
        number(form, "standard", "the standard's strength", low=1e-6, high=1e6),
        number(form, "u_standard", "its standard uncertainty", low=0, high=1e6),
    )
    total_ml = number(form, "total_ml", "the volume of each level in mL", low=1, high=1e5, default=100)
    wanted = numbers(form, "levels", "levels", low=0, high=1e6, most=_MOST_LEVELS) or list(usual_levels(pad.range[1]))
    plan = plan_dilutions(
        wanted,
        standard=standard,
        total_ml=total_ml,
        pour_u=number(form, "pour_u", "how well volumes are measured, in percent", low=0, high=30, default=1) / 100,
        least_ml=number(form, "least_ml", "the least volume in mL", low=1e-3, high=1e4, default=1),
        beyond=numbers(form, "beyond", "levels above the range", low=pad.range[1], high=1e6, most=_MOST_LEVELS),
    )
    return {
        "number": lot_number,
        "kind": kind,
        "card": card,
        "expires": calendar_day(form, "expires", "the expiry date").isoformat(),
        "by": person.name,
        "at": _now().isoformat(),
        "unit": pad.unit,
        "standard": standard.value,
        "u_standard": standard.u,
        "total_ml": total_ml,
        "strips": whole(form, "strips", most=9) or 3,
        "lights": whole(form, "lights", most=9) or 2,
        "intermediates": tuple(_kept(one) for one in plan.intermediates),
        "levels": tuple(_kept(one) for one in plan.levels),
    }


def _kept(solution: Any) -> DraftSolution:
    said = asdict(solution)
    strength = said.pop("strength")
    return DraftSolution(**said, concentration=strength["value"], u=strength["u"])


@need("supervisor")
async def show_drafts(request: Request, person: Person) -> Response:
    """List the calibrations, those under way and those that are closed."""
    drafts = await to_thread.run_sync(request.app.state.drafts.every)
    return render(request, "drafts.html", drafts=drafts)


@need("supervisor")
async def show_draft(request: Request, person: Person) -> Response:
    """Show plan, photos and fit; a fit that is due is started by looking."""
    return await _draft_page(request, _draft(request))


async def _draft_page(
    request: Request, draft: CalibrationDraft, *, trouble: StripReadError | None = None, status: int = 200
) -> Response:
    fits = request.app.state.fits
    fit_state = _start_if_due(request, draft)
    fit = await to_thread.run_sync(lambda: fits.find(draft))
    pads = [] if fit is None or fit.lot is None else await to_thread.run_sync(lambda: _pads(fit))
    return render(
        request,
        "draft.html",
        status=status,
        draft=draft,
        kind=resolve_kind(draft.kind, load_site(request.app.state.folder)),
        fit=fit,
        fit_state=fit_state,
        pads=pads,
        next=draft.next_strip(),
        trouble=trouble,
        often=_OFTEN,
    )


def _pads(fit: Any) -> list[dict[str, Any]]:
    return [pad_facts(fit.lot, pad) for pad in fit.lot.pads]


@need("supervisor")
async def draft_state(request: Request, person: Person) -> Response:
    """Tell a program whether the fit is done; one that became due during the fit before is started."""
    return JSONResponse({"done": _start_if_due(request, _draft(request)) not in ("waiting", "running")})


def _start_if_due(request: Request, draft: CalibrationDraft) -> str:
    fits = request.app.state.fits
    state: str = fits.state(draft)
    if state == "waiting" and draft.state == "open":
        fits.start(draft)
    return state


@need("supervisor")
async def take_photo(request: Request, person: Person) -> Response:
    """Keep a photo of a strip, once it is known that it can be measured."""
    state, draft = request.app.state, _draft(request)
    if not state.upload_tries.allow(person.name):
        raise HTTPException(429)
    form = await request.form()
    level, strip = whole(form, "level", most=len(draft.levels)), whole(form, "strip", most=9)
    if level is None or strip is None:
        raise WrongUsageError(expected="level and strip", found="nothing", remedy="Choose both.")
    data = await sent_file(form, "photo", "a photo", most=state.settings.largest_photo)
    try:
        file: PhotoFile = await state.queue.run(
            open_photo_bytes, data, "the photo"
        )  # a header may kill its reader, too
        refuse_double(draft, file.sha256)
        doubts = await state.queue.run(measure_photo, str(state.folder), file, draft.card, draft.kind)
        photo = DraftPhoto(
            sha256=file.sha256,
            suffix=PHOTO_SUFFIX[file.format],
            level=level - 1,
            strip=strip,
            at=_now().isoformat(),
            who=person.name,
            doubts=doubts,
        )
        await to_thread.run_sync(lambda: state.drafts.add_photo(draft.id, photo, data))
    except StripReadError as error:  # shown where the next photo is asked for
        return await _draft_page(request, draft, trouble=error, status=400)
    return RedirectResponse(f"/lots/drafts/{draft.id}#next", status_code=303)


@need("supervisor")
async def leave_out(request: Request, person: Person) -> Response:
    """Leave a photo out of the fit, or take it in again."""
    form, draft = await request.form(), _draft(request)
    who = person.name if text(form, "out") == "yes" else None
    sha256 = text(form, "photo")
    await to_thread.run_sync(lambda: request.app.state.drafts.leave_out(draft.id, sha256, who))
    return RedirectResponse(f"/lots/drafts/{draft.id}", status_code=303)


@need("supervisor")
async def accept(request: Request, person: Person) -> Response:
    """Make it a lot of the site."""
    draft, form = _draft(request), await request.form()
    if text(form, "fit") != draft.signature():
        raise WrongUsageError(
            expected="the curve that was looked at", found="photos that came since", remedy="Look at the curve again."
        )
    await to_thread.run_sync(lambda: _accept(request, draft, Stamp(at=_now(), who=person.name)))
    return RedirectResponse(f"/lots/{draft.number}", status_code=303)


def _accept(request: Request, draft: CalibrationDraft, stamp: Stamp) -> None:
    state = request.app.state
    fit = state.fits.find(draft)
    if fit is None:
        raise WrongUsageError(expected="a fit of these photos", found="none yet", remedy="Wait for it.")
    with records_of(state, create=stamp) as records:
        accept_lot(records, state.drafts, draft, fit, stamp)


@need("supervisor")
async def reject(request: Request, person: Person) -> Response:
    """Close a draft; its photos stay."""
    draft, form = _draft(request), await request.form()
    why = needed(form, "why", "why it is rejected")
    drafts, at = request.app.state.drafts, _now().isoformat()
    await to_thread.run_sync(lambda: drafts.close(draft.id, "rejected", who=person.name, at=at, why=why))
    return RedirectResponse(f"/lots/drafts/{draft.id}", status_code=303)


def _draft(request: Request) -> CalibrationDraft:
    draft: CalibrationDraft | None = request.app.state.drafts.find(request.path_params["draft"])
    if draft is None:
        raise HTTPException(404)
    return draft


def _now() -> datetime:
    return datetime.now().astimezone()
