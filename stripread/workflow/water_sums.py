"""Sums of the water work, from what was typed to an answer: the same for the terminal and the page."""

import math
import re
from collections.abc import Sequence

from stripread.errors import QuantityError, WrongUsageError
from stripread.i18n import Message, Number, Shown, Verbatim
from stripread.report import (
    Answer,
    contact_answer,
    decay_answer,
    demand_answer,
    hypochlorous_answer,
    line_answer,
    recipe_answer,
    recipe_check_answer,
    vapour_answer,
    yield_answer,
)
from stripread.units import Dimension, Measured, ParsedInputs, behind_under
from stripread.water import (
    PH_U,
    Disinfectant,
    Outlet,
    Sachet,
    Timed,
    actual_yield,
    along_line,
    check_no_rise,
    check_recipe,
    contact_time,
    cover_prior,
    estimate_demand,
    fit_loss,
    forecast,
    hypochlorous,
    recipe_strength,
    vapour_over,
)

__all__ = [
    "contact_sum",
    "decay_sum",
    "demand_sum",
    "dose_read",
    "hocl_sum",
    "line_sum",
    "recipe_sum",
    "vapour_sum",
    "yield_sum",
]


def _strength_or_bound(typed: ParsedInputs, text: str, *, name: Shown, positive: bool = True) -> Measured:
    """Return a strength that was read; of a bound, which goes on as one, its interval is all that is meant."""
    if (limit := behind_under(text)) is None:
        return typed.measured(text, "strength", name=name, positive=positive)
    top = typed.exact(limit, "strength", name=name)
    return Measured(top / 2, top / math.sqrt(12), (0.0, top))


def yield_sum(
    typed: ParsedInputs, sachet: Sachet, *, sachets: int, water: Measured, hours: float, reading: Measured,
    temperature: Measured | None,
) -> Answer:  # fmt: skip
    """Tell by a reading what a sachet gave."""
    found = actual_yield(
        sachet, water_l=water, hours=hours, reading_mg_per_l=reading, sachets=sachets, temperature_c=temperature
    )
    return yield_answer(found, sachet, reading=reading, hours=hours, system=typed.system)


def recipe_sum(typed: ParsedInputs, concentrate: Measured, *, add: str, water: str, reading: str | None) -> Answer:
    """Tell what a recipe must give by mass balance; with a reading, whether both can be right."""
    added = typed.measured(add, "volume", name=Message("the concentrate added"))
    litres = typed.measured(water, "volume", name=Message("the water"), positive=False)
    if reading is None:
        gives = recipe_strength(concentrate_mg_per_l=concentrate, concentrate_l=added, water_l=litres)
        return recipe_answer(gives, concentrate=concentrate, concentrate_l=added, water_l=litres, system=typed.system)
    check = check_recipe(
        concentrate_mg_per_l=concentrate,
        concentrate_l=added,
        water_l=litres,
        reading_mg_per_l=_strength_or_bound(typed, reading, name=Message("the reading")),
        under=behind_under(reading) is not None,
    )
    return recipe_check_answer(check, concentrate=concentrate, concentrate_l=added, water_l=litres, system=typed.system)


def decay_sum(
    typed: ParsedInputs, readings: Sequence[tuple[str, str]], *, cover: str | None, limit: str | None,
    at: str | None, temperature: str | None,
) -> Answer:  # fmt: skip
    """Tell how fast a stock loses strength, by readings at its ages."""
    read = []
    for age, strength in readings:
        aged = typed.exact(age, "time", name=Message("a reading's age"), positive=False)
        read.append(Timed(aged, typed.measured(strength, "strength", name=Message("the reading at %(age)s", age=age))))
    check_no_rise(read)
    if temperature is not None and cover is None:
        raise WrongUsageError(
            expected=Message("how the tank is covered, with its temperature, which changes what a cover lets expect"),
            found=Message("the temperature alone"),
            remedy=Message("Say how the tank is covered, or leave the temperature out."),
        )
    warm = typed.maybe_measured(temperature, "temperature", name=Message("the temperature"))
    fit = fit_loss(read, prior=None if cover is None else cover_prior(cover, warm))
    least = typed.maybe_exact(limit, "strength", name=Message("the limit"))
    hours = None if at is None else typed.exact(at, "time", name=Message("the age asked for"), positive=False)
    return decay_answer(forecast(fit, limit_mg_per_l=least, at=hours), limit=least, at_h=hours)


