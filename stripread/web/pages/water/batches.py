"""The batches in the order of the work, and one of them: what it should be, what it was read as, what to do next."""

from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from stripread.check import CAUTION
from stripread.records import batch_standing, find_batch
from stripread.report import EXAMPLE_FIGURES, WAIT, off_range, strong_cautions
from stripread.site import load_site
from stripread.web.forms import whole
from stripread.web.people.people import Person
from stripread.web.render import render
from stripread.web.security import need
from stripread.web.site_record import LAST_ENTRY, records_of
from stripread.web.state import state_of

__all__ = ["batch_routes"]

_PAGE = 20


def batch_routes() -> list[Route]:
    """Return the routes."""
    return [
        Route("/batches", batches, methods=["GET"]),
        Route("/batches/made/{id:path}", batch, methods=["GET"]),
    ]


@need("technician", "supervisor")
def batches(request: Request, person: Person) -> Response:
    """List the steps of the work, and the batches with their mass balance."""
    before = whole(request.query_params, "before", most=LAST_ENTRY)
    points: dict[str, list[str]] = {}  # by the batch that they are of, else by their sample type
    samples = load_site(state_of(request).folder).samples
    with records_of(state_of(request)) as records:
        found = records.batches(before=before, limit=_PAGE + 1)
        standings = [batch_standing(records, one.said) for one in found[:_PAGE]]
        for point in records.points_in_order():
            sample = samples.get(point.sample)
            kind = point.sample if sample is None or sample.batch is None else sample.batch
            points.setdefault(kind, []).append(point.name)
        setting = next((s.said for s in records.injector_settings(limit=1)), None)
    latest = {
        "concentrate": next((one for one in standings if one.said.kind == "concentrate"), None),
        "stock": next((one for one in standings if one.said.kind != "concentrate"), None),
    }
    return render(
        request, "batches.html", standings=standings, points=points, latest=latest, caution=CAUTION,
        paged=before is not None,
        older=found[_PAGE - 1].entry.seq if len(found) > _PAGE else None,
        setting=None if setting is None else f"{setting.injector} 1:{setting.ratio:g} {setting.convention}",
    )  # fmt: skip


@need("technician", "supervisor")
def batch(request: Request, person: Person) -> Response:
    """Show one batch."""
    site = load_site(state_of(request).folder)
    with records_of(state_of(request)) as records:
        said = find_batch(records, request.path_params["id"])
        if said is None:
            raise HTTPException(404)
        standing, sample = batch_standing(records, said), site.sample_of_batch(said.kind)
        points = [p.name for p in records.points_in_order() if sample is not None and p.sample == sample.name]
    off = None if standing.recipe is None else off_range(standing.recipe, sample)
    cautions = strong_cautions(*(one for one in (standing.recipe, standing.last) if one is not None))
    invented = EXAMPLE_FIGURES if standing.example else None
    return render(
        request,
        "batch.html",
        standing=standing,
        off=off,
        points=points,
        cautions=cautions,
        invented=invented,
        wait=WAIT if said.parts else None,
    )
