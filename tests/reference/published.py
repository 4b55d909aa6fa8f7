"""Reading the published tables, and laying a published signal on L* so that the product's own inversion reads it."""

import csv
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from stripread.calibrate.fit import Fit, fit_parameters
from stripread.lot import Scatter

DATA = Path(__file__).parent / "data"


def rows(name: str) -> list[dict[str, str]]:
    """The lines of a table in ``data``; its source is in the comment at its head."""
    with (DATA / name).open(encoding="utf-8") as lines:
        return list(csv.DictReader(line for line in lines if not line.startswith("#")))


def columns(name: str) -> list[np.ndarray]:
    """The columns of a table of numbers."""
    return list(np.array([[float(v) for v in row.values()] for row in rows(name)]).T)


def fit_polynomial(x: np.ndarray, y: np.ndarray, start: np.ndarray, weights: np.ndarray | None = None) -> Fit:
    """Fit y = b0 + b1 x + ... with the product's only fit."""
    powers = x[:, None] ** np.arange(len(start))
    return fit_parameters(lambda b: powers @ b, y, np.ones(len(x)) if weights is None else weights, start)


@dataclass(frozen=True)
class SignalOnLightness:
    """A fitted polynomial signal as L*; a* and b* are 0 at every x, with variance 1, so they tell nothing of x.

    It has the members of a ``CalibrationCurve``, so the inversion and the limits take it as they take a lot's curve.

    Attributes
    ----------
    coefficients, covariance : ndarray (p,), (p, p)
    reading_variance : float
        Of one reading, in the place of the strip-to-strip scatter.
    """

    coefficients: np.ndarray
    covariance: np.ndarray
    reading_variance: float
    degrees_of_freedom: int
    low: float
    top: float
    u_stock: float = 0.0

    @property
    def end(self) -> float:
        return self.top

    @property
    def scatter(self) -> Scatter:
        return Scatter(0.0, float(np.sqrt(self.reading_variance)), self.degrees_of_freedom)

    def _powers(self, x: np.ndarray) -> np.ndarray:
        return np.asarray(x, dtype=float)[:, None] ** np.arange(len(self.coefficients))

    def lab(self, x: np.ndarray) -> np.ndarray:
        signal = self._powers(x) @ self.coefficients
        return np.stack([signal, 0 * signal, 0 * signal], axis=-1)

    def tangent(self, x: np.ndarray) -> np.ndarray:
        order = np.arange(1, len(self.coefficients))
        slope = (self._powers(x)[:, :-1] * order) @ self.coefficients[1:]
        return np.stack([slope, 0 * slope, 0 * slope], axis=-1)

    def covariance_at(self, x: np.ndarray) -> np.ndarray:
        powers = self._powers(x)
        variance = np.einsum("ni,ij,nj->n", powers, self.covariance, powers)
        return _on_lightness(variance, across=1.0)

    def scatter_at(self, x: np.ndarray) -> np.ndarray:
        return _on_lightness(np.full(len(x), self.reading_variance), across=0.0)

    def grid(self, *, top: float | None = None) -> np.ndarray:
        return np.linspace(self.low, self.top if top is None else top, 400)


def _on_lightness(variance: np.ndarray, *, across: float) -> np.ndarray:
    covariance = np.zeros((len(variance), 3, 3))
    covariance[:, 0, 0] = variance
    covariance[:, 1, 1] = covariance[:, 2, 2] = across
    return covariance


def signal(y: float) -> np.ndarray:
    """The colour of a signal."""
    return np.array([y, 0.0, 0.0])


NOTHING_ELSE = {"pixels": np.zeros((3, 3))}
"""No cause of uncertainty but the curve's and the reading's own."""