def dose_read(typed: ParsedInputs, text: str) -> Measured:
    """Return the dose by a reading just after the injector; a bound tells none (`QuantityError`)."""
    if behind_under(text) is not None:
        raise QuantityError(
            expected=Message("a number as the reading at the injector"),
            found=Message("%(text)s, only a bound", text=repr(text)),
            remedy=Message("Read it with a kind of a lower range, or give the stock and the ratio."),
        )
    return typed.measured(text, "strength", name=Message("the reading at the injector"))


def demand_sum(typed: ParsedInputs, dose: Measured, outlets: Sequence[tuple[str, str]]) -> Answer:
    """Tell how much of a dose [mg/L] water and pipes take, by readings of outlets: name and strength."""
    readings = [_strength_or_bound(typed, text, name=Verbatim(name), positive=False) for name, text in outlets]
    found = estimate_demand(dose, readings, under=[behind_under(text) is not None for _, text in outlets])
    return demand_answer(found, dose=dose, names=[name for name, _ in outlets], readings=readings)


def line_sum(typed: ParsedInputs, outlets: Sequence[tuple[str, str, str]]) -> Answer:
    """Tell how strength falls along a line, by its outlets in the order of the water: name, distance, strength."""
    read = [
        Outlet(
            name=name,
            reading_mg_per_l=typed.measured(strength, "strength", name=Verbatim(name), positive=False),
            distance_m=typed.exact(
                distance, "length", name=Message("the distance of %(point)s", point=name), positive=False
            )
            if distance
            else None,
        )
        for name, distance, strength in outlets
    ]
    length = next((_unit_typed(distance, "m") for _, distance, _ in outlets if distance), "m")
    return line_answer(
        along_line(read),
        read,
        length=_unit(length, "length", typed),
        strength=_unit(_unit_typed(outlets[0][2], "mg/L") if outlets else "mg/L", "strength", typed),
    )


def _unit_typed(text: str, usual: str) -> str:
    """Return the unit behind the first number of an amount as it was typed; the usual one where there is none."""
    found = re.search(r"\d[\d.,/ ]*\s*([A-Za-zµ%]+(?:\s*/\s*[A-Za-z]+)?)", text)
    return usual if found is None or found[1].casefold() in ("u", "k", "to") else found[1]


def _unit(name: str, dimension: Dimension, typed: ParsedInputs) -> tuple[str, float]:
    """Return a unit by its name and how many of the unit inside (m, mg/L) it is."""
    return name, ParsedInputs(gallon=typed.gallon).exact(f"1 {name}", dimension, name=Verbatim(name))


def vapour_sum(typed: ParsedInputs, *, strength: str, temperature: str) -> Answer:
    """Warn of the gas over a solution of chlorine dioxide."""
    solution = typed.measured(strength, "strength", name=Message("the solution"))
    warm = typed.measured(temperature, "temperature", name=Message("the temperature"))
    return vapour_answer(vapour_over(solution, warm), strength=solution, temperature=warm)


def hocl_sum(typed: ParsedInputs, *, ph: float, u_ph: float | None, temperature: str, chlorine: str | None) -> Answer:
    """Tell which share of free chlorine is HOCl."""
    warm = typed.measured(temperature, "temperature", name=Message("the temperature"))
    amount = typed.maybe_measured(chlorine, "strength", name=Message("the free chlorine"))
    if u_ph is None:
        typed.assume(
            Message("taken as good to %(u)s (standard uncertainty), as none was given", u=Number(PH_U, "g")),
            Message("the pH"),
        )
    acidity = Measured(ph, PH_U if u_ph is None else u_ph)
    found = hypochlorous(acidity, warm, free_chlorine_mg_per_l=amount)
    return hypochlorous_answer(found, ph=acidity, temperature=warm)


def contact_sum(typed: ParsedInputs, *, strength: str, time: str, disinfectant: Disinfectant) -> Answer:
    """Give concentration times time, beside what was published."""
    left = typed.measured(strength, "strength", name=Message("the strength"))
    minutes = Measured(60 * typed.exact(time, "time", name=Message("the time")))
    made = contact_time(left, minutes, disinfectant=disinfectant)
    return contact_answer(made, strength=left, minutes=minutes, disinfectant=disinfectant)
