"""Injector, line and air in words."""

from collections.abc import Sequence
from dataclasses import dataclass

from stripread.check.verdict import CAUTION
from stripread.report.answer import Answer
from stripread.units import Measured, System, two_digits
from stripread.units.amounts import tell, tell_flow, tell_hours
from stripread.water.chlorine import Hypochlorous
from stripread.water.contact import Contact
from stripread.water.crops import crop_cautions
from stripread.water.injection import RATIO_U, Convention, Delivery, Demand, Injection, Ratio
from stripread.water.line import LineLoss
from stripread.water.vapour import EXPLOSIVE_GAS_PPM, GAS_DENSITY_TO_AIR, Vapour

__all__ = [
    "contact_answer",
    "delivery_answer",
    "demand_answer",
    "hypochlorous_answer",
    "injection_answer",
    "line_answer",
    "stock_answer",
    "vapour_answer",
]

_MG = "mg/L"
_POUND_MG = 453_592.37
CONVENTIONS: dict[Convention, str] = {
    "in": "1:N read as 1 part of stock in N parts of what comes out (final = stock / N).",
    "to": "1:N read as 1 part of stock to N parts of water (final = stock / (N + 1)).",
}
_LAST_OUTLET = (
    "Let the line run until fresh water has come through, then read a strip at the outlet that is farthest away, and "
    "at the first one."
)


def injection_answer(made: Injection, *, analyte: str, stock: Measured, system: System) -> Answer:
    """Tell how to set an injector or pump for a stock."""
    facts = [
        ("dose", f"{tell(made.dose_mg_per_l, _MG)} (residual + demand)"),
        ("share", f"{tell(made.share.scaled(100), '%')} of what comes out"),
        ("1 part in N", f"1:{made.n_in.value:.4g} (95 %: {_ends(made.n_in)}), N parts come out in all"),
        ("1 part to N", f"1:{made.n_to.value:.4g} (95 %: {_ends(made.n_to)}), N parts of water"),
    ]
    if made.pump_l_per_h is not None:
        facts.append(("pump", tell_flow(made.pump_l_per_h, system)))
    if made.feed_mg_per_h is not None:
        pounds = "" if system == "metric" else f"; {made.feed_mg_per_h.value * 24 / _POUND_MG:.3g} lb/day"
        facts.append(("feed", f"{tell(made.feed_mg_per_h.scaled(1e-3), 'g/h')}{pounds}"))
    setting = f"1:{made.n_in.value:.3g} (1 part in N), which is {100 * made.share.value:.3g} %"
    pump = "" if made.pump_l_per_h is None else f", or the pump to {tell_flow(made.pump_l_per_h, system)}"
    return Answer(
        sign="=",
        headline=f"Set the injector to {setting}",
        result=made,
        facts=tuple(facts),
        steps=(
            f"Read a strip of the stock: this plan takes it as {tell(stock, _MG)}. Plan again if it is not.",
            "Look in the injector's manual which 1:N it means: 1 part in N of what comes out, or 1 part to N of water.",
            f"Set it to {setting}{pump}.",
            _LAST_OUTLET,
            "If the far outlet is off, read a second strip there before you change the setting.",
        ),
        cautions=(CAUTION, *_crops(analyte, made.dose_mg_per_l)),
    )


