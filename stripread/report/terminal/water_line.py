"""Injector, line and air in words."""

from collections.abc import Sequence
from dataclasses import dataclass

from stripread.i18n import ByFace, Joined, Message, Number, Shown, Verbatim
from stripread.report.answer import Answer
from stripread.report.terminal.water_strong import strong
from stripread.units import Measured, System, lower_end, tell, tell_flow, tell_hours, two_digits, upper_end
from stripread.water import (
    GAS_DENSITY_TO_AIR,
    Contact,
    Convention,
    Hypochlorous,
    Injection,
    Ratio,
    Vapour,
    crop_cautions,
    explosion_caution,
)

__all__ = [
    "contact_answer",
    "crops",
    "hypochlorous_answer",
    "injection_answer",
    "stock_answer",
    "vapour_answer",
]

_MG = "mg/L"
_POUND_MG = 453_592.37
CONVENTIONS: dict[Convention, Message] = {
    "in": Message("1:N read as 1 part of stock in N parts of what comes out (final = stock / N)."),
    "to": Message("1:N read as 1 part of stock to N parts of water (final = stock / (N + 1))."),
}
_LAST_OUTLET = Message(
    "Let the line run until fresh water has come through, then read a strip at the outlet "
    "that is farthest away, and at the first one."
)


def injection_answer(made: Injection, *, analyte: str, stock: Measured, system: System) -> Answer:
    """Tell how to set an injector or pump for a stock."""
    facts: list[tuple[Shown, Shown]] = [
        (
            Message("dose"),
            Message("%(dose_mg_per_l)s (residual + demand)", dose_mg_per_l=tell(made.dose_mg_per_l, _MG)),
        ),
        (Message("share"), Message("%(share)s of what comes out", share=tell(made.share.scaled(100), "%"))),
        (
            Message("1 part in N"),
            Message(
                "1:%(ratio)s (95 %%: %(ends)s), N parts come out in all",
                ratio=Number(made.n_in.value, ".4g"),
                ends=_ends(made.n_in),
            ),
        ),
        (
            Message("1 part to N"),
            Message(
                "1:%(ratio)s (95 %%: %(ends)s), N parts of water",
                ratio=Number(made.n_to.value, ".4g"),
                ends=_ends(made.n_to),
            ),
        ),
    ]
    if made.pump_l_per_h is not None:
        facts.append((Message("pump"), tell_flow(made.pump_l_per_h, system)))
    if made.feed_mg_per_h is not None:
        feed = tell(made.feed_mg_per_h.scaled(1e-3), "g/h")
        pounds = Number(made.feed_mg_per_h.value * 24 / _POUND_MG, ".3g")
        facts.append(
            (Message("feed"), feed if system == "metric" else Joined((feed, Joined((pounds, "lb/day"))), "; "))
        )
    setting = Message(
        "1:%(ratio)s (1 part in N), which is %(share)s %%",
        ratio=Number(made.n_in.value, ".3g"),
        share=Number(100 * made.share.value, ".3g"),
    )
    if made.pump_l_per_h is None:
        set_it = Message("Set it to %(setting)s.", setting=setting)
    else:
        pump = tell_flow(made.pump_l_per_h, system)
        set_it = Message("Set it to %(setting)s, or the pump to %(pump)s.", setting=setting, pump=pump)
    answer = Answer(
        sign="=",
        headline=Message("Set the injector to %(setting)s", setting=setting),
        result=made,
        facts=tuple(facts),
        steps=(
            Message(
                "Read a strip of the stock: this plan takes it as %(stock)s. Plan again if it is not.",
                stock=tell(stock, _MG),
            ),
            Message(
                "Look in the injector's manual which 1:N it means: 1 part in N of what comes out, or 1 "
                "part to N of water."
            ),
            set_it,
            _LAST_OUTLET,
            Message("If the far outlet is off, read a second strip there before you change the setting."),
        ),
        cautions=crops(analyte, made.dose_mg_per_l),
    )
    return strong(answer, stock)


