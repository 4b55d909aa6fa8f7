"""Batches in words: making concentrate, making and mending stock, and how long it lasts."""

from dataclasses import dataclass, replace

from stripread.check import CAUTION
from stripread.i18n import Joined, Message, Number, Shown, plural
from stripread.report.answer import Answer
from stripread.units import (
    Measured,
    System,
    jug,
    probability_in_words,
    tell,
    tell_hours,
    tell_temperature,
    tell_volume,
    tell_volume_read,
)
from stripread.water import Dilution, Generation, RecipeCheck, Sachet, SachetYield, TopUp, mix, plan

__all__ = [
    "dilution_answer",
    "generation_answer",
    "recipe_answer",
    "recipe_check_answer",
    "top_up_answer",
    "yield_answer",
]

_MG = "mg/L"
ADDED = {"concentrate": Message("concentrate"), "water": Message("water")}
_READY = Message("Open doors and vents, put on the protection that the label names, and keep others away.")
_CLOSE = Message("Cover it at once. Do not stir, shake, splash or pump it round: agitation drives the gas out.")
_DOUBT = 0.05  # chance under which a sachet is called unlike its file; as for recipes


def generation_answer(
    made: Generation, sachet: Sachet, *, water_l: float, hours: float, sachets: int, system: System
) -> Answer:
    """Tell how to generate concentrate, and how strong it will be."""
    one = plural("the sachet", "the %(count)s sachets", count=sachets)
    last = sachet.curve[-1].hours
    return Answer(
        sign="=",
        headline=Message(
            "After %(hours)s expect %(strength_mg_per_l)s of %(analyte)s",
            hours=tell_hours(hours),
            strength_mg_per_l=tell(made.strength_mg_per_l, _MG),
            analyte=sachet.analyte,
        ),
        result=made,
        facts=(
            (
                Message("released by then"),
                Message("%(share)s of what %(one)s can give", share=tell(made.share.scaled(100), "%"), one=one),
            ),
            (
                Message("at the end"),
                Message(
                    "%(final_mg_per_l)s, after %(last)s, if nothing is lost",
                    final_mg_per_l=tell(made.final_mg_per_l, _MG),
                    last=tell_hours(last),
                ),
            ),
        ),
        steps=(
            _READY,
            Message(
                "Put %(water_l)s of water into a clean vessel with a lid.",
                water_l=tell_volume(jug(water_l, system), system),
            ),
            Message("Put %(one)s into the water, as the label says.", one=one),
            _CLOSE,
            Message("Leave it for %(hours)s, cool and out of the light.", hours=tell_hours(hours)),
            Message(
                "Read a strip before you use it, diluted 1 part in 10 where it is over the strip's "
                "range: expect %(strength_mg_per_l)s. Plan the stock with what you read, not with what "
                "was expected.",
                strength_mg_per_l=tell(made.strength_mg_per_l, _MG),
            ),
        ),
        notes=_sachet_notes(sachet, system),
        cautions=(CAUTION,),
    )


def yield_answer(found: SachetYield, sachet: Sachet, *, reading: Measured, hours: float) -> Answer:
    """Tell what a sachet has given, by a reading."""
    unlike = found.difference.probability < _DOUBT
    chance = probability_in_words(found.difference.probability)
    words = Message(
        "by a reading of %(reading)s one sachet gave %(yield_mg)s",
        reading=tell(reading, _MG),
        yield_mg=tell(found.yield_mg.scaled(1e-3), "g"),
    )
    if not unlike:
        headline = Message("AS EXPECTED: %(found)s", found=words)
    elif found.difference.value < 0:
        headline = Message("LESS THAN EXPECTED: %(found)s", found=words)
    else:
        headline = Message("MORE THAN EXPECTED: %(found)s", found=words)
    return Answer(
        sign="▲" if unlike else "✔",
        headline=headline,
        result=found,
        facts=(
            (
                Message("expected"),
                Message(
                    "%(strength_mg_per_l)s after %(hours)s",
                    strength_mg_per_l=tell(found.expected.strength_mg_per_l, _MG),
                    hours=tell_hours(hours),
                ),
            ),
            (Message("share of stated"), tell(found.share_of_stated.scaled(100), "%")),
            (
                Message("chance"),
                Message("%(chance)s of so large a difference if sachet and reading are right", chance=chance),
            ),
        ),
        steps=_WEAK_SACHET if unlike else (),
        notes=_sachet_notes(sachet),
        cautions=(CAUTION,),
    )


