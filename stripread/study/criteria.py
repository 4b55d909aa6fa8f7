"""What a study must show, all of it stated before the data; with each criterion how often it errs by chance.

Some decide: a study passes where all of these do. The others are shown beside them and decide nothing, because two
phones, two sessions and three lights say too little about phones, days and lights as such. The LOD decides nothing as
a study is about numbers, which are reported from the LOQ up; whether it holds is said wherever the verdict is.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from stripread.study.power import Scored, binomial_bounds, trueness_rates
from stripread.study.shape import PlannedStrip, Strength

__all__ = ["POWER", "Aims", "Criterion", "CriterionName", "plan_criteria"]

CriterionName = Literal[
    "trueness", "spread", "coverage", "blanks", "lod", "precision", "line", "places", "eye", "sides",
]  # fmt: skip

BIAS = 0.15  # what a study must catch, beside intervals a third too narrow
_SPREAD_CHANCE = 0.09  # of failing honest intervals; a smaller one would let narrow intervals pass too often
_COUNT_CHANCE = 0.01  # the same, for coverage and LOD, were all strips independent
_BLANK_CHANCE = 0.02  # the same, for blanks: 2 of 10 are enough, where people would take water for dosed water
POWER = 0.8  # least chance of catching what is to be caught, without which a pass is "too few"


@dataclass(frozen=True, slots=True, kw_only=True)
class Aims:
    """What the site asks of its readings; all of it ours where it chose nothing else.

    Attributes
    ----------
    bias : float
        Largest relative mean deviation from the truth.
    precision : float
        Largest relative standard deviation between strips on different days, with different people, phones, lights.
    low, high : float or None
        The range that readings are judged by at the site; None where it has none.
    """

    bias: float = 0.13  # so that a bias of 15 % is caught about as often as honest readings pass
    precision: float = 0.25
    low: float | None = None
    high: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Criterion:
    """One criterion.

    Attributes
    ----------
    decides : bool
        Whether the study fails with it.
    limit : float
        A largest log ratio (trueness, line), rms score (spread), number (coverage: of misses; blanks: of detections;
        lod: of missed ones), relative standard deviation (precision). 0 where it has none.
    by_chance : float or None
        Chance that it fails honest readings.
    catches : float or None
        Chance that it fails those that it is there to catch: a bias of 15 %, or intervals a third too narrow.
    """

    name: CriterionName
    decides: bool
    limit: float
    by_chance: float | None = None
    catches: float | None = None


def plan_criteria(
    strips: Sequence[PlannedStrip], strength_of: Mapping[str, str], strengths: Sequence[Strength], aims: Aims
) -> tuple[Criterion, ...]:
    """Return the criteria of a design, with limits that follow from it."""
    kinds = {one.name: one.kind for one in strengths}
    rows = [(s.code, p.phone, p.light) for s in strips for p in s.photos if kinds[strength_of[s.code]] == "strength"]
    by_name = {one.name: one for one in strengths}
    stated = np.array([by_name[strength_of[code]].expected_u for code, _, _ in rows])
    spread = Scored(strip=[row[0] for row in rows], place=[row[1:] for row in rows], u=stated).spread()
    rms = math.ceil(100 * spread.limit(_SPREAD_CHANCE)) / 100
    count = {kind: sum(kinds[strength_of[s.code]] == kind for s in strips) for kind in ("blank", "lod", "strength")}
    missed, miss_chance = binomial_bounds(len(strips), 0.05, most=_COUNT_CHANCE)
    seen, seen_chance = binomial_bounds(count["blank"], 0.05, most=_BLANK_CHANCE)
    unseen, unseen_chance = binomial_bounds(count["lod"], 0.05, most=_COUNT_CHANCE)
    limit = math.log1p(aims.bias)
    honest, biased = trueness_rates(strips, dict(strength_of), strengths, limit=limit, bias=math.log1p(BIAS))
    return (
        Criterion(name="trueness", decides=True, limit=limit, by_chance=1 - honest, catches=1 - biased),
        Criterion(name="spread", decides=True, limit=rms, by_chance=spread.by_chance(rms),
                  catches=spread.catches(rms)),
        Criterion(name="coverage", decides=True, limit=missed, by_chance=miss_chance),
        Criterion(name="blanks", decides=True, limit=seen, by_chance=seen_chance),
        Criterion(name="lod", decides=False, limit=unseen, by_chance=unseen_chance),
        Criterion(name="precision", decides=False, limit=aims.precision),
        Criterion(name="line", decides=False, limit=limit),
        Criterion(name="places", decides=False, limit=limit),
        Criterion(name="eye", decides=False, limit=0.0),
        Criterion(name="sides", decides=False, limit=0.0),
    )  # fmt: skip