def stock_answer(stock: Measured, ratio: Ratio, *, analyte: str, dose: Measured) -> Answer:
    """Tell which stock suits an injector with a fixed ratio."""
    answer = Answer(
        sign="=",
        headline=Message("The injector's ratio asks for a stock of %(stock)s", stock=tell(stock, _MG)),
        result=_Stock(stock_mg_per_l=stock, dose_mg_per_l=dose, share=ratio.share),
        facts=(
            (Message("injector"), Verbatim(str(ratio))),
            (Message("dose"), Message("%(dose)s (residual + demand)", dose=tell(dose, _MG))),
        ),
        steps=(
            ByFace(
                Message(
                    "Make a stock of %(strength)s mg/L: `stripread water dilute` gives the volumes.",
                    strength=Number(stock.value, ".3g"),
                ),
                Message("Make a stock of %(strength)s mg/L.", strength=Number(stock.value, ".3g")),
            ),
            Message("Check the injector's setting: %(ratio)s.", ratio=ratio),
            _LAST_OUTLET,
        ),
        notes=(CONVENTIONS[ratio.convention],),
        cautions=crops(analyte, dose),
    )
    return strong(answer, stock)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Stock:
    stock_mg_per_l: Measured
    dose_mg_per_l: Measured
    share: float


def vapour_answer(found: Vapour, *, strength: Measured, temperature: Measured) -> Answer:
    """Tell what may gather in still air over a solution: a caution, and never a clearance."""
    facts: list[tuple[Shown, Shown]] = [
        (
            Message("solution"),
            Message(
                "%(strength)s at %(temperature)s", strength=tell(strength, _MG), temperature=tell(temperature, "C")
            ),
        ),
        (
            Message("in still air"),
            Message(
                "%(ppm)s by volume; %(mass)s",
                ppm=tell(found.air_ppm, "ppm"),
                mass=tell(found.air_mg_per_m3, "mg/m3"),
            ),
        ),
    ]
    for (limit, times), (_, reaches) in zip(found.times_limit, found.reaches_limit_mg_per_l, strict=True):
        facts.append(
            (
                Joined((limit.name, Number(limit.ppm, "g"), "ppm")),
                Message(
                    "%(times)s times; reached over %(reaches)s mg/L already (%(meaning)s; %(source)s)",
                    times=two_digits(times.value),
                    reaches=two_digits(reaches),
                    meaning=Message(limit.meaning),
                    source=limit.source,
                ),
            )
        )
    cautions = [
        Message(
            "This is what may gather in a closed headspace, by calculation. It is NOT A CLEARANCE: "
            "no number here says that air is fit to breathe. Only an instrument where you breathe "
            "tells that."
        ),
        Message(
            "The gas is %(times)s times as heavy as air and gathers low: in tanks, pits and corners. "
            "Ventilate along the floor, do not lean over an open vessel or into it, do not agitate "
            "or warm it, keep it covered.",
            times=Number(GAS_DENSITY_TO_AIR, "g"),
        ),
        Message(
            "Where the air cannot be kept under the limits by ventilation, a respirator approved for "
            "chlorine dioxide is needed, chosen and fitted under a respiratory protection programme. "
            "At IDLH, or where nobody knows how much: leave, and stay out."
        ),
        Message("The product's label, local codes and licensed practice come before anything said here."),
    ]
    if (explosion := explosion_caution(strength, temperature)) is not None:
        cautions.insert(0, explosion)
    worst = [limit.name for limit, times in found.times_limit if times.value >= 1]
    headline = Message("Still air over it may hold about %(air)s ppm", air=two_digits(found.air_ppm.value))
    return Answer(
        sign="▲",
        headline=(
            Message("%(headline)s: over %(worst)s", headline=headline, worst=", ".join(worst))
            if worst
            else Message("%(headline)s; no clearance all the same", headline=headline)
        ),
        result=found,
        facts=tuple(facts),
        notes=(
            Message(
                "Henry's law at equilibrium, 101.325 kPa; constant from Sander's compilation (2015). By other sources "
                "there is up to 1.4 times as much gas (from memory), which the interval holds."
            ),
            Message("Chlorine dioxide in dilute water; salts, acid and splashing change it."),
        ),
        cautions=tuple(cautions),
    )


