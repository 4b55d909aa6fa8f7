"""Nonlinear least squares with the covariance of the parameters: every curve of the project is fitted here."""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np

from stripread.geometry import Float

__all__ = ["Fit", "complex_step_jacobian", "fit_parameters"]


@dataclass(frozen=True, slots=True)
class Fit:
    """A least-squares fit.

    Attributes
    ----------
    parameters : ndarray (p,)
    unscaled_covariance : ndarray (p, p)
        Inverse of J'J of the weighted residuals: the covariance if the weights are true.
    residuals : ndarray (n,)
        Weighted, measured minus predicted.
    """

    parameters: Float
    unscaled_covariance: Float
    residuals: Float

    @property
    def degrees_of_freedom(self) -> int:
        """Residuals less parameters."""
        return len(self.residuals) - len(self.parameters)

    @property
    def residual_sum_of_squares(self) -> float:
        """Sum of the squared weighted residuals."""
        return float(self.residuals @ self.residuals)

    @property
    def residual_sd(self) -> float:
        """Standard deviation of the weighted residuals about the fit."""
        return float(np.sqrt(self.residual_sum_of_squares / self.degrees_of_freedom))

    @property
    def covariance(self) -> Float:
        """Covariance of the parameters when the weights are only relative (JCGM 100:2008, H.3.3)."""
        scaled: Float = self.unscaled_covariance * self.residual_sd**2
        return scaled


def complex_step_jacobian(function: Callable[[Float], Float], parameters: Float) -> Float:
    """Differentiate (n, p) a real-analytic ``function`` (p,) -> (n,), exact to rounding.

    Squire and Trapp (1998), SIAM Rev. 40(1):110-112.
    """
    step = 1e-100
    columns = []
    for index in range(len(parameters)):
        moved: Any = parameters.astype(np.complex128)
        moved[index] += 1j * step
        columns.append(np.imag(function(moved)) / step)
    return np.stack(columns, axis=-1)


def fit_parameters(predict: Callable[[Float], Float], measured: Float, weights: Float, start: Float) -> Fit:
    """Fit ``predict(parameters)`` (n,) to ``measured`` (n,).

    Parameters
    ----------
    predict : callable
        Must take complex parameters (it is differentiated by a complex step) and return shape (n,).
    weights : ndarray (n,) or (n, n)
        Factors of the residuals (one over their standard deviations), or a matrix that whitens them.
    start : ndarray (p,)
        Starting values; they also scale the parameters.
    """
    from scipy.optimize import least_squares

    whiten = np.diag(weights) if weights.ndim == 1 else weights
    scale = np.where(start == 0, 1.0, np.abs(start))

    def residuals(scaled: Float) -> Float:
        result: Float = whiten @ (predict(scaled * scale) - measured)
        return result

    def jacobian(scaled: Float) -> Float:
        return complex_step_jacobian(residuals, scaled)

    result = least_squares(
        residuals, start / scale, jac=jacobian, method="lm" if len(measured) >= len(start) else "trf",
        xtol=1e-15, ftol=1e-15, gtol=1e-15, max_nfev=5000,
    )  # fmt: skip
    slope = jacobian(result.x)
    inverse = np.linalg.pinv(slope.T @ slope)
    return Fit(result.x * scale, inverse * np.outer(scale, scale), -result.fun)
