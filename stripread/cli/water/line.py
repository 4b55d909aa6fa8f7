"""The commands ``water inject``, ``demand``, ``line``, ``vapour``, ``hocl`` and ``contact``: injector, line and air."""

import math
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from stripread.cli.inputs import (
    AnswerUnits,
    Json,
    ParsedInputs,
    SiteFolder,
    give,
    inputs_at,
    strength_of,
    timed,
    wanted_strength,
)
from stripread.cli.typed import number_of
from stripread.errors import WrongUsageError
from stripread.i18n import Message

if TYPE_CHECKING:
    from stripread.water import Disinfectant

__all__ = ["line_commands"]


class _Convention(StrEnum):
    part_in = "in"
    part_to = "to"


class _Disinfectant(StrEnum):
    free_chlorine = "free-chlorine"
    chlorine_dioxide = "chlorine-dioxide"


_KINDS: "dict[_Disinfectant, Disinfectant]" = {
    _Disinfectant.free_chlorine: "free chlorine",
    _Disinfectant.chlorine_dioxide: "chlorine dioxide",
}
Means = Annotated[
    _Convention,
    typer.Option(metavar="in|to", help="What 1:N means: 1 part in N of what comes out, or 1 part to N of water."),
]


def line_commands(water_app: typer.Typer) -> None:
    """Add the commands to ``water``."""
    water_app.command()(inject)
    water_app.command()(demand)
    water_app.command()(line)
    water_app.command()(vapour)
    water_app.command()(hocl)
    water_app.command()(contact)


def inject(
    demand: Annotated[str, typer.Option(metavar="STRENGTH", help="What water and pipes take: see `water demand`.")],
    residual: Annotated[
        str | None,
        typer.Option(metavar="STRENGTH", help="To be left at the outlets. [the target of the site's sample line]"),
    ] = None,
    stock: Annotated[str | None, typer.Option(metavar="STRENGTH", help="Of the stock, as read.")] = None,
    ratio: Annotated[
        str | None, typer.Option(metavar="1:N", help="The injector's setting; or as '1 in 100', '1 to 99', 1%.")
    ] = None,
    means: Means = _Convention.part_in,
    flow: Annotated[str | None, typer.Option(metavar="FLOW", help="Of the dosed water: gives the pump's rate.")] = None,
    at_least: Annotated[
        str | None,
        typer.Option(metavar="STRENGTH", help="Least residual that is right. [the range of the site's sample line]"),
    ] = None,
    at_most: Annotated[
        str | None,
        typer.Option(metavar="STRENGTH", help="Greatest residual that is right. [the range of the site's sample line]"),
    ] = None,
    disinfectant: Annotated[
        _Disinfectant | None,
        typer.Option(
            metavar="KIND",
            help="free-chlorine or chlorine-dioxide: what is known of crops. [that of the site's sample line]",
        ),
    ] = None,
    site: SiteFolder = None,
    units: AnswerUnits = None,
    json: Json = False,
) -> None:
    """Plan an injection: with a stock its ratio, with a ratio the stock that suits, with both what they leave.

    Example:

      stripread water inject --residual "0.35 mg/L" --demand "0.45 mg/L" --stock "220 mg/L u 11" --flow "20 gpm"

    A setting suits where the residual is within its limits with a probability of 90 % or more.

    Exit codes: 0 done; 1 an error; 2 wrong usage; 3 stock and ratio may not leave the residual wanted.
    """
    from stripread.report import delivery_answer, injection_answer, stock_answer
    from stripread.units import Measured
    from stripread.water import dose_for, parse_ratio, stock_for
    from stripread.water import inject as plan_injection

    if stock is None and ratio is None:
        raise WrongUsageError(
            expected=Message("--stock or --ratio, or both"),
            found=Message("neither"),
            remedy=Message("Name what is given."),
        )
    if ratio is not None and flow is not None:
        raise WrongUsageError(
            expected=Message("--flow for a pump that is to be set, with --stock alone"),
            found=Message("--flow and --ratio"),
            remedy=Message("Leave one out: an injector with a fixed ratio follows the flow."),
        )
    if (at_least or at_most) and (stock is None or ratio is None):
        raise WrongUsageError(
            expected=Message("--at-least and --at-most with --stock and --ratio, to judge what they leave"),
            found=Message("one of the two"),
            remedy=Message("Name both, or leave the limits out."),
        )
    typed = inputs_at(site, answer_in=units)
    water_flow = typed.maybe_measured(flow, "flow", name=Message("the flow"))
    kind = None if disinfectant is None else _KINDS[disinfectant]
    left = wanted_strength(typed, residual, option="residual", sample="line", site=site, analyte=kind, positive=False)
    taken = typed.measured(demand, "strength", name=Message("the demand"), positive=False)
    dose = dose_for(residual_mg_per_l=Measured(left), demand_mg_per_l=taken)
    strength = None if stock is None else strength_of(typed, stock, name=Message("the stock"), site=site)
    setting = None if ratio is None else parse_ratio(ratio, convention=means.value)
    analyte = _analyte(typed, site) if kind is None else kind
    if setting is None and strength is not None:
        made = plan_injection(dose_mg_per_l=dose, stock_mg_per_l=strength, flow_l_per_h=water_flow)
        answer = injection_answer(made, analyte=analyte, stock=strength, system=typed.system)
    elif setting is not None and strength is None:
        answer = stock_answer(stock_for(setting, dose_mg_per_l=dose), setting, analyte=analyte, dose=dose)
    elif setting is not None and strength is not None:
        answer = delivery_answer(
            setting,
            analyte=analyte,
            stock=strength,
            demand=taken,
            wanted=left,
            limits=_limits(typed, at_least, at_most, site=site, analyte=analyte),
        )
    give(answer, typed, command="water inject", json=json)


