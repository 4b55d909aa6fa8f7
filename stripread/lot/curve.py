"""The calibration curve: a path in CIELAB along which the concentration grows."""

from dataclasses import dataclass
from typing import Protocol

import numpy as np

from stripread.geometry import Float
from stripread.lot.path import POLYNOMIAL, Path

__all__ = ["CalibrationCurve", "Curve", "Scatter", "own_covariances", "scatter_about", "tangent_by_differences"]

_FINE = np.concatenate([[0.0], np.geomspace(1e-5, 1.0, 800)])  # shares of a range along which a path's length is told
# An interval is followed so far over the top calibrator, as a factor. Ours: a reading's half-width at the top is 5 to
# 20 %, and a form that was never held against a colour there is not believed any further.
_CARRIED = 1.5


@dataclass(frozen=True, slots=True)
class Scatter:
    """Strip-to-strip scatter: relative, plus a plain one in CIELAB.

    ``relative`` is that of the amount of dye, of paths that know it, else of the concentration that a strip seems to
    have. ``degrees_of_freedom`` is that of the pooled replicates.
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
    def end(self) -> float:
        """Concentration up to which the end of an interval is followed; no value is stated above the top."""

    @property
    def scatter(self) -> Scatter:
        """Strip-to-strip scatter."""

    @property
    def u_stock(self) -> float:
        """Relative standard uncertainty of the solution that all levels were diluted from."""

    def lab(self, concentration: Float) -> Float:
        """CIELAB (n, 3) at concentrations (n,)."""

    def tangent(self, concentration: Float) -> Float:
        """Change of CIELAB (n, 3) per unit of concentration."""

    def covariance_at(self, concentration: Float) -> Float:
        """Covariance (n, 3, 3) of the curve itself."""

    def scatter_at(self, concentration: Float) -> Float:
        """Covariance (n, 3, 3) of one strip's colour about its lot's curve."""

    def grid(self, *, top: float | None = None) -> Float:
        """Rising concentrations from low to the top, or another."""


def tangent_by_differences(curve: CalibrationCurve, concentration: Float) -> Float:
    """Change of CIELAB (n, 3) per unit of concentration, within the curve's ends."""
    c = np.asarray(concentration, dtype=np.float64)
    step = 1e-4 * (curve.top - curve.low)
    below, above = np.maximum(c - step, curve.low), np.minimum(c + step, curve.end)
    result: Float = (curve.lab(above) - curve.lab(below)) / (above - below)[..., None]
    return result


def own_covariances(curve: CalibrationCurve, concentration: float, *, strips: float = 1) -> dict[str, Float]:
    """Covariances (3, 3) of what the lot itself leaves uncertain in the colour of strips, by cause.

    An error of the stock scales all concentrations alike: one term along the whole curve.
    """
    here = np.array([concentration])
    own = {"curve": curve.covariance_at(here)[0], "strip_to_strip": curve.scatter_at(here)[0] / strips}
    if curve.u_stock:
        along = curve.u_stock * concentration * curve.tangent(here)[0]
        own["stock"] = np.outer(along, along)
    return own


def scatter_about(along: Float, scatter: Scatter) -> Float:
    """Covariance (n, 3, 3) of one strip's colour: relative along the changes (n, 3) per relative step, and plain."""
    result: Float = scatter.relative**2 * along[:, :, None] * along[:, None, :] + scatter.colour**2 * np.eye(3)
    return result


@dataclass(frozen=True, slots=True)
class Curve:
    """A fitted path between its lowest and highest calibrator, with the covariance of its parameters.

    Attributes
    ----------
    parameters : ndarray (p,)
    covariance : ndarray (p, p)
    low, top : float
        Lowest and highest calibrator in the fit; the curve states nothing beyond.
    scatter : Scatter
    path : Path
        Its form.
    u_stock : float
        Relative standard uncertainty of the solution that all levels were diluted from.
    """

    parameters: Float
    covariance: Float
    low: float
    top: float
    scatter: Scatter
    path: Path = POLYNOMIAL
    u_stock: float = 0.0

    @property
    def end(self) -> float:
        """Concentration up to which the end of an interval is followed."""
        return self.low + _CARRIED * (self.top - self.low)

    def lab(self, concentration: Float) -> Float:
        """CIELAB (n, 3) at concentrations (n,)."""
        return self.path.lab(self.parameters, np.asarray(concentration, dtype=np.float64))

    def tangent(self, concentration: Float) -> Float:
        """Change of CIELAB (n, 3) per unit of concentration."""
        return tangent_by_differences(self, concentration)

    def covariance_at(self, concentration: Float) -> Float:
        """Covariance (n, 3, 3) of the curve itself at concentrations (n,), but for its stock's."""
        slope = self.path.slope(self.parameters, np.asarray(concentration, dtype=np.float64))
        result: Float = slope @ self.covariance @ slope.transpose(0, 2, 1)
        return result

    def relative_change(self, concentration: Float) -> Float:
        """Change of CIELAB (n, 3) along which the relative part of the scatter lies.

        A scale without a zero, such as pH, has no amount that grows with it.
        """
        c = np.asarray(concentration, dtype=np.float64)
        by_amount = self.path.by_amount(self.parameters, c) if self.low == 0 else None
        return self.tangent(c) * c[:, None] if by_amount is None else by_amount

    def scatter_at(self, concentration: Float) -> Float:
        """Covariance (n, 3, 3) of one strip's colour about its lot's curve."""
        return scatter_about(self.relative_change(concentration), self.scatter)

    def grid(self, count: int = 400, *, top: float | None = None) -> Float:
        """Concentrations from low to the top (or another), evenly spaced along the path in CIELAB."""
        top = self.top if top is None else top
        fine = self.low + (top - self.low) * _FINE
        length = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(self.lab(fine), axis=0), axis=1))])
        grid: Float = np.interp(np.linspace(0, length[-1], count), length, fine)
        grid[0], grid[-1] = self.low, top
        return np.unique(grid)
