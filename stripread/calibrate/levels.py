"""The levels of a dilution series: the strips of each, and how strips scatter about their level's mean."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from stripread.geometry import Float
from stripread.lot import Calibrator, Curve, Scatter

__all__ = ["LEAST_SCATTER", "U_MODEL", "Level", "level_covariances", "levels_of", "plain_scatter", "pooled_scatter"]

U_MODEL = 0.15  # CIELAB; the curve's form is not the chemistry's, and no level is trusted closer than this
LEAST_SCATTER = 0.05  # CIELAB; no two strips are more alike
_RELATIVE_SCATTER = (np.log(1e-3), np.log(0.5))  # bounds of the logarithm


@dataclass(frozen=True, slots=True)
class Level:
    """One concentration of the series."""

    concentration: float
    u: float  # of the concentration, but for what all levels share
    strips: Float  # (n, 3), CIELAB of each, the mean of its photos
    photos: float  # of a strip, on average
    coding: Float  # (3, 3), covariance that all photos of the level share

    @property
    def mean(self) -> Float:
        """CIELAB (3,) of the level."""
        mean: Float = self.strips.mean(axis=0)
        return mean


def levels_of(calibrators: Sequence[Calibrator], coding: Float) -> list[Level]:
    """Sort calibrators into levels, from the weakest; photos of one strip are averaged first."""
    levels = []
    for concentration in sorted({c.concentration for c in calibrators}):
        here = [c for c in calibrators if c.concentration == concentration]
        names = sorted({c.replicate for c in here})
        strips = np.array([np.mean([c.lab for c in here if c.replicate == name], axis=0) for name in names])
        u = max(c.u_concentration for c in here)
        levels.append(Level(concentration, u, strips, len(here) / len(names), coding))
    return levels


def plain_scatter(levels: Sequence[Level]) -> float:
    """Return the standard deviation of strips about their levels' means, in each of CIELAB's coordinates alike."""
    squares = sum(float(np.sum((v.strips - v.mean) ** 2)) for v in levels)
    degrees = max(sum(len(v.strips) - 1 for v in levels), 1)
    return max(float(np.sqrt(squares / (3 * degrees))), LEAST_SCATTER)


def pooled_scatter(levels: Sequence[Level], curve: Curve, u_pixels: Float) -> Scatter:
    """Split the scatter of replicates into a part that a relative change explains, and a plain part.

    The noise of pixels (``u_pixels``, the covariance in one photo) is each photo's own, no scatter of strips, and taken
    off. Rounding is not: photos of a level may all be rounded alike, and then it never was in the scatter.
    """
    from scipy.optimize import minimize_scalar

    along, reach, noise, across, count = [], [], [], 0.0, 0
    for level in levels:
        n = len(level.strips)
        if n < 2:
            continue
        change = curve.relative_change(np.array([level.concentration]))[0]
        length = float(np.linalg.norm(change))
        unit = change / length if length > 0 else curve.tangent(np.array([level.concentration]))[0]
        unit = unit / max(float(np.linalg.norm(unit)), 1e-300)  # a path that turns here has no direction to lie along
        off = level.strips - level.mean
        inline = off @ unit
        along.append(float(inline @ inline))
        reach.append((length**2, n - 1))
        noise.append(float(unit @ u_pixels @ unit) / level.photos)
        beside = float(np.trace(u_pixels)) / level.photos - noise[-1]
        across += float(np.sum(off**2) - inline @ inline) - (n - 1) * beside
        count += n - 1
    colour = float(np.sqrt(max(across / (2 * count), LEAST_SCATTER**2)))
    squares, spans, freedoms = np.array(along), np.array([r for r, _ in reach]), np.array([n for _, n in reach])

    def surprise(log_relative: float) -> float:
        """-2 log likelihood of the squares along the curve, each a variance times chi-square."""
        variance = np.exp(2 * log_relative) * spans + colour**2 + np.array(noise)
        return float(np.sum(freedoms * np.log(variance) + squares / variance))

    # By likelihood, so that each level counts alike; the sum of squares alone would be that of the strongest level.
    found = minimize_scalar(surprise, bounds=_RELATIVE_SCATTER, method="bounded")
    return Scatter(float(np.exp(found.x)), colour, count)


def level_covariances(levels: Sequence[Level], curve: Curve) -> Float:
    """Covariance (n, 3, 3) of the mean colour of each level about the curve, the curve's own left out."""
    at = np.array([v.concentration for v in levels])
    strips = np.array([len(v.strips) for v in levels], dtype=np.float64)[:, None, None]
    moved = curve.tangent(at) * np.array([[v.u] for v in levels])
    coding = np.array([v.coding for v in levels]) + U_MODEL**2 * np.eye(3)
    covariances: Float = curve.scatter_at(at) / strips + moved[:, :, None] * moved[:, None, :] + coding
    return covariances