def _limits(
    typed: ParsedInputs, least: str | None, most: str | None, *, site: Path | None, analyte: str
) -> tuple[float, float] | None:
    """Return the limits of a residual [mg/L]: as typed, else the range that the site expects in its line."""
    from stripread.cli.site_options import look_up_site

    if least is not None or most is not None:
        low = 0.0 if least is None else typed.exact(least, "strength", name=Message("--at-least"), positive=False)
        high = math.inf if most is None else typed.exact(most, "strength", name=Message("--at-most"))
        if low >= high:
            raise WrongUsageError(
                expected=Message("--at-least under --at-most"),
                found=Message("%(least)s and %(most)s", least=least, most=most),
                remedy=Message("Exchange them."),
            )
        return low, high
    where = look_up_site(site)
    known = None if where is None or "line" not in where.samples else where.samples["line"].expectation(analyte)
    if known is None:
        return None
    name = Message("the range of sample line in site.toml")
    low, high = (
        typed.exact(f"{end:.12g} {known.unit}", "strength", name=name, positive=False)
        for end in (known.low, known.high)
    )
    typed.assume(Message("limits %(range)s", range=known.words), name)
    return low, high


def _analyte(typed: ParsedInputs, folder: Path | None) -> str:
    """Return what the site doses by what it expects in its line; without that, chlorine dioxide; either is told."""
    from stripread.cli.site_options import look_up_site

    site = look_up_site(folder)
    if site is not None and "line" in site.samples:
        analyte = site.samples["line"].main.analyte
        typed.assume(Message("what is dosed"), Message("%(analyte)s, by sample line in site.toml", analyte=analyte))
        return analyte
    typed.assume(Message("what is dosed"), Message("chlorine dioxide, as neither --disinfectant nor a site says"))
    return "chlorine dioxide"


def demand(
    outlet: Annotated[list[str], typer.Option(metavar="NAME=STRENGTH", help="An outlet and its reading. Repeat it.")],
    injector: Annotated[
        str | None, typer.Option(metavar="STRENGTH", help="A reading just after the injector; or --stock and --ratio.")
    ] = None,
    stock: Annotated[str | None, typer.Option(metavar="STRENGTH", help="Of the stock, as read.")] = None,
    ratio: Annotated[
        str | None, typer.Option(metavar="1:N", help="The injector's setting; or as '1 in 100', '1 to 99', 1%.")
    ] = None,
    means: Means = _Convention.part_in,
    json: Json = False,
) -> None:
    """Estimate how much of the dose water and pipes take, from readings at the injector and at outlets.

    Example:

      stripread water demand --injector "0.80 mg/L u 0.06" --outlet "bench 1=0.42 mg/L" --outlet "far end=0.35 mg/L"

    Exit codes: 0 done; 1 an error; 2 wrong usage; 3 an outlet reads more than the dose.
    """
    from stripread.units import Measured
    from stripread.water import delivered, parse_ratio
    from stripread.workflow import demand_sum, dose_read

    if (injector is None) == (stock is None or ratio is None):
        raise WrongUsageError(
            expected=Message("--injector, or --stock with --ratio"),
            found=Message("both or neither"),
            remedy=Message("Name one of the two."),
        )
    typed = inputs_at(None)
    if injector is not None:
        dose = dose_read(typed, injector)
    else:
        setting = parse_ratio(ratio or "", convention=means.value)
        strength = typed.measured(stock or "", "strength", name=Message("the stock"))
        dose = delivered(setting, stock_mg_per_l=strength, demand_mg_per_l=Measured(0.0)).dose_mg_per_l
    give(demand_sum(typed, dose, [timed(text) for text in outlet]), typed, command="water demand", json=json)


