"""A reading by other means than a strip: the form, and its way into the record."""

from collections.abc import Mapping
from datetime import datetime, timedelta
from typing import Any

from starlette.requests import Request
from starlette.responses import RedirectResponse, Response
from starlette.routing import Route

from stripread.check import METHOD_WORDS, METHODS, Method
from stripread.errors import StripReadError, WrongUsageError
from stripread.i18n import Message, joined
from stripread.records import Point, ReadingFilter, Records, Stamp
from stripread.site import Site, load_site
from stripread.web.forms import chosen, moment, needed, text
from stripread.web.people.people import Person
from stripread.web.render import render
from stripread.web.security import need
from stripread.web.sent_form import sent_form
from stripread.web.site_record import points_of, records_of
from stripread.web.state import AppState, state_of
from stripread.workflow import EnteredSample, SampleContext, parse_entered, record_entered

__all__ = ["measure_routes"]

_SENT_TWICE = timedelta(minutes=2)  # the same reading again within so long is one that was sent twice
_INSTRUMENTS = 8  # that were named lately, to choose from


def measure_routes() -> list[Route]:
    """Return the routes."""
    return [Route("/measure", measure, methods=["GET", "POST"])]


@need("technician", "supervisor")
def measure(request: Request, person: Person) -> Response:
    """Show the form; enter what was sent and show its entry."""
    state, now = state_of(request), datetime.now().astimezone()
    site, points = load_site(state.folder), points_of(state)
    asked: Mapping[str, Any] = request.query_params
    trouble = None
    if request.method == "POST":
        asked = sent_form(request)
        try:
            seq = _enter(state, site, points, asked, Stamp(at=now, who=person.name))
            return RedirectResponse(f"/log/{seq}", status_code=303)
        except StripReadError as error:
            trouble = error
    with records_of(state) as records:
        named = [r.method.instrument for r in records.readings(ReadingFilter(entered=True), limit=50)]
    return render(
        request, "measure.html", status=400 if trouble else 200, trouble=trouble, points=points,
        samples=list(site.samples), analytes=[(name, site.analyte(name).unit) for name in site.all_analytes],
        methods={by: METHOD_WORDS[by] for by in METHODS},
        instruments=[name for name in dict.fromkeys(named) if name][:_INSTRUMENTS],
        asked={name: value for name in asked if isinstance(value := asked[name], str)},
    )  # fmt: skip


def _enter(state: AppState, site: Site, points: list[Point], fields: Mapping[str, Any], stamp: Stamp) -> int:
    """Return the number of the entry; the same one sent twice is entered once."""
    name = needed(fields, "analyte", Message("what was measured"))
    reading = parse_entered(
        site.analyte(name), needed(fields, "value", Message("the value with its unit")), u=text(fields, "u", most=40)
    )
    where = chosen(fields, "point", [p.name for p in points], Message("a point in use"))
    kind = chosen(fields, "sample", site.samples, Message("a sample type of the site"))
    kind = kind or next((p.sample for p in points if p.name == where), None)
    if kind is None:
        raise WrongUsageError(
            expected=Message("the point, or what was sampled"), found=Message("nothing"), remedy=Message("Choose it.")
        )
    by = chosen(fields, "by", METHODS, Message("one of %(known)s", known=joined(METHOD_WORDS[m] for m in METHODS)))
    sample = EnteredSample(
        reading=reading,
        method=Method(by=by or "meter", instrument=text(fields, "instrument", most=80) or None),
        at=min(moment(fields, "at", now=stamp.at), stamp.at),
        context=SampleContext(sample=site.sample(kind), point=where, who=stamp.who),
        remark=text(fields, "note", most=500),
    )
    with records_of(state, create=stamp) as records:
        before = _sent_before(records, sample, stamp)
        return record_entered(records, sample, stamp=stamp).entry.seq if before is None else before


def _sent_before(records: Records, sample: EnteredSample, stamp: Stamp) -> int | None:
    wanted = ReadingFilter(
        method=sample.method.by, sample=sample.context.sample.name, analyte=sample.reading.analyte, who=stamp.who,
        since=sample.at - _SENT_TWICE, until=sample.at + _SENT_TWICE,
    )  # fmt: skip
    own = sample.reading
    for one in records.readings(wanted):
        said = (one.point, one.method, one.main.value, one.main.u, one.main.limit_value)
        limit = None if own.limit is None else own.limit.value
        if said == (sample.context.point, sample.method, own.value, own.standard_uncertainty, limit):
            return one.entry.seq
    return None
