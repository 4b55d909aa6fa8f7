"""Check standards: a strip of a fresh known dilution read with a lot, and the lot's control chart."""

import threading
from datetime import datetime
from functools import partial
from pathlib import Path
from typing import Any

from anyio import to_thread
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import RedirectResponse, Response
from starlette.routing import Route

from stripread.errors import SiteError, WrongUsageError
from stripread.findings import REGISTRY
from stripread.i18n import Message
from stripread.lot import CheckRow, Lot, append_row, find_row, load_record
from stripread.photo import PhotoFile, open_photo_bytes
from stripread.records import Stamp
from stripread.report import check_cells
from stripread.site import Site, load_site, resolve_lot
from stripread.web.calibration.lot_facts import pad_checks, record_file
from stripread.web.calibration.measuring import read_check_row
from stripread.web.forms import chosen, number, sent_file, text
from stripread.web.language import language_of
from stripread.web.people.people import Person
from stripread.web.render import render
from stripread.web.security import need
from stripread.web.sent_form import form_of
from stripread.web.site_record import records_of
from stripread.web.state import state_of
from stripread.workflow import KnownDilution, record_check, resolve_inputs, shows_calibrator

__all__ = ["checks_routes"]

_MOST_CHECKS = 10_000  # looked through for one that is known
_KEEPING = threading.Lock()


def checks_routes() -> list[Route]:
    """Return the routes."""
    return [
        Route("/checks/{lot}", show_checks, methods=["GET"]),
        Route("/checks/{lot}", take_check, methods=["POST"]),
    ]


@need("supervisor")
def show_checks(request: Request, person: Person) -> Response:
    """Show the form, the check that was just read, and the control chart."""
    return render(request, "checks.html", **_facts(request))


def _facts(request: Request) -> dict[str, Any]:
    site, lot = _lot(request)
    name, wanted = request.path_params["lot"], text(request.query_params, "photo")
    rows = load_record(record_file(site, name))
    done = next((row for row in reversed(rows) if row.photo_sha256 == wanted and row.lot_sha256 == lot.sha256), None)
    return {
        "name": name,
        "lot": lot,
        "checks": [pad_checks(lot, pad, rows, language_of(request)) for pad in lot.pads],
        "done": None if done is None else _told(done, lot),
    }


def _told(row: CheckRow, lot: Lot) -> dict[str, Any]:
    """Return a check as its own words: what came of it, read and known, and what its findings mean."""
    cells = check_cells(row)
    pad = next(pad for pad in lot.pads if pad.pad == row.pad)
    sign = "question" if row.value is None else "triangle"
    if cells[-1] == "agrees":
        sign = "tick"
    return {
        "sign": sign,
        "came": cells[-1],
        "known": cells[2],
        "u_known": cells[3],
        "read": cells[4],
        "interval": cells[5],
        "e_n": cells[6],
        "unit": pad.unit,
        "analyte": pad.analyte,
        "findings": [REGISTRY[code] for code in row.findings if code in REGISTRY],
    }


@need("supervisor")
async def take_check(request: Request, person: Person) -> Response:
    """Read a check standard, and keep it."""
    state = state_of(request)
    if not state.upload_tries.allow(person.name):
        raise HTTPException(429)
    form = await form_of(request)
    site, lot = await to_thread.run_sync(lambda: _lot(request))
    name = request.path_params["lot"]
    pad = chosen(form, "pad", [one.pad for one in lot.pads], Message("a pad of the lot")) or lot.pads[0].pad
    if len(lot.pads) > 1 and not text(form, "pad"):
        raise WrongUsageError(
            expected=Message("the pad whose value is known"), found=Message("none"), remedy=Message("Choose it.")
        )
    known = KnownDilution(
        pad=pad,
        value=number(form, "known", Message("what the strip was dipped into"), low=0, high=1e6),
        u=number(form, "u_known", Message("its standard uncertainty"), low=0, high=1e6),
    )
    most = state.settings.largest_photo
    data = await to_thread.run_sync(partial(sent_file, form, "photo", Message("a photo"), most=most))
    now = datetime.now().astimezone()
    photo: PhotoFile = await state.queue.run(open_photo_bytes, data, f"check-{now:%Y%m%d-%H%M%S}")
    if shows_calibrator(photo, lot):
        raise _calibrator(lot)
    row = await state.queue.run(read_check_row, str(state.folder), photo, name, known, now)
    stamp = Stamp(at=now, who=person.name)
    await to_thread.run_sync(lambda: _keep(request, site, row, photo, stamp))
    return RedirectResponse(f"/checks/{name}?photo={row.photo_sha256}", status_code=303)


def _keep(request: Request, site: Site, row: CheckRow, photo: PhotoFile, stamp: Stamp) -> None:
    """Keep a check in the lot's own file and in the record, in each once however often its photo is sent."""
    name = request.path_params["lot"]
    inputs, rows_file = resolve_inputs(name, site), record_file(site, name)
    _refuse_outside(rows_file, site)
    with _KEEPING, records_of(state_of(request), create=stamp) as records:
        before = find_row(load_record(rows_file), row)
        if before is None:
            append_row(rows_file, row)
        kept = before or row
        known = records.check_standards(lot=inputs.lot.number, limit=_MOST_CHECKS)
        key = (kept.photo_sha256, kept.lot_sha256, kept.pad)
        if all((one.said.photo_sha256, one.said.lot_sha256, one.said.pad) != key for one in known):
            record_check(records, kept, photo, inputs, rows_file=rows_file, stamp=stamp)


def _calibrator(lot: Lot) -> WrongUsageError:
    return WrongUsageError(
        expected=Message("a photo of a fresh strip"),
        found=Message("one that lot %(number)s was calibrated with: it would agree with itself", number=lot.number),
        remedy=Message("Dip a strip into a fresh known dilution and photograph that."),
    )


def _refuse_outside(rows_file: Path, site: Site) -> None:
    if not rows_file.resolve().is_relative_to(site.folder.resolve()):
        raise SiteError(
            expected=Message("a lot file within the site's folder, as the record names the checks beside it"),
            found=Message("one that lies elsewhere"),
            remedy=Message("Move it into the folder and correct [lots] of site.toml."),
        )


def _lot(request: Request) -> tuple[Site, Lot]:
    site, name = load_site(state_of(request).folder), request.path_params["lot"]
    if name not in site.lots:  # a name of the site, never a path
        raise HTTPException(404)
    lot = resolve_lot(name, site)
    return site, lot
