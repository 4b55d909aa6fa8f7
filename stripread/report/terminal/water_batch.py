"""Batches in words: making concentrate, making and mending stock, and how long it lasts."""

from dataclasses import dataclass, replace

from stripread.check.verdict import CAUTION
from stripread.report.answer import Answer
from stripread.units import Measured, System, probability_in_words
from stripread.units.amounts import jug, tell, tell_hours, tell_temperature, tell_volume, tell_volume_read
from stripread.water.dilution import Dilution, TopUp, mix, plan
from stripread.water.generation import Generation, SachetYield
from stripread.water.recipe import RecipeCheck
from stripread.water.sachet import Sachet

__all__ = ["dilution_answer", "generation_answer", "recipe_answer", "top_up_answer"]

_MG = "mg/L"
_READY = "Open doors and vents, put on the protection that the label names, and keep others away."
_CLOSE = "Cover it at once. Do not stir, shake, splash or pump it round: agitation drives the gas out."
_DOUBT = 0.05  # chance under which a sachet is called unlike its file; as for recipes


def generation_answer(
    made: Generation, sachet: Sachet, *, water_l: float, hours: float, sachets: int, system: System
) -> Answer:
    """Tell how to generate concentrate, and how strong it will be."""
    one = "the sachet" if sachets == 1 else f"the {sachets} sachets"
    last = sachet.curve[-1].hours
    return Answer(
        sign="=",
        headline=f"After {tell_hours(hours)} expect {tell(made.strength_mg_per_l, _MG)} of {sachet.analyte}",
        result=made,
        facts=(
            ("released by then", f"{tell(made.share.scaled(100), '%')} of what {one} can give"),
            ("at the end", f"{tell(made.final_mg_per_l, _MG)}, after {tell_hours(last)}, if nothing is lost"),
        ),
        steps=(
            _READY,
            f"Put {tell_volume(jug(water_l, system), system)} of water into a clean vessel with a lid.",
            f"Put {one} into the water, as the label says.",
            _CLOSE,
            f"Leave it for {tell_hours(hours)}, cool and out of the light.",
            f"Read a strip before you use it, diluted by a known factor where it is over the strip's range: expect "
            f"{tell(made.strength_mg_per_l, _MG)}. Plan the stock with what you read, not with what was expected.",
        ),
        notes=_sachet_notes(sachet, system),
        cautions=(CAUTION,),
    )


def yield_answer(found: SachetYield, sachet: Sachet, *, reading: Measured, hours: float) -> Answer:
    """Tell what a sachet has given, by a reading."""
    unlike = found.difference.probability < _DOUBT
    chance = probability_in_words(found.difference.probability)
    side = "less" if found.difference.value < 0 else "more"
    words = f"by a reading of {tell(reading, _MG)} one sachet gave {tell(found.yield_mg.scaled(1e-3), 'g')}"
    return Answer(
        sign="▲" if unlike else "✔",
        headline=(f"{side.upper()} THAN EXPECTED: " if unlike else "AS EXPECTED: ") + words,
        result=found,
        facts=(
            ("expected", f"{tell(found.expected.strength_mg_per_l, _MG)} after {tell_hours(hours)}"),
            ("share of stated", tell(found.share_of_stated.scaled(100), "%")),
            ("chance", f"{chance} of so large a difference if sachet and reading are right"),
        ),
        steps=_WEAK_SACHET if unlike else (),
        notes=_sachet_notes(sachet),
        cautions=(CAUTION,),
    )


_WEAK_SACHET = (
    "Read again with a new strip, diluted by a known factor where it is over the strip's range.",
    "If it stands, check water volume, time, water temperature, the sachet's date and whether the vessel was covered.",
    "Plan the stock with what you read.",
)


def dilution_answer(
    made: Dilution, *, concentrate: Measured, wanted: float, pour_u: float, system: System, also: str = ""
) -> Answer:
    """Tell how to make a stock, with volumes as a jug shows them."""
    water_l, concentrate_l = jug(made.water_l, system), jug(made.concentrate_l, system)
    rounded = plan(concentrate, concentrate_l, water_l, pour_u)
    strength = tell(rounded.strength_mg_per_l, _MG)
    water = f"{tell_volume(water_l, system)} of water" if water_l else "No water"
    return Answer(
        sign="=",
        headline=f"{water}, then {tell_volume(concentrate_l, system)} of concentrate",
        result=rounded,
        facts=(
            ("gives", f"{tell_volume(rounded.total_l, system)} of {strength}; wanted {wanted:.4g} {_MG}"),
            ("from", f"concentrate of {tell(concentrate, _MG)}"),
            *((("room", also),) if also else ()),
        ),
        steps=_mixing(
            f"Put {water} into the empty, rinsed tank. Water comes first."
            if water_l
            else "Use the empty, rinsed tank. No water is needed: the concentrate has the strength wanted.",
            f"Add {tell_volume(concentrate_l, system)} of concentrate, slowly and close above the water.",
            strength,
        ),
        notes=(_poured(pour_u),),
        cautions=(CAUTION,),
    )


def _poured(pour_u: float) -> str:
    return f"Volumes measured out at the tank: taken as good to {100 * pour_u:g} % (standard uncertainty)."


