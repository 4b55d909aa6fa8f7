"""Plan a dilution series: what to take of a standard and of water for each level, and how certain each level then is.

Mass balance as in `stripread.water.dilution`: volumes add, nothing gasses off on the way. Volumes are in mL whatever
units people chose: flasks, pipettes and cylinders are marked in them everywhere.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from stripread.calibrate.refuse import LEAST_LEVELS, LEAST_REPLICATED
from stripread.errors import SeriesError
from stripread.i18n import Message, Number
from stripread.units import Measured
from stripread.water import mix

__all__ = ["DilutionPlan", "Solution", "enough_to_fit", "plan_dilutions", "usual_levels"]

# Ours. The lowest near the LOQ, which earns numbers down to there (`calibrate/pad.py`): the shipped kinds' LOQs are
# 0.01 to 0.03 of their range. From there about threefold, as the colours of a pad change most in the weak part; the top
# lies over the range, as nothing is stated beyond the strongest level. Seven, as docs/how-to/calibrate-a-lot.md.
_SHARES = (0.0, 0.015, 0.05, 0.15, 0.4, 0.8, 1.25)
_STEP = 10.0  # an intermediate solution is one part in ten of what it is made from
_MOST_STEPS = 4
_DIGITS = 3  # of a volume that is to be measured out


@dataclass(frozen=True, slots=True, kw_only=True)
class Solution:
    """One solution of the plan.

    Attributes
    ----------
    name : str
        D1, D2, ... of intermediate solutions; of a level its concentration.
    take_ml, water_ml : float
        What to measure out. 0 of the one for the blank.
    source : str
        What to take from: "standard", or the name of an intermediate solution. "" for the blank.
    strength : Measured
        What it then has, by the volumes as they are rounded; in the unit of the standard.
    beyond : bool
        Far above the range: kept to warn of bleaching, not in the fit.
    """

    name: str
    take_ml: float
    water_ml: float
    source: str
    strength: Measured
    beyond: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class DilutionPlan:
    """Intermediate solutions in the order in which they are made, and the levels from the weakest to the strongest."""

    intermediates: tuple[Solution, ...]
    levels: tuple[Solution, ...]

    @property
    def standard_ml(self) -> float:
        """Standard that the whole plan takes."""
        return sum(one.take_ml for one in (*self.intermediates, *self.levels) if one.source == "standard")


def usual_levels(high: float) -> tuple[float, ...]:
    """Return seven levels for a range from 0 to ``high``, the blank among them and the top over the range."""
    return tuple(_rounded(share * high, 2) for share in _SHARES)


def plan_dilutions(
    levels: Sequence[float],
    *,
    standard: Measured,
    total_ml: float,
    pour_u: float,
    least_ml: float,
    beyond: Sequence[float] = (),
) -> DilutionPlan:
    """Return what to measure out for each level.

    The standard is taken as it is where the volume can be measured out; for weaker levels it is diluted one in ten, and
    again, until it can. Volumes are rounded to three digits, and the strengths are those of the rounded volumes.

    Parameters
    ----------
    levels, beyond : sequence of float
        Wanted concentrations, 0 or more, in the unit of the standard; ``beyond`` those far above the range.
    total_ml : float
        Volume of each level.
    pour_u : float
        Relative standard uncertainty of measuring out a volume.
    least_ml : float
        Smallest volume that can be measured out as well as that.

    Raises
    ------
    SeriesError
        If a level is stronger than the standard, or so weak that four dilutions do not reach it.

    References
    ----------
    .. [1] For c = C v / (v + w): u(c)^2 / c^2 = u(C)^2 / C^2 + (w / (v + w))^2 (r(v)^2 + r(w)^2), with r the relative
       uncertainties of the volumes (the law of propagation of JCGM 100:2008). What levels share, the
       standard's uncertainty above all, stands in each of them.
    """
    if not standard.value > 0 or not total_ml > least_ml > 0:
        raise SeriesError(
            expected=Message(
                "a standard stronger than 0, and a volume larger than the smallest that can be measured out"
            ),
            found=Message(
                "%(standard)s, %(total_ml)s mL and %(least_ml)s mL",
                standard=Number(standard.value, "g"),
                total_ml=Number(total_ml, "g"),
                least_ml=Number(least_ml, "g"),
            ),
            remedy=Message("Correct these numbers."),
        )
    wanted = sorted({(float(c), False) for c in levels} | {(float(c), True) for c in beyond})
    made: list[tuple[float, bool, int, float]] = []
    for c, far in wanted:
        if not (math.isfinite(c) and 0 <= c <= standard.value):
            raise SeriesError(
                expected=Message("levels from 0 to the %(top)s of the standard", top=Number(standard.value, "g")),
                found=Number(c, "g"),
                remedy=Message("Take a stronger standard, or leave this level out."),
            )
        step, volume = _draw(c, standard.value, total_ml, least_ml)
        made.append((c, far, step, volume))
    steps = max((step for _, _, step, _ in made), default=0)
    sources, intermediates = [standard], []
    for step in range(1, steps + 1):
        own = sum(volume for _, _, at, volume in made if at == step)
        volume = total_ml * max(math.ceil(own / total_ml + (1 / _STEP if step < steps else 0)), 1)
        take, water = _rounded(volume / _STEP, _DIGITS), _rounded(volume * (1 - 1 / _STEP), _DIGITS)
        strength = _strength(take, water, sources[-1], pour_u)
        source = "standard" if step == 1 else f"D{step - 1}"
        intermediates.append(Solution(name=f"D{step}", take_ml=take, water_ml=water, source=source, strength=strength))
        sources.append(strength)
    solutions = []
    for c, far, step, volume in made:
        take = _rounded(volume, _DIGITS)
        water = _rounded(total_ml - take, _DIGITS + 1) if take < total_ml else 0.0
        solutions.append(
            Solution(
                name=f"{c:g}",
                take_ml=take,
                water_ml=water,
                source="" if c == 0 else "standard" if step == 0 else f"D{step}",
                strength=_strength(take, water, sources[step], pour_u),
                beyond=far,
            )
        )
    return DilutionPlan(intermediates=tuple(intermediates), levels=tuple(solutions))


def _draw(wanted: float, standard: float, total_ml: float, least_ml: float) -> tuple[int, float]:
    """Return how often the standard is diluted before, and the volume [mL] taken then."""
    if wanted == 0:
        return 0, 0.0
    for step in range(_MOST_STEPS + 1):
        volume = total_ml * wanted * _STEP**step / standard
        if volume >= least_ml and (step == 0 or volume <= total_ml):
            return step, volume
    raise SeriesError(
        expected=Message("a level that %(most)s dilutions of one in ten reach", most=_MOST_STEPS),
        found=Message(
            "%(wanted)s from a standard of %(standard)s, where %(least_ml)s mL is the least to measure out",
            wanted=Number(wanted, "g"),
            standard=Number(standard, "g"),
            least_ml=Number(least_ml, "g"),
        ),
        remedy=Message("Take a weaker standard, a larger volume for each level, or glass that measures less."),
    )


def _strength(take_ml: float, water_ml: float, source: Measured, pour_u: float) -> Measured:
    if take_ml == 0:
        return Measured(0.0)
    return mix((Measured(take_ml, pour_u * take_ml), source), (Measured(water_ml, pour_u * water_ml), Measured(0.0)))


def _rounded(value: float, digits: int) -> float:
    return float(f"{value:.{digits}g}")


def enough_to_fit(strips: Mapping[float, int], *, blank: bool = True) -> bool:
    """Tell whether a series is long enough to be fitted.

    Parameters
    ----------
    strips : mapping of float to int
        How many strips were photographed at each level within the range.
    blank : bool
        Whether the scale has a zero, and so a blank must be there.
    """
    there = {level: count for level, count in strips.items() if count > 0}
    replicated = sum(count >= 2 for count in there.values())
    return len(there) >= LEAST_LEVELS and (0.0 in there or not blank) and replicated >= LEAST_REPLICATED
