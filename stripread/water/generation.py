"""Making concentrate from a sachet: the strength to be expected, and the yield that a reading shows."""

import math
import re
from dataclasses import dataclass
from typing import Any

import numpy as np

from stripread.errors import WaterError
from stripread.geometry import Float
from stripread.i18n import Message, Number
from stripread.units import Difference, Measured, difference, propagate
from stripread.water.sachet import Sachet
from stripread.water.warmth import ACTIVATION_KJ_PER_MOL, ANY_SEASON_C, check_liquid, rate_factor

__all__ = [
    "Generation",
    "SachetYield",
    "actual_yield",
    "expected_generation",
    "of_example",
    "sachet_source",
    "share_released",
    "water_for",
]


_INVENTED = " (example figures)"


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
    temperature_c : Measured or None
        Of the water; None where nobody told.
    """

    share: Measured
    strength_mg_per_l: Measured
    final_mg_per_l: Measured
    temperature_c: Measured | None = None


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


def share_released(sachet: Sachet, hours: float, temperature_c: Measured | None = None) -> Measured:
    """Return which share of a sachet's yield is in the water, on straight lines between the points of its curve.

    In water that is not as warm as that of the curve, its hours go by faster or slower (`water.warmth`).

    Parameters
    ----------
    temperature_c : Measured or None
        Of the water; None where nobody told: it may be that of any season.

    Raises
    ------
    WaterError
        After the curve's end: what comes then is loss of strength, not generation.
    """
    warmth = ANY_SEASON_C if temperature_c is None else temperature_c
    check_liquid(warmth)
    own = ANY_SEASON_C if sachet.temperature_c is None else Measured(sachet.temperature_c)
    at, shares, us = (
        np.array([getattr(point, name) for point in sachet.curve]) for name in ("hours", "share", "u_share")
    )
    if hours > at[-1] and hours * rate_factor(warmth.value, own.value, ACTIVATION_KJ_PER_MOL.value) > at[-1]:
        raise WaterError(
            expected=Message(
                "a time within the curve of sachet %(name)s, which ends at %(hours)s h",
                name=repr(sachet.name),
                hours=Number(at[-1], "g"),
            ),
            found=Message("%(hours)s h", hours=Number(hours, "g")),
            remedy=Message("Take the strength at its end, and count the loss from there with `stripread water decay`."),
        )

    def released(warm: Float, curve: Float, activation: Float, off: Float) -> Any:
        passed = hours * rate_factor(warm, curve, activation)
        return np.clip(np.interp(passed, at, shares) + off * np.interp(passed, at, us), 0.0, 1.0)

    if warmth.u == own.u == 0 and warmth.value == own.value:  # as in the file, no rate is needed
        return Measured(float(np.interp(hours, at, shares)), float(np.interp(hours, at, us)), ceiling=1.0)
    off = Measured(0.0, 1.0, floor=-math.inf)
    return propagate(released, warmth, own, ACTIVATION_KJ_PER_MOL, off, ceiling=1.0, curved=True)


def expected_generation(
    sachet: Sachet,
    *,
    water_l: Measured,
    hours: float,
    sachets: int = 1,
    temperature_c: Measured | None = None,
) -> Generation:
    """Return the strength to be expected: yield times the share released, over the volume of water.

    Several sachets are taken to be off to the same side, as sachets of one box may be.

    Parameters
    ----------
    temperature_c : Measured or None
        Of the water; None where nobody told.
    """
    share = share_released(sachet, hours, temperature_c)

    def strength(mass: float, released: float, litres: float) -> float:
        return sachets * mass * released / litres

    last = sachet.curve[-1]
    return Generation(
        share=share,
        strength_mg_per_l=propagate(strength, sachet.yield_mg, share, water_l),
        temperature_c=temperature_c,
        final_mg_per_l=propagate(strength, sachet.yield_mg, Measured(last.share, last.u_share), water_l),
    )


def actual_yield(
    sachet: Sachet,
    *,
    water_l: Measured,
    hours: float,
    reading_mg_per_l: Measured,
    sachets: int = 1,
    temperature_c: Measured | None = None,
) -> SachetYield:
    """Return what one sachet gave, by a reading of its concentrate.

    Raises
    ------
    WaterError
        At a time when nothing is released yet.
    """
    expected = expected_generation(sachet, water_l=water_l, hours=hours, sachets=sachets, temperature_c=temperature_c)
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


def water_for(
    sachet: Sachet,
    *,
    wanted_mg_per_l: float,
    hours: float,
    sachets: int = 1,
    temperature_c: Measured | None = None,
) -> Measured:
    """Return the volume of water [L] that sachets bring to a wanted strength in some time (`WaterError`)."""
    share = share_released(sachet, hours, temperature_c)
    if share.value <= 0:
        raise WaterError(
            expected=Message("a time over 0"),
            found=Message("%(hours)s h", hours=Number(hours, "g")),
            remedy=Message("Give the sachet time."),
        )
    return propagate(lambda mass, released: sachets * mass * released / wanted_mg_per_l, sachet.yield_mg, share)


def sachet_source(sachet: Sachet, *, sachets: int, hours: float, temperature_c: Measured | None = None) -> str:
    """Return how the record says what a concentrate was generated from; `of_example` knows an invented sachet by it."""
    said = f"{sachets} x sachet {sachet.name}{_INVENTED if sachet.example else ''}, {hours:g} h"
    return said if temperature_c is None else f"{said}, {temperature_c.value:.3g} C"


def of_example(source: str | None) -> bool:
    """Return whether a concentrate's source is a sachet of invented figures; before, only its name told."""
    return source is not None and (_INVENTED in source or re.search(r"\bx sachet example,", source) is not None)
