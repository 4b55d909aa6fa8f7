"""Making concentrate from a sachet: the strength to be expected, and the yield that a reading shows."""

from dataclasses import dataclass
from itertools import pairwise

from stripread.errors import WaterError
from stripread.i18n import Message, Number
from stripread.units import Difference, Measured, difference, propagate
from stripread.water.sachet import Sachet

__all__ = ["Generation", "SachetYield", "actual_yield", "expected_generation", "share_released", "water_for"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Generation:
    """What a sachet gives, left in water for some time.

    Attributes
    ----------
    share : Measured
        Of the sachet's yield that is in the water by then, 0 to 1.
    strength_mg_per_l : Measured
        Of the concentrate, if nothing is lost to the air.
    final_mg_per_l : Measured
        At the end of the sachet's curve.
    """

    share: Measured
    strength_mg_per_l: Measured
    final_mg_per_l: Measured


@dataclass(frozen=True, slots=True, kw_only=True)
class SachetYield:
    """What a reading of the concentrate says that a sachet gave.

    Attributes
    ----------
    yield_mg : Measured
        Of one sachet, by the end of its curve.
    share_of_stated : Measured
        Of the yield that its file states.
    expected : Generation
    difference : Difference
        Reading minus expected strength [mg/L].
    """

    yield_mg: Measured
    share_of_stated: Measured
    expected: Generation
    difference: Difference


def share_released(sachet: Sachet, hours: float) -> Measured:
    """Return which share of a sachet's yield is in the water, on straight lines between the points of its curve.

    Raises
    ------
    WaterError
        After the curve's end: what comes then is loss of strength, not generation.
    """
    curve = sachet.curve
    if hours > curve[-1].hours:
        raise WaterError(
            expected=Message(
                "a time within the curve of sachet %(name)s, which ends at %(hours)s h",
                name=repr(sachet.name),
                hours=Number(curve[-1].hours, "g"),
            ),
            found=Message("%(hours)s h", hours=Number(hours, "g")),
            remedy=Message("Take the strength at its end, and count the loss from there with `stripread water decay`."),
        )
    for left, right in pairwise(curve):
        if hours <= right.hours:
            part = (hours - left.hours) / (right.hours - left.hours)
            share = left.share + part * (right.share - left.share)
            u = left.u_share + part * (right.u_share - left.u_share)
            return Measured(share, u, ceiling=1.0)
    raise ValueError(f"a time of {hours} h")  # a curve starts at 0 and has two points or more


def expected_generation(sachet: Sachet, *, water_l: Measured, hours: float, sachets: int = 1) -> Generation:
    """Return the strength to be expected: yield times the share released, over the volume of water.

    Several sachets are taken to be off to the same side, as sachets of one box may be.
    """
    share = share_released(sachet, hours)

    def strength(mass: float, released: float, litres: float) -> float:
        return sachets * mass * released / litres

    last = sachet.curve[-1]
    return Generation(
        share=share,
        strength_mg_per_l=propagate(strength, sachet.yield_mg, share, water_l),
        final_mg_per_l=propagate(strength, sachet.yield_mg, Measured(last.share, last.u_share), water_l),
    )


def actual_yield(
    sachet: Sachet, *, water_l: Measured, hours: float, reading_mg_per_l: Measured, sachets: int = 1
) -> SachetYield:
    """Return what one sachet gave, by a reading of its concentrate.

    Raises
    ------
    WaterError
        At a time when nothing is released yet.
    """
    expected = expected_generation(sachet, water_l=water_l, hours=hours, sachets=sachets)
    if expected.share.value <= 0:
        raise WaterError(
            expected=Message("a reading at a time when the sachet has released something"),
            found=Message("%(hours)s h, when its curve stands at 0", hours=Number(hours, "g")),
            remedy=Message("Wait, and read again."),
        )
    mass = propagate(
        lambda reading, released, litres: reading * litres / released / sachets,
        reading_mg_per_l,
        expected.share,
        water_l,
    )
    return SachetYield(
        yield_mg=mass,
        share_of_stated=mass.scaled(1 / sachet.yield_mg.value),
        expected=expected,
        difference=difference(expected.strength_mg_per_l, reading_mg_per_l),
    )


def water_for(sachet: Sachet, *, wanted_mg_per_l: float, hours: float, sachets: int = 1) -> Measured:
    """Return the volume of water [L] that sachets bring to a wanted strength in some time (`WaterError`)."""
    share = share_released(sachet, hours)
    if share.value <= 0:
        raise WaterError(
            expected=Message("a time over 0"),
            found=Message("%(hours)s h", hours=Number(hours, "g")),
            remedy=Message("Give the sachet time."),
        )
    return propagate(lambda mass, released: sachets * mass * released / wanted_mg_per_l, sachet.yield_mg, share)