_WEAK_SACHET = (
    Message("Read again with a new strip, diluted 1 part in 10 where it is over the strip's range."),
    Message(
        "If it stands, check water volume, time, water temperature, the sachet's date and "
        "whether the vessel was covered."
    ),
    Message("Plan the stock with what you read."),
)


def dilution_answer(
    made: Dilution, *, concentrate: Measured, wanted: float, pour_u: float, system: System, also: str = ""
) -> Answer:
    """Tell how to make a stock, with volumes as a jug shows them."""
    water_l, concentrate_l = jug(made.water_l, system), jug(made.concentrate_l, system)
    rounded = plan(concentrate, concentrate_l, water_l, pour_u)
    strength = tell(rounded.strength_mg_per_l, _MG)
    water = Message("%(water_l)s of water", water_l=tell_volume(water_l, system)) if water_l else Message("No water")
    return Answer(
        sign="=",
        headline=Message(
            "%(water)s, then %(concentrate_l)s of concentrate",
            water=water,
            concentrate_l=tell_volume(concentrate_l, system),
        ),
        result=rounded,
        facts=(
            (Message("gives"), _gives(rounded, wanted, system)),
            (Message("from"), Message("concentrate of %(concentrate)s", concentrate=tell(concentrate, _MG))),
            *(((Message("room"), also),) if also else ()),
        ),
        steps=_mixing(
            (
                Message("Put %(water)s into the empty, rinsed tank. Water comes first.", water=water)
                if water_l
                else Message("Use the empty, rinsed tank. No water is needed: the concentrate has the strength wanted.")
            ),
            Message(
                "Add %(concentrate_l)s of concentrate, slowly and close above the water.",
                concentrate_l=tell_volume(concentrate_l, system),
            ),
            strength,
        ),
        notes=(_poured(pour_u),),
        cautions=(CAUTION,),
    )


def _gives(made: Dilution | TopUp, wanted: float, system: System) -> Message:
    return Message(
        "%(total)s of %(strength)s; wanted %(wanted)s %(unit)s",
        total=tell_volume(made.total_l, system),
        strength=tell(made.strength_mg_per_l, _MG),
        wanted=Number(wanted, ".4g"),
        unit=_MG,
    )


def _poured(pour_u: float) -> Message:
    return Message(
        "Volumes measured out at the tank: taken as good to %(pour_u)s %% (standard uncertainty).",
        pour_u=Number(100 * pour_u, "g"),
    )


