"""What an injector that is set leaves at the outlets, and how probably that is within its limits, in words."""

import math
from dataclasses import dataclass

from stripread.check import measured_within
from stripread.i18n import ByFace, Joined, Message, Number, Shown, Verbatim
from stripread.report.answer import Answer
from stripread.report.terminal.water_line import CONVENTIONS, crops
from stripread.report.terminal.water_strong import strong
from stripread.units import Measured, probability_in_words, tell
from stripread.water import RATIO_U, Delivery, Ratio, delivered, dose_for

__all__ = ["SUITS", "delivery_answer", "dose_answer"]

SUITS, _SURE = 0.90, 0.95
"""Probability of landing within the limits from which a setting suits, and beyond which it is called too little or too
much. Ours: one setting in ten that is said to suit may not."""
_WORTH = 0.02  # a gain in probability worth a step of its own. Ours
_MG = "mg/L"
Limits = tuple[float, float]


@dataclass(frozen=True, slots=True, kw_only=True)
class _Landing:
    """A delivery, and how probably it lands under, within and over its limits; None where nobody named any."""

    dose_mg_per_l: Measured
    residual_mg_per_l: Measured
    limits_mg_per_l: Limits | None
    probability_within: float | None
    probability_below: float | None
    probability_above: float | None


def delivery_answer(
    ratio: Ratio, *, analyte: str, stock: Measured, demand: Measured, wanted: float, limits: Limits | None
) -> Answer:
    """Tell what an injector that is set gives, and whether that is what is wished for.

    Parameters
    ----------
    wanted : float
        Residual that is aimed at [mg/L].
    limits : (low, high) or None
        Within which a residual is right [mg/L]; without them nothing can be said to suit.
    """
    made = delivered(ratio, stock_mg_per_l=stock, demand_mg_per_l=demand)
    landing = _landing(made, limits)
    sign, verdict = _verdict(landing, wanted)
    needed = dose_for(residual_mg_per_l=Measured(wanted), demand_mg_per_l=demand).scaled(1 / ratio.share)
    facts: list[tuple[Shown, Shown]] = [
        (Message("injector"), Verbatim(str(ratio))),
        (Message("stock"), tell(stock, _MG)),
        (Message("dose"), tell(made.dose_mg_per_l, _MG)),
    ]
    if limits is not None and landing.probability_within is not None:
        facts.append((Message("within limits"), _chance(landing.probability_within, limits)))
    facts.append((Message("would suit"), Message("a stock of %(needed)s", needed=tell(needed, _MG))))
    steps = () if limits is None or sign == "✔" else _raising(ratio, stock, demand, wanted, limits)
    answer = Answer(
        sign=sign,
        headline=verdict,
        result=landing,
        facts=tuple(facts),
        steps=steps,
        notes=(
            CONVENTIONS[ratio.convention],
            Message(
                "The injector is taken to keep its ratio to %(u)s %% (standard uncertainty): common "
                "practice, no source.",
                u=Number(100 * RATIO_U, "g"),
            ),
            Message(
                "A setting is said to suit from a probability of %(suits)s on that it lands within the limits.",
                suits=probability_in_words(SUITS),
            ),
        ),
        cautions=crops(analyte, made.dose_mg_per_l),
    )
    return strong(answer, stock)


def dose_answer(ratio: Ratio, *, analyte: str, stock: Measured | None, limits: Limits) -> Answer:
    """Tell what an injector doses where nobody knows what the water takes of it, or how strong the stock is.

    Parameters
    ----------
    limits : (low, high)
        Within which a residual is right [mg/L].
    """
    low, high = Number(limits[0], "g"), Number(limits[1], "g")
    again = Message("Let the line run and read the outlets before you rely on it.")
    if stock is None:
        return Answer(
            sign="?",
            headline=Message("NOT JUDGED: nothing is known of what it draws from"),
            result=None,
            facts=((Message("injector"), Verbatim(str(ratio))),),
            steps=(Message("Read the stock, and name its batch."), again),
            notes=(CONVENTIONS[ratio.convention],),
            cautions=(),
        )
    dose = delivered(ratio, stock_mg_per_l=stock, demand_mg_per_l=Measured(0.0)).dose_mg_per_l
    facts = (
        (Message("injector"), Verbatim(str(ratio))),
        (Message("stock"), tell(stock, _MG)),
        (Message("dose"), tell(dose, _MG)),
    )
    if measured_within(dose, None, limits[0]) >= _SURE:
        headline = Message(
            "TOO LITTLE: doses %(dose)s, under %(low)s mg/L even if the water takes nothing",
            dose=tell(dose, _MG),
            low=low,
        )
    else:
        headline = Message(
            "NOT SURE: doses %(dose)s; the outlets have %(low)s to %(high)s mg/L only if the water takes %(least)s to "
            "%(most)s mg/L of it",
            dose=tell(dose, _MG),
            low=low,
            high=high,
            least=Number(max(dose.value - limits[1], 0.0), ".2g"),
            most=Number(max(dose.value - limits[0], 0.0), ".2g"),
        )
    measure = ByFace(
        Message("Measure what the water takes: `stripread water demand`."),
        Message("Measure what the water takes: read just after the injector, and at the outlets."),
    )
    answer = Answer(
        sign="▲",
        headline=headline,
        result=dose,
        facts=facts,
        steps=(measure, again),
        notes=(CONVENTIONS[ratio.convention],),
        cautions=crops(analyte, dose),
    )
    return strong(answer, stock)


