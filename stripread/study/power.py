"""How often a study errs: what its criteria do by chance to honest intervals, and to those that a study should catch.

Errors of one study are not independent: photos of a strip share the strip, strips in one light share what the light
does, and all share the lot's curve. How the stated variance is split is taken from what readings themselves state
(``read --budget`` of the sample ``line-good``: pixels 28 %, strip to strip 24 %, colour correction and light 32 %,
curve 16 %). The mean square of correlated scores is a weighted sum of chi-squares, its weights the eigenvalues of the
correlation (Box 1954, Annals of Mathematical Statistics 25, 290, theorem 2.1; from memory).
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from stripread.geometry import Float
from stripread.study.shape import PlannedStrip, Strength

__all__ = ["NARROW", "SHARES", "Shares", "Spread", "binomial_bounds", "spread_of", "trueness_rates"]

NARROW = 2 / 3  # intervals a third too narrow: what a study must catch
_DRAWS = 40_000
_SEED = 20_260_501
_ONE_SIDED = 1.72  # Student's t, one-sided 95 %, for the 20 degrees of freedom of four strengths with six strips each


@dataclass(frozen=True, slots=True, kw_only=True)
class Shares:
    """How the variance that a reading states is split: its photo's, its strip's, its phone's and light's, its lot's."""

    photo: float
    strip: float
    place: float
    lot: float

    def correlation(self, strip: Sequence[object], place: Sequence[object]) -> Float:
        """Return the correlation (n, n) of scores of photos, by the strip and the place (phone and light) of each."""
        same_strip = np.equal.outer(_numbered(strip), _numbered(strip))
        same_place = np.equal.outer(_numbered(place), _numbered(place))
        made: Float = self.photo * np.eye(len(strip)) + self.strip * same_strip + self.place * same_place + self.lot
        return made


SHARES = Shares(photo=0.28, strip=0.24, place=0.32, lot=0.16)


def _numbered(things: Sequence[object]) -> Float:
    known = {thing: index for index, thing in enumerate(dict.fromkeys(things))}
    return np.array([known[thing] for thing in things], dtype=float)


@dataclass(frozen=True, slots=True, kw_only=True)
class Spread:
    """The distribution of the root mean square of the scores of a design.

    Attributes
    ----------
    draws : ndarray
        Mean squares under honest intervals, sorted.
    """

    draws: Float

    def limit(self, chance: float) -> float:
        """Return what honest intervals exceed with a chance."""
        return math.sqrt(float(np.quantile(self.draws, 1 - chance)))

    def exceeds(self, limit: float, *, narrow: float = 1.0) -> float:
        """Return the chance of exceeding a limit where intervals are ``narrow`` times as wide as they should be."""
        return float(np.mean(self.draws > (limit * narrow) ** 2))


def spread_of(
    strip: Sequence[object], place: Sequence[object], *, shares: Shares = SHARES, draws: int = _DRAWS
) -> Spread:
    """Return the distribution for photos, by the strip and the place of each."""
    weights = np.linalg.eigvalsh(shares.correlation(strip, place)) / len(strip)
    weights = weights[weights > 1e-4 * weights.max()]
    rng = np.random.default_rng(_SEED)
    return Spread(draws=np.sort(rng.chisquare(1, (draws, len(weights))) @ weights))


def binomial_bounds(count: int, chance: float, *, most: float) -> tuple[int, float]:
    """Return the largest number of misses that still passes, and the chance of more, where each has a chance to miss.

    Parameters
    ----------
    chance : float
        Of one miss.
    most : float
        The chance of failing by accident that is allowed.
    """
    from scipy.stats import binom

    for misses in range(count + 1):
        over = float(binom.sf(misses, count, chance))
        if over <= most:
            return misses, over
    return count, 0.0


def trueness_rates(
    strips: Sequence[PlannedStrip],
    strength_of: dict[str, str],
    strengths: Sequence[Strength],
    *,
    limit: float,
    bias: float,
    shares: Shares = SHARES,
) -> tuple[float, float]:
    """Return about how often trueness passes without a bias, and with one.

    Parameters
    ----------
    limit, bias : float
        In logarithms.
    """
    from scipy.stats import norm

    by_name = {one.name: one for one in strengths if one.kind == "strength"}
    rows = [
        (s.code, p.phone, p.light, strength_of[s.code])
        for s in strips
        for p in s.photos
        if strength_of[s.code] in by_name
    ]
    if not rows:
        return 0.0, 0.0
    u = np.array([by_name[row[3]].expected_u for row in rows])
    count = {name: sum(row[3] == name for row in rows) for name in by_name}
    weight = {name: one.expected_u**-2 for name, one in by_name.items() if count[name]}
    total = sum(weight.values())
    part = np.array([weight[row[3]] / total / count[row[3]] for row in rows])
    correlation = shares.correlation([row[0] for row in rows], [row[1:3] for row in rows])
    sd = math.sqrt(float((part * u) @ correlation @ (part * u)))
    own = shares.photo / 4 + shares.strip + shares.place / 2  # what strips of one strength do not share, about
    se = math.sqrt(sum((weight[n] / total * by_name[n].expected_u) ** 2 * own / by_name[n].strips for n in weight))
    reach = limit - _ONE_SIDED * se

    def passes(shift: float) -> float:
        return max(0.0, float(norm.cdf((reach - shift) / sd) - norm.cdf((-reach - shift) / sd)))

    return passes(0.0), passes(bias)
