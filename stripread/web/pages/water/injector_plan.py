"""Planning an injection: for a stock as it is now, how the injector or pump is to be set."""

from datetime import datetime
from typing import Any

from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from stripread.errors import StripReadError, WrongUsageError
from stripread.i18n import Message, Number
from stripread.records import Records, find_batch, strength_of
from stripread.report import Answer
from stripread.site import load_site
from stripread.units import Measured, ParsedInputs
from stripread.water import Injection
from stripread.web.forms import text
from stripread.web.pages.water.batch_plans import BATCH
from stripread.web.pages.water.injector import stocks_to_draw
from stripread.web.people.people import Person
from stripread.web.render import render
from stripread.web.security import need
from stripread.web.site_record import records_of
from stripread.web.state import state_of
from stripread.web.units import units_of
from stripread.workflow import InjectionWish, plan_setting

__all__ = ["injector_plan_routes"]


def injector_plan_routes() -> list[Route]:
    """Return the routes."""
    return [Route("/injector/plan", plan, methods=["GET"])]


@need("technician", "supervisor")
def plan(request: Request, person: Person) -> Response:
    """Ask for stock, demand and residual, and tell how to set the injector."""
    asked, now = request.query_params, datetime.now().astimezone()
    site, typed = load_site(state_of(request).folder), ParsedInputs.of(units_of(request))
    answer: Answer | None = None
    trouble: StripReadError | None = None
    with records_of(state_of(request)) as records:
        stocks = stocks_to_draw(records)
        injectors = list(
            dict.fromkeys([*site.supply.injectors, *(s.said.injector for s in records.injector_settings())])
        )
        if asked:
            try:
                wish = InjectionWish(
                    stock_mg_per_l=_stock(records, typed, asked, now),
                    demand_mg_per_l=typed.maybe_measured(
                        text(asked, "demand") or None, "strength", name=Message("what the water takes"), positive=False
                    ),
                    residual_mg_per_l=typed.maybe_exact(
                        text(asked, "residual") or None, "strength", name=Message("the residual that is wanted")
                    ),
                    flow_l_per_h=typed.maybe_measured(text(asked, "flow") or None, "flow", name=Message("the flow")),
                )
                name = text(asked, "injector", most=80)
                answer = plan_setting(records, site, name, wish, at=now, system=typed.system)
            except StripReadError as error:
                trouble = error
    ratio = None
    if answer is not None and isinstance(answer.result, Injection):
        ratio = f"1:{Number(answer.result.n_in.value, '.3g')}"
    return render(
        request, "injector_plan.html", status=400 if trouble else 200, answer=answer, trouble=trouble, stocks=stocks,
        injectors=injectors, asked=dict(asked), ratio=ratio, notes=typed.notes,
    )  # fmt: skip


def _stock(records: Records, typed: ParsedInputs, asked: Any, now: datetime) -> Measured:
    """Return the strength as typed, else what the batch has by now."""
    if said := text(asked, "stock"):
        return typed.measured(said, "strength", name=Message("the strength of the stock"))
    name = text(asked, "batch", most=BATCH)
    batch = find_batch(records, name) if name else None
    strength = None if batch is None else strength_of(records, batch, at=now)
    if strength is None:
        raise WrongUsageError(
            expected=Message("a stock of the list whose strength is known, or a strength"),
            found=Message("%(name)s, of which nothing is known", name=name) if name else Message("neither"),
            remedy=Message("Choose one and read it, or type what was read."),
        )
    return strength