def _mixing(first: str, second: str, strength: str) -> tuple[str, ...]:
    return (
        _READY,
        first,
        second,
        _CLOSE,
        f"Read a strip of the stock before the injector draws from it: expect {strength}.",
        "Write down time, volumes and reading.",
    )


def top_up_answer(
    made: TopUp,
    *,
    stock: Measured,
    stock_l: Measured,
    concentrate: Measured | None,
    wanted: float,
    pour_u: float,
    system: System,
) -> Answer:
    """Tell how to bring a stock to strength, with volumes as a jug shows them."""
    if made.add == "nothing":
        return Answer(sign="✔", headline="Nothing to add: the stock has the strength wanted", result=made)
    remove_l, add_l = jug(made.remove_l, system), jug(made.add_l, system)
    kept = Measured(stock_l.value - remove_l, stock_l.u + pour_u * remove_l)
    added = concentrate if made.add == "concentrate" and concentrate is not None else Measured(0.0)
    strength = mix((kept, stock), (Measured(add_l, pour_u * add_l), added))
    rounded = replace(made, remove_l=remove_l, add_l=add_l, total_l=kept.value + add_l, strength_mg_per_l=strength)
    low, high = stock.interval
    within = low <= wanted and (high is None or wanted <= high)
    draw = f"Draw off {tell_volume(remove_l, system)} of stock first, so that the tank can hold it" if remove_l else ""
    return Answer(
        sign="=",
        headline=(f"Draw off {tell_volume(remove_l, system)}, then add " if remove_l else "Add ")
        + f"{tell_volume(add_l, system)} of {made.add}",
        result=rounded,
        facts=(
            ("gives", f"{tell_volume(rounded.total_l, system)} of {tell(strength, _MG)}; wanted {wanted:.4g} {_MG}"),
            ("from", f"stock of {tell(stock, _MG)}"),
            *(
                (("better wait", "The stock's interval holds the wanted strength: read a second strip first."),)
                if within
                else ()
            ),
        ),
        steps=_mixing(
            f"{draw}; dispose of it as the label says." if draw else "Check that the tank has room for it.",
            f"Add {tell_volume(add_l, system)} of {made.add}, slowly and close above the stock.",
            tell(strength, _MG),
        ),
        notes=(_poured(pour_u),),
        cautions=(CAUTION,),
    )


def recipe_answer(
    strength: Measured, *, concentrate: Measured, concentrate_l: Measured, water_l: Measured, system: System
) -> Answer:
    """Tell what strength a recipe must give."""
    return Answer(
        sign="=",
        headline=f"By mass balance this recipe gives {tell(strength, _MG)}",
        result=_Recipe(expected_mg_per_l=strength),
        facts=(
            ("recipe", f"{tell_volume(concentrate_l.value, system)} of {tell(concentrate, _MG)}"),
            ("added to", f"{tell_volume(water_l.value, system)} of water"),
            ("makes", tell_volume(concentrate_l.value + water_l.value, system)),
        ),
        cautions=(CAUTION,),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class _Recipe:
    expected_mg_per_l: Measured


def recipe_check_answer(
    check: RecipeCheck, *, concentrate: Measured, concentrate_l: Measured, water_l: Measured, system: System
) -> Answer:
    """Tell whether a recipe and a reading can both be right, and if not, what would make them agree."""
    bare = recipe_answer(
        check.expected_mg_per_l,
        concentrate=concentrate,
        concentrate_l=concentrate_l,
        water_l=water_l,
        system=system,
    )
    facts = [
        *bare.facts,
        ("must give", tell(check.expected_mg_per_l, _MG)),
        ("reading", tell(check.reading_mg_per_l, _MG)),
    ]
    probability = check.difference.probability
    if check.finding is None:
        chance = probability_in_words(probability)
        facts.append(("chance", f"{chance} of so large a difference if both are right"))
        headline = "RECIPE AND READING AGREE"
    else:
        headline = "RECIPE AND READING " + ("CANNOT BOTH BE RIGHT" if probability < 0.01 else "HARDLY AGREE")
        facts.append(("would agree if", f"the concentrate had {tell(check.concentrate_needed_mg_per_l, _MG)}"))
        if check.water_needed_l is not None and check.water_needed_l.value >= 0:
            facts.append(("or if", f"the water was {tell_volume_read(check.water_needed_l, system)}"))
        if check.made_up_mg_per_l is not None:
            whole = tell_volume(water_l.value, system)
            facts.append(
                ("made up to", f"filled up to {whole} in all, it would give {tell(check.made_up_mg_per_l, _MG)}")
            )
    return replace(
        bare,
        sign="▲" if check.finding is not None else "✔",
        headline=headline,
        result=check,
        facts=tuple(facts),
        findings=() if check.finding is None else (check.finding,),
    )


def _sachet_notes(sachet: Sachet, system: System = "metric") -> tuple[str, ...]:
    where = f"Sachet {sachet.name!r}: {sachet.source}."
    warm_c = sachet.temperature_c
    warm = "" if warm_c is None else f" Its curve holds for water of {tell_temperature(warm_c, system)}."
    example = " EXAMPLE FIGURES of no product: name your own sachet's file with --sachet." if sachet.example else ""
    return (where + warm + example,)