def hypochlorous_answer(found: Hypochlorous, *, ph: Measured, temperature: Measured) -> Answer:
    """Tell how much of free chlorine is hypochlorous acid."""
    facts: list[tuple[Shown, Shown]] = [
        (
            Message("water"),
            Message("pH %(ph)s at %(temperature)s", ph=tell(ph, ""), temperature=tell(temperature, "C")),
        ),
        (Message("pKa"), Message("%(pka)s (Morris 1966)", pka=Number(found.pka, ".2f"))),
    ]
    if found.hocl_mg_per_l is not None:
        facts.append((Message("HOCl"), tell(found.hocl_mg_per_l, "mg/L as Cl2")))
    return Answer(
        sign="=",
        headline=Message(
            "%(share)s of the free chlorine is HOCl, the form that disinfects", share=tell(found.share.scaled(100), "%")
        ),
        result=found,
        facts=tuple(facts),
        notes=(Message("Of dilute water, without stabiliser (cyanuric acid) and ammonium. Not for chlorine dioxide."),),
    )


def contact_answer(found: Contact, *, strength: Measured, minutes: Measured, disinfectant: str) -> Answer:
    """Tell the product of strength and time, and the published ones beside it."""
    facts: list[tuple[Shown, Shown]] = [
        (
            Message("published"),
            Message(
                "%(what)s: %(ct)s mg min/L (%(strength)s mg/L for %(minutes)s min): %(state)s; %(source)s",
                what=Message(row.what),
                ct=Number(row.ct, "g"),
                strength=Number(row.strength_mg_per_l, "g"),
                minutes=Number(row.minutes, "g"),
                state=Message(state),
                source=row.source,
            ),
        )
        for row, state in found.rows
    ]
    facts += [
        (Message("cited"), Message("%(what)s; %(source)s", what=trial.what, source=trial.source))
        for trial in found.trials
    ]
    cited: tuple[Shown, ...] = (
        (
            Message(
                "Trials are cited from memory, without their doses, times and pH, as none of these could be checked. "
                "Read them before you choose a dose. That no figure stands here is no sign that any dose will do."
            ),
        )
        if found.trials
        else ()
    )
    return Answer(
        sign="=",
        headline=Message(
            "CT = %(ct)s of %(disinfectant)s",
            ct=tell(found.ct_mg_min_per_l, "mg min/L"),
            disinfectant=Message(disinfectant),
        ),
        result=found,
        facts=(
            (
                Message("from"),
                Message("%(strength)s for %(time)s", strength=tell(strength, _MG), time=tell_hours(minutes.value / 60)),
            ),
            *facts,
        ),
        notes=(
            *cited,
            Message("Take the strength at the end of the contact: it is the least there was."),
            Message(
                "Each publication tested its own strength for its own time; that half the strength for "
                "twice the time does the same is an assumption. Life stage, dirt, pH and temperature "
                "change it."
            ),
        ),
    )


def crops(analyte: str, dose: Measured, named: Sequence[str] = ()) -> tuple[Shown, ...]:
    """Return the cautions of a dose by the upper end of its interval; ``named`` are the crops that get it."""
    high = dose.interval[1]
    return crop_cautions(analyte, dose.value if high is None else high, named)


def _ends(number: Measured) -> Message:
    low, high = number.interval
    most = Message("no end known") if high is None else upper_end(high)
    return Message("%(low)s to %(high)s", low=lower_end(low), high=most)