def _landing(made: Delivery, limits: Limits | None) -> _Landing:
    left = made.residual_mg_per_l
    return _Landing(
        dose_mg_per_l=made.dose_mg_per_l,
        residual_mg_per_l=left,
        limits_mg_per_l=limits,
        probability_within=None if limits is None else measured_within(left, *limits),
        probability_below=None if limits is None else measured_within(left, None, limits[0]),
        probability_above=None if limits is None else measured_within(left, limits[1], None),
    )


def _verdict(landing: _Landing, wanted: float) -> tuple[str, Message]:
    left, aim = tell(landing.residual_mg_per_l, _MG), Joined((Number(wanted, ".3g"), _MG))
    little = Message("TOO LITTLE: leaves %(residual)s, wanted %(wanted)s", residual=left, wanted=aim)
    much = Message("TOO MUCH: leaves %(residual)s, wanted %(wanted)s", residual=left, wanted=aim)
    limits, within = landing.limits_mg_per_l, landing.probability_within
    if limits is None or within is None:
        low, high = landing.residual_mg_per_l.interval
        if high is not None and wanted > high:
            return "▲", little
        if wanted < low:
            return "▲", much
        return "=", Message(
            "Leaves %(residual)s, wanted %(wanted)s; without limits nothing says whether that suits: name --at-least "
            "and --at-most, or a site",
            residual=left,
            wanted=aim,
        )
    if within >= SUITS:
        return "✔", Message(
            "SUITS: leaves %(residual)s, wanted %(wanted)s; %(chance)s",
            residual=left,
            wanted=aim,
            chance=_chance(within, limits),
        )
    if (landing.probability_below or 0.0) >= _SURE:
        return "▲", little
    if (landing.probability_above or 0.0) >= _SURE:
        return "▲", much
    return "▲", Message(
        "MAY NOT SUIT: leaves %(residual)s, wanted %(wanted)s; %(chance)s",
        residual=left,
        wanted=aim,
        chance=_chance(within, limits),
    )


def _chance(probability: float, limits: Limits) -> Message:
    low, high, chance = Number(limits[0], "g"), Number(limits[1], "g"), probability_in_words(probability)
    if math.isinf(limits[1]):
        return Message("%(low)s mg/L or more with a probability of %(chance)s", low=low, chance=chance)
    return Message(
        "within %(low)s to %(high)s mg/L with a probability of %(chance)s", low=low, high=high, chance=chance
    )


def _raising(ratio: Ratio, stock: Measured, demand: Measured, wanted: float, limits: Limits) -> tuple[Shown, ...]:
    """Return what would make it more probable that the residual is within its limits, what helps most first."""

    def chance(setting: Ratio, strength: Measured, taken: Measured) -> float:
        made = delivered(setting, stock_mg_per_l=strength, demand_mg_per_l=taken)
        return measured_within(made.residual_mg_per_l, *limits)

    now = chance(ratio, stock, demand)
    ways: list[tuple[float, Shown]] = []
    parts = stock.value / (wanted + demand.value) if wanted + demand.value > 0 else 0.0
    n = round(parts if ratio.convention == "in" else parts - 1)
    if n >= 2:
        other = Ratio(float(n), ratio.convention)
        gain = chance(other, stock, demand)
        ways.append((gain, _way(Message("Set the injector to 1:%(n)s", n=n), gain)))
    gain = chance(ratio, Measured(stock.value), demand)
    again = Message("Read the stock again, two or three strips together: if it stands and were known exactly")
    ways.append((gain, _way(again, gain)))
    gain = chance(ratio, stock, Measured(demand.value))
    measure = ByFace(
        Message("Measure the demand (`stripread water demand`): if it stands and were known exactly"),
        Message("Measure the demand: if it stands and were known exactly"),
    )
    ways.append((gain, _way(measure, gain)))
    better = [words for gain, words in sorted(ways, key=lambda way: -way[0]) if gain > now + _WORTH]
    last = Message("Let the line run and read the outlets before you rely on it.")
    return (*better, last)


def _way(what: Shown, chance: float) -> Message:
    return Message(
        "%(what)s, it would be within the limits with a probability of %(chance)s.",
        what=what,
        chance=probability_in_words(chance),
    )