def line(
    outlet: Annotated[
        list[str],
        typer.Option(
            metavar="NAME[@DISTANCE]=STRENGTH",
            help="An outlet, how far from the injector, and its reading; in the order of the water. Repeat it.",
        ),
    ],
    json: Json = False,
) -> None:
    """Tell how strength falls along a line, from outlet to outlet.

    Example:

      stripread water line --outlet "bench 1@10 m=0.42 mg/L u 0.04" --outlet "far end@60 m=0.28 mg/L u 0.03"

    Exit codes: 0 done; 1 an error; 2 wrong usage; 3 strength rises along the line.
    """
    from stripread.workflow import line_sum

    typed, outlets = inputs_at(None), []
    for text in outlet:
        place, strength = timed(text)
        name, _, distance = place.partition("@")
        outlets.append((name.strip(), distance.strip(), strength))
    give(line_sum(typed, outlets), typed, command="water line", json=json)


def vapour(
    strength: Annotated[str, typer.Option(metavar="STRENGTH", help="Of the solution, of chlorine dioxide.")],
    temperature: Annotated[str, typer.Option(metavar="TEMPERATURE", help="Of the solution: '20 C' or '68 F'.")],
    json: Json = False,
) -> None:
    """Warn of the gas that may gather in still air over a solution. Never a clearance.

    Example:

      stripread water vapour --strength "420 mg/L" --temperature "20 C"

    Exit codes: 3 always, as it is a warning; 1 an error; 2 wrong usage.
    """
    from stripread.workflow import vapour_sum

    typed = inputs_at(None)
    give(vapour_sum(typed, strength=strength, temperature=temperature), typed, command="water vapour", json=json)


def hocl(
    ph: Annotated[float, typer.Option(metavar="PH", parser=number_of("--ph", low=0, high=14), help="pH of the water.")],
    temperature: Annotated[str, typer.Option(metavar="TEMPERATURE", help="Of the water: '20 C' or '68 F'.")],
    chlorine: Annotated[str | None, typer.Option(metavar="STRENGTH", help="Free chlorine in it, as Cl2.")] = None,
    u_ph: Annotated[
        float | None,
        typer.Option(
            metavar="U", parser=number_of("--u-ph", low=0, high=2), help="Standard uncertainty of the pH. [0.1]"
        ),
    ] = None,
    json: Json = False,
) -> None:
    """Tell which share of free chlorine is HOCl, the form that disinfects.

    Example:

      stripread water hocl --ph 7.4 --temperature "20 C" --chlorine "2 mg/L"
    """
    from stripread.workflow import hocl_sum

    typed = inputs_at(None)
    answer = hocl_sum(typed, ph=ph, u_ph=u_ph, temperature=temperature, chlorine=chlorine)
    give(answer, typed, command="water hocl", json=json)


def contact(
    strength: Annotated[str, typer.Option(metavar="STRENGTH", help="At the end of the contact.")],
    time: Annotated[str, typer.Option(metavar="TIME", help="How long the water was in contact.")],
    disinfectant: Annotated[
        _Disinfectant | None,
        typer.Option(metavar="WHAT", help="free-chlorine or chlorine-dioxide. [that of the site's sample line]"),
    ] = None,
    site: SiteFolder = None,
    json: Json = False,
) -> None:
    """Give concentration times time (CT), beside what was published for plant pathogens.

    Example:

      stripread water contact --strength "2 mg/L" --time "10 min" --disinfectant free-chlorine
    """
    from stripread.workflow import contact_sum

    typed = inputs_at(site)
    said = _analyte(typed, site) if disinfectant is None else _KINDS[disinfectant]
    kind = next((known for known in _KINDS.values() if known == said.casefold()), None)
    if kind is None:
        raise WrongUsageError(
            expected=Message("--disinfectant free-chlorine or chlorine-dioxide"),
            found=Message("%(analyte)s, which the site doses", analyte=said),
            remedy=Message("Name one: nothing is known of another."),
        )
    answer = contact_sum(typed, strength=strength, time=time, disinfectant=kind)
    give(answer, typed, command="water contact", json=json)
