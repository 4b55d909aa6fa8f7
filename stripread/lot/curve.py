"""The calibration curve: a path in CIELAB along which the concentration grows.

    t(c) = c^h / (c^h + K^h),    lab(c) = B0 + B1 t + ... + Bd t^d

The reacted share t saturates (Hill 1910, J. Physiol. 40, iv-vii; h = 1 is Langmuir's isotherm) and only grows, so the
path is run through once; the polynomial bends it, so a pad may deepen, change hue or both.
"""

from dataclasses import dataclass
from typing import Any, Protocol

import numpy as np

from stripread.geometry import Float

__all__ = [
    "CalibrationCurve",
    "Curve",
    "Scatter",
    "path_lab",
    "path_slope",
    "reacted_share",
    "scatter_about",
    "tangent_by_differences",
]

_FINE = np.concatenate([[0.0], np.geomspace(1e-5, 1.0, 2000)])  # shares of a range along which a path's length is told


def reacted_share(concentration: Float, log_half: Any, log_hill: Any) -> Any:
    """Reacted share t of concentrations (n,), 0 at 0; the logarithms may be complex (for derivatives)."""
    positive = np.maximum(concentration, 1e-300)
    exponent = np.exp(log_hill) * (log_half - np.log(positive))
    share = 1 / (1 + np.exp(np.where(np.real(exponent) > 600, 600, exponent)))
    return np.where(concentration > 0, share, 0.0)


def path_lab(parameters: Any, concentration: Float) -> Any:
    """CIELAB (n, 3) of concentrations (n,). Parameters: log K, log h, then B0, B1 ... in rows of three."""
    share = reacted_share(concentration, parameters[0], parameters[1])
    coefficients = parameters[2:].reshape(-1, 3)
    return np.vander(share, len(coefficients), increasing=True) @ coefficients


def path_slope(parameters: Float, concentration: Float) -> Float:
    """Differentiate ``path_lab`` by its parameters, shape (n, 3, p)."""
    share = np.asarray(reacted_share(concentration, parameters[0], parameters[1]), dtype=np.float64)
    coefficients = parameters[2:].reshape(-1, 3)
    powers = np.vander(share, len(coefficients), increasing=True)
    by_share = (powers[:, :-1] * np.arange(1, len(coefficients))) @ coefficients[1:]
    hill = np.exp(parameters[1])
    # t = 1 / (1 + exp(h (log K - log c))); at c = 0 it stays 0 whatever K and h.
    steep = share * (1 - share) * hill
    slope = np.zeros((len(share), 3, len(parameters)))
    slope[:, :, 0] = -steep[:, None] * by_share
    slope[:, :, 1] = (steep * (np.log(np.maximum(concentration, 1e-300)) - parameters[0]))[:, None] * by_share
    for channel in range(3):
        slope[:, channel, 2 + channel :: 3] = powers
    return slope


@dataclass(frozen=True, slots=True)
class Scatter:
    """Strip-to-strip scatter: relative in the concentration that a strip seems to have, plus a plain one in CIELAB.

    ``degrees_of_freedom`` is that of the pooled replicates.
    """

    relative: float
    colour: float
    degrees_of_freedom: int


class CalibrationCurve(Protocol):
    """What the inversion and the limits ask of a curve; ``Curve`` is the one that lots are calibrated with."""

    @property
    def low(self) -> float:
        """Lowest concentration that the curve speaks of."""

    @property
    def top(self) -> float:
        """Highest concentration that the curve speaks of."""

    @property
    def scatter(self) -> Scatter:
        """Strip-to-strip scatter."""

    def lab(self, concentration: Float) -> Float:
        """CIELAB (n, 3) at concentrations (n,)."""

    def tangent(self, concentration: Float) -> Float:
        """Change of CIELAB (n, 3) per unit of concentration."""

    def covariance_at(self, concentration: Float) -> Float:
        """Covariance (n, 3, 3) of the curve itself."""

    def scatter_at(self, concentration: Float) -> Float:
        """Covariance (n, 3, 3) of one strip's colour about its lot's curve."""

    def grid(self) -> Float:
        """Rising concentrations from low to top."""


def tangent_by_differences(curve: CalibrationCurve, concentration: Float) -> Float:
    """Change of CIELAB (n, 3) per unit of concentration, within the curve's ends."""
    c = np.asarray(concentration, dtype=np.float64)
    step = 1e-4 * (curve.top - curve.low)
    below, above = np.maximum(c - step, curve.low), np.minimum(c + step, curve.top)
    result: Float = (curve.lab(above) - curve.lab(below)) / (above - below)[..., None]
    return result


def scatter_about(curve: CalibrationCurve, concentration: Float) -> Float:
    """Covariance (n, 3, 3) of one strip's colour: a part along the curve, relative in concentration, a plain part."""
    c = np.asarray(concentration, dtype=np.float64)
    along = curve.tangent(c) * c[:, None]
    s = curve.scatter
    result: Float = s.relative**2 * along[:, :, None] * along[:, None, :] + s.colour**2 * np.eye(3)
    return result


@dataclass(frozen=True, slots=True)
class Curve:
    """A fitted path between its lowest and highest calibrator, with the covariance of its parameters.

    Attributes
    ----------
    parameters : ndarray (p,)
    covariance : ndarray (p, p)
    low, top : float
        Lowest and highest calibrator in the fit; the curve says nothing beyond.
    scatter : Scatter
    """

    parameters: Float
    covariance: Float
    low: float
    top: float
    scatter: Scatter

    def lab(self, concentration: Float) -> Float:
        """CIELAB (n, 3) at concentrations (n,)."""
        result: Float = path_lab(self.parameters, np.asarray(concentration, dtype=np.float64))
        return result

    def tangent(self, concentration: Float) -> Float:
        """Change of CIELAB (n, 3) per unit of concentration."""
        return tangent_by_differences(self, concentration)

    def covariance_at(self, concentration: Float) -> Float:
        """Covariance (n, 3, 3) of the curve itself at concentrations (n,)."""
        slope = path_slope(self.parameters, np.asarray(concentration, dtype=np.float64))
        result: Float = slope @ self.covariance @ slope.transpose(0, 2, 1)
        return result

    def scatter_at(self, concentration: Float) -> Float:
        """Covariance (n, 3, 3) of one strip's colour about its lot's curve."""
        return scatter_about(self, concentration)

    def grid(self, count: int = 400) -> Float:
        """Concentrations from low to top, evenly spaced along the path in CIELAB."""
        fine = self.low + (self.top - self.low) * _FINE
        length = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(self.lab(fine), axis=0), axis=1))])
        grid: Float = np.interp(np.linspace(0, length[-1], count), length, fine)
        grid[0], grid[-1] = self.low, self.top
        return np.unique(grid)
