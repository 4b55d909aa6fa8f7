"""A recipe held against a reading, to tell whether both can be right."""

from dataclasses import dataclass

from stripread.findings import Finding, make_finding
from stripread.i18n import Message, Number
from stripread.units import Difference, Measured, difference, lower_end, probability_in_words, propagate, upper_end
from stripread.water.dilution import mix

__all__ = ["RecipeCheck", "check_recipe", "recipe_finding", "recipe_range_finding", "recipe_strength"]

DOUBT, REFUSE = 0.05, 0.01
"""Chances under which recipe and reading are called doubtful, and not both right. Ours: good ones are called doubtful
one time in twenty, as the 95 % interval of a reading misses, and wrong one time in a hundred, as replicates are."""


@dataclass(frozen=True, slots=True, kw_only=True)
class RecipeCheck:
    """A recipe and a reading of what was made by it.

    Attributes
    ----------
    expected_mg_per_l : Measured
        By mass balance.
    reading_mg_per_l : Measured
    difference : Difference
        Reading minus expected [mg/L], with z and the probability of one as large if both are right.
    concentrate_needed_mg_per_l, water_needed_l : Measured or None
        What concentrate, or what volume of water, would give the reading; None where no water would.
    made_up_mg_per_l : Measured or None
        What the recipe gives if the concentrate was made up *to* the second volume and not added to it; None where
        that is the smaller one.
    finding : Finding or None
        ``recipe_mismatch`` where both can hardly be right.
    under : bool
        The reading was only a bound from above: what would give it is the most concentrate, and the least water.
    """

    expected_mg_per_l: Measured
    reading_mg_per_l: Measured
    difference: Difference
    concentrate_needed_mg_per_l: Measured
    water_needed_l: Measured | None
    made_up_mg_per_l: Measured | None
    finding: Finding | None
    under: bool = False


def recipe_strength(*, concentrate_mg_per_l: Measured, concentrate_l: Measured, water_l: Measured) -> Measured:
    """Return what concentrate added to water must give: C V / (V + V_water)."""
    return mix((concentrate_l, concentrate_mg_per_l), (water_l, Measured(0.0)))


def check_recipe(
    *,
    concentrate_mg_per_l: Measured,
    concentrate_l: Measured,
    water_l: Measured,
    reading_mg_per_l: Measured,
    under: bool = False,
) -> RecipeCheck:
    """Hold a reading against the strength that the recipe must give.

    Parameters
    ----------
    under : bool
        The upper end of the reading's interval is all that is known of it. Then what would give the reading is a bound
        as well: the most that the concentrate can have had, the least that the water can have been.
    """
    expected = recipe_strength(concentrate_mg_per_l=concentrate_mg_per_l, concentrate_l=concentrate_l, water_l=water_l)
    read = Measured(reading_mg_per_l.interval[1] or reading_mg_per_l.value) if under else reading_mg_per_l
    needed = propagate(lambda c, v, w: c * (v + w) / v, read, concentrate_l, water_l)
    water = None
    if 0 < read.value <= concentrate_mg_per_l.value:
        water = propagate(lambda s, v, c: v * s / c - v, concentrate_mg_per_l, concentrate_l, read)
    made_up = None
    if water_l.value > concentrate_l.value:
        made_up = propagate(lambda s, v, w: s * v / w, concentrate_mg_per_l, concentrate_l, water_l)
    return RecipeCheck(
        expected_mg_per_l=expected,
        reading_mg_per_l=reading_mg_per_l,
        difference=_apart(expected, read, under),
        concentrate_needed_mg_per_l=needed,
        water_needed_l=water,
        made_up_mg_per_l=made_up,
        finding=recipe_finding(expected, read, under=under),
        under=under,
    )


def _apart(expected: Measured, reading: Measured, under: bool) -> Difference:
    """Return reading minus expected; of a bound how far, to one side alone, what is expected lies over it."""
    apart = difference(expected, reading)
    if not under:
        return apart
    lower = apart.probability / 2 if apart.value < 0 else 1 - apart.probability / 2
    return Difference(min(apart.value, 0.0), apart.u, apart.z, lower)


def recipe_finding(expected: Measured, reading: Measured, *, under: bool = False) -> Finding | None:
    """Return ``recipe_mismatch`` where what a recipe gives and what was read can hardly both be right [mg/L].

    ``under``: the reading is only a bound, and its value the bound.
    """
    apart = _apart(expected, reading, under)
    if apart.probability >= DOUBT:
        return None
    chance = probability_in_words(apart.probability)
    score = (
        chance if apart.z is None else Message("%(chance)s; z = %(apart)s", chance=chance, apart=Number(apart.z, ".1f"))
    )
    stronger = apart.value > 0
    # Three sentences, each whole, as a translation needs them.
    gives = (
        Message(
            "By mass balance the recipe gives %(expected)s mg/L; the reading is under %(reading)s mg/L, at least "
            "%(apart)s mg/L less.",
            expected=Number(expected.value, ".3g"),
            reading=Number(reading.value, ".3g"),
            apart=Number(abs(apart.value), ".3g"),
        )
        if under
        else Message(
            "By mass balance the recipe gives %(expected)s mg/L; the reading of %(reading)s mg/L is "
            "%(apart)s mg/L more.",
            expected=Number(expected.value, ".3g"),
            reading=Number(reading.value, ".3g"),
            apart=Number(abs(apart.value), ".3g"),
        )
        if stronger
        else Message(
            "By mass balance the recipe gives %(expected)s mg/L; the reading of %(reading)s mg/L is "
            "%(apart)s mg/L less.",
            expected=Number(expected.value, ".3g"),
            reading=Number(reading.value, ".3g"),
            apart=Number(abs(apart.value), ".3g"),
        )
    )
    agree = (
        Message("They cannot both be right: the chance of so large a difference is %(score)s.", score=score)
        if apart.probability < REFUSE
        else Message("They hardly agree: the chance of so large a difference is %(score)s.", score=score)
    )
    lost = (
        Message("Stock cannot be stronger than what was put in.")
        if stronger
        else Message("Strength may have been lost since it was mixed.")
    )
    return make_finding(
        "recipe_mismatch", Message("%(expected)s %(chance)s %(cause)s", expected=gives, chance=agree, cause=lost)
    )


def recipe_range_finding(strength: Measured, *, low: float, high: float) -> Finding | None:
    """Return ``recipe_off_range`` where what a recipe gives lies outside ``low`` to ``high`` with its interval [mg/L].

    It needs no reading of what was mixed: a wrong recipe shows before anything is poured.
    """
    least, most = strength.interval
    if least is None or most is None or (most >= low and least <= high):
        return None
    weak = most < low
    return make_finding(
        "recipe_off_range",
        (
            Message(
                "By mass balance the recipe gives %(strength)s mg/L (%(least)s to %(most)s, 95 %%), which "
                "is under the %(low)s to %(high)s mg/L that are expected.",
                strength=Number(strength.value, ".3g"),
                least=lower_end(least),
                most=upper_end(most),
                low=Number(low, "g"),
                high=Number(high, "g"),
            )
            if weak
            else Message(
                "By mass balance the recipe gives %(strength)s mg/L (%(least)s to %(most)s, 95 %%), which "
                "is over the %(low)s to %(high)s mg/L that are expected.",
                strength=Number(strength.value, ".3g"),
                least=lower_end(least),
                most=upper_end(most),
                low=Number(low, "g"),
                high=Number(high, "g"),
            )
        ),
    )
