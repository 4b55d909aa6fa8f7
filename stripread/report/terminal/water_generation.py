"""Concentrate from sachets in words: how to make it, and what a sachet gave by a reading."""

from stripread.i18n import ByFace, Joined, Message, Shown, plural
from stripread.report.answer import Answer
from stripread.report.terminal.water_batch import CLOSE, READY
from stripread.report.terminal.water_strong import strong
from stripread.units import Measured, System, jug, probability_in_words, tell, tell_hours, tell_temperature, tell_volume
from stripread.water import ANY_SEASON_C, Generation, Sachet, SachetYield

__all__ = ["EXAMPLE_FIGURES", "generation_answer", "yield_answer"]

_MG = "mg/L"
_DOUBT = 0.05  # chance under which a sachet is called unlike its file; as for recipes
EXAMPLE_FIGURES = ByFace(
    Message(
        "EXAMPLE FIGURES: these are of an invented sachet and of no product. Name your own sachet's file with --sachet."
    ),
    Message("EXAMPLE FIGURES: these are of an invented sachet and of no product. Choose your own sachet."),
)


def generation_answer(
    made: Generation, sachet: Sachet, *, water_l: float, hours: float, sachets: int, system: System
) -> Answer:
    """Tell how to generate concentrate, and how strong it will be."""
    one = plural("the sachet", "the %(count)s sachets", count=sachets)
    last = sachet.curve[-1].hours
    answer = Answer(
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
            READY,
            Message(
                "Put %(water_l)s of water into a clean vessel with a lid.",
                water_l=tell_volume(jug(water_l, system), system),
            ),
            Message("Put %(one)s into the water, as the label says.", one=one),
            CLOSE,
            Message("Leave it for %(hours)s, cool and out of the light.", hours=tell_hours(hours)),
            Message(
                "Read a strip before you use it, diluted 1 part in 10 where it is over the strip's "
                "range: expect %(strength_mg_per_l)s. Plan the stock with what you read, not with what "
                "was expected.",
                strength_mg_per_l=tell(made.strength_mg_per_l, _MG),
            ),
        ),
        notes=_sachet_notes(sachet, made.temperature_c, system),
        cautions=_invented(sachet),
    )
    return strong(answer, made.strength_mg_per_l, made.final_mg_per_l, temperature_c=made.temperature_c)


def yield_answer(
    found: SachetYield, sachet: Sachet, *, reading: Measured, hours: float, system: System = "metric"
) -> Answer:
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
    answer = Answer(
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
        notes=_sachet_notes(sachet, found.expected.temperature_c, system),
        cautions=_invented(sachet),
    )
    return strong(answer, reading, temperature_c=found.expected.temperature_c)


_WEAK_SACHET = (
    Message("Read again with a new strip, diluted 1 part in 10 where it is over the strip's range."),
    Message(
        "If it stands, check water volume, time, water temperature, the sachet's date and "
        "whether the vessel was covered."
    ),
    Message("Plan the stock with what you read."),
)


def _sachet_notes(sachet: Sachet, warmth: Measured | None, system: System) -> tuple[Shown, ...]:
    told: list[Shown] = [Message("Sachet %(name)s: %(source)s.", name=repr(sachet.name), source=sachet.source)]
    if sachet.temperature_c is not None:
        water = tell_temperature(sachet.temperature_c, system)
        told.append(Message("Its curve holds for water of %(water)s.", water=water))
    else:
        told.append(Message("Its file does not say for which temperature its curve holds."))
    low, high = (tell_temperature(round(end), system) for end in ANY_SEASON_C.interval if end is not None)
    taken = Message(
        "The water's temperature was not told: taken as that of any season, %(low)s to %(high)s (95 %%).",
        low=low,
        high=high,
    )
    better = ByFace(
        Message("Measured, it makes the answer better: --temperature."),
        Message("Measured, it makes the answer better."),
    )
    rate = (
        Joined((taken, better))
        if warmth is None
        else Message(
            "Taken for water of %(water)s; a rate is taken to double with 10 C, give or take a factor of 1.3 (ours).",
            water=tell_temperature(warmth.value, system),
        )
    )
    return (Joined(tuple(told)), rate)


def _invented(sachet: Sachet) -> tuple[Shown, ...]:
    return (EXAMPLE_FIGURES,) if sachet.example else ()