def stock_answer(stock: Measured, ratio: Ratio, *, analyte: str, dose: Measured) -> Answer:
    """Tell which stock suits an injector with a fixed ratio."""
    return Answer(
        sign="=",
        headline=f"The injector's ratio asks for a stock of {tell(stock, _MG)}",
        result=_Stock(stock_mg_per_l=stock, dose_mg_per_l=dose, share=ratio.share),
        facts=(("injector", str(ratio)), ("dose", f"{tell(dose, _MG)} (residual + demand)")),
        steps=(
            f"Make a stock of {stock.value:.3g} mg/L: `stripread water dilute` gives the volumes.",
            f"Check the injector's setting: {ratio}.",
            _LAST_OUTLET,
        ),
        notes=(CONVENTIONS[ratio.convention],),
        cautions=(CAUTION, *_crops(analyte, dose)),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class _Stock:
    stock_mg_per_l: Measured
    dose_mg_per_l: Measured
    share: float


def delivery_answer(
    made: Delivery,
    ratio: Ratio,
    *,
    analyte: str,
    stock: Measured,
    wanted_residual: float | None,
    needed: Measured | None,
) -> Answer:
    """Tell what an injector that is set gives, and whether that is what is wished for."""
    low, high = made.residual_mg_per_l.interval
    sign, verdict = "=", f"Leaves {tell(made.residual_mg_per_l, _MG)} at the outlets"
    if wanted_residual is not None and high is not None and not low <= wanted_residual <= high:
        side = "TOO LITTLE" if wanted_residual > high else "TOO MUCH"
        sign, verdict = "▲", f"{side}: leaves {tell(made.residual_mg_per_l, _MG)}, wanted {wanted_residual:.3g} {_MG}"
    elif wanted_residual is not None:
        sign, verdict = "✔", f"SUITS: leaves {tell(made.residual_mg_per_l, _MG)}, wanted {wanted_residual:.3g} {_MG}"
    facts = [
        ("injector", str(ratio)),
        ("stock", tell(stock, _MG)),
        ("dose", tell(made.dose_mg_per_l, _MG)),
    ]
    if needed is not None:
        facts.append(("would suit", f"a stock of {tell(needed, _MG)}"))
    return Answer(
        sign=sign,
        headline=verdict,
        result=made,
        facts=tuple(facts),
        notes=(
            CONVENTIONS[ratio.convention],
            f"The injector is taken to keep its ratio to {100 * RATIO_U:g} % (standard uncertainty): common practice, "
            "no source.",
        ),
        cautions=(CAUTION, *_crops(analyte, made.dose_mg_per_l)),
    )


def demand_answer(found: Demand, *, dose: Measured, names: Sequence[str], readings: Sequence[Measured]) -> Answer:
    """Tell how much of the dose the water takes on its way to each outlet."""
    facts = [("dose", tell(dose, _MG))]
    for name, reading, one in zip(names, readings, found.per_outlet_mg_per_l, strict=True):
        facts.append((name, f"reads {tell(reading, _MG)}; takes {tell(one, _MG)}"))
    facts.append(("mean demand", tell(found.mean_mg_per_l, _MG)))
    above = [name for name, gap in zip(names, found.above_dose, strict=True) if gap is not None]
    largest = found.per_outlet_mg_per_l[found.largest]
    if above:
        headline = f"CANNOT BE: {', '.join(above)} read{'s' if len(above) == 1 else ''} more than the dose"
    else:
        headline = f"Demand up to {tell(largest, _MG)}, at {names[found.largest]}"
    steps = (
        (
            "Check stock and injector: read a strip of the stock, and look at the setting and which 1:N it means.",
            f"Read {', '.join(above)} again with a new strip of the right kind.",
        )
        if above
        else (
            f"Plan the dose with the largest demand, {max(largest.value, 0):.3g} mg/L, so that no outlet falls short: "
            "`stripread water inject`.",
        )
    )
    return Answer(sign="▲" if above else "=", headline=headline, result=found, facts=tuple(facts), steps=steps)


def line_answer(found: LineLoss) -> Answer:
    """Tell how strength falls from outlet to outlet."""
    facts = []
    for step in found.steps:
        lost = f"{tell(step.left.scaled(100), '%')} left; {step.seen}"
        facts.append((f"{step.first} to {step.second}", lost))
    if found.fit is not None:
        facts.append(("halves in", tell(found.fit.half_life, "m")))
    rises = [step for step in found.steps if step.seen == "rises"]
    falls = [step for step in found.steps if step.seen == "falls"]
    if rises:
        headline = f"CANNOT BE LOSS: rises from {rises[0].first} to {rises[0].second}"
    elif falls:
        worst = min(falls, key=lambda step: step.left.value)
        headline = f"Falls most from {worst.first} to {worst.second}: {tell(worst.left.scaled(100), '%')} left"
    else:
        headline = "No difference between neighbours beyond what the readings' uncertainties allow"
    steps = ("Let the line run and read both outlets again, a new strip each.",) if rises else ()
    return Answer(sign="▲" if rises else "=", headline=headline, result=found, facts=tuple(facts), steps=steps)


def vapour_answer(found: Vapour, *, strength: Measured, temperature: Measured) -> Answer:
    """Tell what may gather in still air over a solution: a caution, and never a clearance."""
    facts = [
        ("solution", f"{tell(strength, _MG)} at {tell(temperature, 'C')}"),
        ("in still air", f"{tell(found.air_ppm, 'ppm')} by volume; {tell(found.air_mg_per_m3, 'mg/m3')}"),
    ]
    for (limit, times), (_, reaches) in zip(found.times_limit, found.reaches_limit_mg_per_l, strict=True):
        facts.append(
            (
                f"{limit.name} {limit.ppm:g} ppm",
                f"{two_digits(times.value)} times; reached over {two_digits(reaches)} mg/L already "
                f"({limit.meaning}; {limit.source})",
            )
        )
    cautions = [
        "This is what may gather in a closed headspace, by calculation. It is NOT A CLEARANCE: no number here says "
        "that air is fit to breathe. Only an instrument where you breathe tells that.",
        f"The gas is {GAS_DENSITY_TO_AIR:g} times as heavy as air and gathers low: in tanks, pits and corners. "
        "Ventilate along the floor, do not lean over an open vessel or into it, do not agitate or warm it, keep it "
        "covered.",
        "Where the air cannot be kept under the limits by ventilation, a respirator approved for chlorine dioxide is "
        "needed, chosen and fitted under a respiratory protection programme. At IDLH, or where nobody knows how "
        "much: leave, and stay out.",
        "The product's label, local codes and licensed practice come before anything said here.",
    ]
    if found.explosive:
        cautions.insert(
            0,
            f"EXPLOSION: gas over about {EXPLOSIVE_GAS_PPM / 10_000:g} % of the air, or solution over about 1 %, can "
            "explode. Do not make or keep so strong a solution.",
        )
    worst = [limit.name for limit, times in found.times_limit if times.value >= 1]
    headline = f"Still air over it may hold about {two_digits(found.air_ppm.value)} ppm"
    return Answer(
        sign="▲",
        headline=f"{headline}: over {', '.join(worst)}" if worst else f"{headline}; no clearance all the same",
        result=found,
        facts=tuple(facts),
        notes=(
            "Henry's law at equilibrium, 101.325 kPa; constant from Sander's compilation (2015), good to 5 %.",
            "Chlorine dioxide in dilute water; salts, acid and splashing change it.",
        ),
        cautions=tuple(cautions),
    )


def hypochlorous_answer(found: Hypochlorous, *, ph: Measured, temperature: Measured) -> Answer:
    """Tell how much of free chlorine is hypochlorous acid."""
    facts = [
        ("water", f"pH {tell(ph, '')} at {tell(temperature, 'C')}"),
        ("pKa", f"{found.pka:.2f} (Morris 1966)"),
    ]
    if found.hocl_mg_per_l is not None:
        facts.append(("HOCl", tell(found.hocl_mg_per_l, "mg/L as Cl2")))
    return Answer(
        sign="=",
        headline=f"{tell(found.share.scaled(100), '%')} of the free chlorine is HOCl, the form that disinfects",
        result=found,
        facts=tuple(facts),
        notes=("Of dilute water, without stabiliser (cyanuric acid) and ammonium. Not for chlorine dioxide.",),
    )


def contact_answer(found: Contact, *, strength: Measured, minutes: Measured, disinfectant: str) -> Answer:
    """Tell the product of strength and time, and the published ones beside it."""
    facts = [
        (
            "published",
            f"{row.what}: {row.ct:g} mg min/L ({row.strength_mg_per_l:g} mg/L for {row.minutes:g} min): {state}; "
            f"{row.source}",
        )
        for row, state in found.rows
    ]
    return Answer(
        sign="=",
        headline=f"CT = {tell(found.ct_mg_min_per_l, 'mg min/L')} of {disinfectant}",
        result=found,
        facts=(("from", f"{tell(strength, _MG)} for {tell_hours(minutes.value / 60)}"), *facts),
        notes=(
            "Take the strength at the end of the contact: it is the least there was.",
            "Each publication tested its own strength for its own time; that half the strength for twice the time does "
            "the same is an assumption. Life stage, dirt, pH and temperature change it.",
        ),
    )


def _crops(analyte: str, dose: Measured) -> tuple[str, ...]:
    """Return the cautions of a dose by the upper end of its interval."""
    high = dose.interval[1]
    return crop_cautions(analyte, dose.value if high is None else high)


def _ends(number: Measured) -> str:
    low, high = number.interval
    return f"{low:.3g} to {'no end known' if high is None else f'{high:.3g}'}"
