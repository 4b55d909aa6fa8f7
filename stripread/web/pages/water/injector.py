"""The injectors: how they were set and since when, and a new setting."""

from collections.abc import Mapping
from datetime import datetime, timedelta
from typing import Any, Literal, cast

from starlette.requests import Request
from starlette.responses import RedirectResponse, Response
from starlette.routing import Route

from stripread.errors import StripReadError, WrongUsageError
from stripread.i18n import Message, Verbatim
from stripread.records import InjectorSetting, Records, Stamp, batch_readings, find_batch
from stripread.report import Answer
from stripread.site import load_site
from stripread.units import ParsedInputs, Units
from stripread.water import Ratio, parse_ratio
from stripread.web.forms import chosen, moment, needed, text
from stripread.web.pages.water.batch_plans import BATCH
from stripread.web.people.people import Person
from stripread.web.render import render
from stripread.web.security import need
from stripread.web.sent_form import sent_form
from stripread.web.site_record import records_of
from stripread.web.state import AppState, state_of
from stripread.web.units import units_of
from stripread.workflow import judge_setting

__all__ = ["injector_routes", "stocks_to_draw"]

_SHOWN, _CHOICES = 20, 12
_SENT_TWICE = timedelta(minutes=2)  # the same setting again within so long is one that was sent twice


def injector_routes() -> list[Route]:
    """Return the routes."""
    return [Route("/injector", injector, methods=["GET", "POST"])]


@need("technician", "supervisor")
def injector(request: Request, person: Person) -> Response:
    """List the settings; enter a new one."""
    state, now = state_of(request), datetime.now().astimezone()
    asked: Mapping[str, Any] = request.query_params  # a plan fills in its setting
    trouble = judged = None
    if request.method == "POST":
        asked = sent_form(request)
        try:
            judged = _enter(state, asked, Stamp(at=now, who=person.name), units_of(request))
            if judged is None:
                return RedirectResponse("/injector", status_code=303)
        except StripReadError as error:
            trouble = error
    with records_of(state) as records:
        found = [s.said for s in records.injector_settings(limit=_SHOWN)]
        stocks = stocks_to_draw(records)
    settings = [(said, Ratio(said.ratio, said.convention)) for said in found]
    return render(
        request, "injector.html", status=400 if trouble else 200, settings=settings, stocks=stocks, trouble=trouble,
        judged=judged,
        latest=settings[0][0] if settings else None,
        asked={name: value for name in asked if isinstance(value := asked[name], str)},
    )  # fmt: skip


def stocks_to_draw(records: Records) -> list[tuple[str, bool]]:
    """Return the latest stocks, and whether each was read."""
    made = [b.said for b in records.batches(limit=50) if b.said.kind != "concentrate"][:_CHOICES]
    return [(batch.id, bool(batch_readings(records, batch))) for batch in made]


def _enter(state: AppState, fields: Mapping[str, Any], stamp: Stamp, units: Units) -> Answer | None:
    """Enter a setting; where it may not suit and nobody said "nevertheless", return why, and enter nothing."""
    means = chosen(fields, "means", ("in", "to"), Message("1 part in N, or 1 part to N")) or "in"
    setting = parse_ratio(
        needed(fields, "ratio", Message("the setting as 1:250")), convention=cast(Literal["in", "to"], means)
    )
    typed = ParsedInputs.of(units)
    flow = typed.maybe_exact(text(fields, "flow") or None, "flow", name=Message("the flow"))
    name = Message("what the water takes")
    demand = typed.maybe_measured(text(fields, "demand") or None, "strength", name=name, positive=False)
    said = InjectorSetting(
        injector=needed(fields, "injector", Message("the injector's name"), most=80),
        since=moment(fields, "since", now=stamp.at),
        ratio=setting.n,
        convention=setting.convention,
        batch=text(fields, "batch", most=BATCH) or None,
        flow_l_per_min=None if flow is None else flow / 60,
        note=text(fields, "note", most=500),
    )
    with records_of(state, create=stamp) as records:
        if said.batch is not None and find_batch(records, said.batch) is None:
            raise WrongUsageError(
                expected=Message("a batch of the record"),
                found=Verbatim(repr(said.batch)),
                remedy=Message("Choose one of the list."),
            )
        if text(fields, "nevertheless") != "yes":
            judged = judge_setting(records, load_site(state.folder), said, demand=demand)
            if judged is not None and judged.needs_attention:
                return judged
        before = next((s.said for s in records.injector_settings(limit=50) if s.said.injector == said.injector), None)
        if before is None or not _sent_before(before, said):
            records.add_injector_setting(said, stamp)
    return None


def _sent_before(before: InjectorSetting, said: InjectorSetting) -> bool:
    alike = ("ratio", "convention", "batch", "flow_l_per_min", "note")
    same = all(getattr(before, name) == getattr(said, name) for name in alike)
    return same and abs(said.since - before.since) <= _SENT_TWICE