def _mixing(first: Shown, second: Shown, strength: Shown) -> tuple[Shown, ...]:
    return (
        _READY,
        first,
        second,
        _CLOSE,
        Message("Read a strip of the stock before the injector draws from it: expect %(strength)s.", strength=strength),
        Message("Write down time, volumes and reading."),
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
        return Answer(sign="✔", headline=Message("Nothing to add: the stock has the strength wanted"), result=made)
    remove_l, add_l = jug(made.remove_l, system), jug(made.add_l, system)
    kept = Measured(stock_l.value - remove_l, stock_l.u + pour_u * remove_l)
    what = concentrate if made.add == "concentrate" and concentrate is not None else Measured(0.0)
    strength = mix((kept, stock), (Measured(add_l, pour_u * add_l), what))
    rounded = replace(made, remove_l=remove_l, add_l=add_l, total_l=kept.value + add_l, strength_mg_per_l=strength)
    low, high = stock.interval
    within = low <= wanted and (high is None or wanted <= high)
    drawn, added = tell_volume(remove_l, system), tell_volume(add_l, system)
    return Answer(
        sign="=",
        headline=(
            Message(
                "Draw off %(amount)s, then add %(added)s of %(what)s",
                amount=drawn,
                added=added,
                what=ADDED[made.add],
            )
            if remove_l
            else Message("Add %(amount)s of %(what)s", amount=added, what=ADDED[made.add])
        ),
        result=rounded,
        facts=(
            (Message("gives"), _gives(rounded, wanted, system)),
            (Message("from"), Message("stock of %(stock)s", stock=tell(stock, _MG))),
            *(
                (
                    (
                        Message("better wait"),
                        Message("The stock's interval holds the wanted strength: read a second strip first."),
                    ),
                )
                if within
                else ()
            ),
        ),
        steps=_mixing(
            (
                Message(
                    "Draw off %(volume)s of stock first, so that the tank can hold it; dispose of it as the label "
                    "says.",
                    volume=drawn,
                )
                if remove_l
                else Message("Check that the tank has room for it.")
            ),
            Message(
                "Add %(add_l)s of %(add)s, slowly and close above the stock.",
                add_l=added,
                add=ADDED[made.add],
            ),
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
        headline=Message("By mass balance this recipe gives %(strength)s", strength=tell(strength, _MG)),
        result=_Recipe(expected_mg_per_l=strength),
        facts=(
            (
                Message("recipe"),
                Message(
                    "%(amount)s of %(what)s",
                    amount=tell_volume(concentrate_l.value, system),
                    what=tell(concentrate, _MG),
                ),
            ),
            (Message("added to"), Message("%(volume)s of water", volume=tell_volume(water_l.value, system))),
            (Message("makes"), tell_volume(concentrate_l.value + water_l.value, system)),
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
    facts: list[tuple[Shown, Shown]] = [
        *bare.facts,
        (Message("must give"), tell(check.expected_mg_per_l, _MG)),
        (Message("reading"), tell(check.reading_mg_per_l, _MG)),
    ]
    probability = check.difference.probability
    if check.finding is None:
        chance = probability_in_words(probability)
        facts.append(
            (Message("chance"), Message("%(chance)s of so large a difference if both are right", chance=chance))
        )
        headline = Message("RECIPE AND READING AGREE")
    else:
        headline = (
            Message("RECIPE AND READING CANNOT BOTH BE RIGHT")
            if probability < 0.01
            else Message("RECIPE AND READING HARDLY AGREE")
        )
        facts.append(
            (
                Message("would agree if"),
                Message(
                    "the concentrate had %(concentrate_needed_mg_per_l)s",
                    concentrate_needed_mg_per_l=tell(check.concentrate_needed_mg_per_l, _MG),
                ),
            )
        )
        if check.water_needed_l is not None and check.water_needed_l.value >= 0:
            facts.append(
                (
                    Message("or if"),
                    Message(
                        "the water was %(water_needed_l)s",
                        water_needed_l=tell_volume_read(check.water_needed_l, system),
                    ),
                )
            )
        if check.made_up_mg_per_l is not None:
            whole = tell_volume(water_l.value, system)
            facts.append(
                (
                    Message("made up to"),
                    Message(
                        "filled up to %(whole)s in all, it would give %(made_up_mg_per_l)s",
                        whole=whole,
                        made_up_mg_per_l=tell(check.made_up_mg_per_l, _MG),
                    ),
                )
            )
    return replace(
        bare,
        sign="▲" if check.finding is not None else "✔",
        headline=headline,
        result=check,
        facts=tuple(facts),
        findings=() if check.finding is None else (check.finding,),
    )


def _sachet_notes(sachet: Sachet, system: System = "metric") -> tuple[Shown, ...]:
    notes: list[Shown] = [Message("Sachet %(name)s: %(source)s.", name=repr(sachet.name), source=sachet.source)]
    if sachet.temperature_c is not None:
        water = tell_temperature(sachet.temperature_c, system)
        notes.append(Message("Its curve holds for water of %(water)s.", water=water))
    if sachet.example:
        notes.append(Message("EXAMPLE FIGURES of no product: name your own sachet's file with --sachet."))
    return (Joined(tuple(notes)),)
