"""Nonlinear least squares with the covariance of the parameters: every curve of the project is fitted here."""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np

from stripread.geometry import Float

__all__ = ["Fit", "complex_step_jacobian", "fit_parameters"]

_FAR = 1e100  # any residual that a real fit never sees; its square is still finite


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


def fit_parameters(
    predict: Callable[[Float], Float],
    measured: Float,
    weights: Float,
    start: Float,
    *,
    slope: Callable[[Float], Float] | None = None,
    evaluations: int = 5000,
) -> Fit:
    """Fit ``predict(parameters)`` (n,) to ``measured`` (n,) by the Levenberg-Marquardt method.

    Parameters
    ----------
    predict : callable
        Returns shape (n,). Must take complex parameters where no ``slope`` is given.
    weights : ndarray (n,) or (n, n)
        Factors of the residuals (one over their standard deviations), or a matrix that whitens them.
    start : ndarray (p,)
        Starting values; they also scale the parameters.
    slope : callable, optional
        Derivative (n, p) of ``predict``; by a complex step where it is not given.
    evaluations : int
        The search ends after so many, converged or not.

    Raises
    ------
    ValueError
        If the prediction is not finite at the start.
    """
    from scipy.optimize import least_squares

    whiten = np.diag(weights) if weights.ndim == 1 else weights
    scale = np.where(start == 0, 1.0, np.abs(start))
    if not np.isfinite(predict(start)).all():
        raise ValueError("the prediction is not finite at the start")

    def residuals(scaled: Float) -> Float:
        # A trial step may overflow; a residual this large makes the method turn back and take a shorter one.
        with np.errstate(over="ignore", invalid="ignore", divide="ignore"):
            result: Float = whiten @ (predict(scaled * scale) - measured)
        return np.where(np.isfinite(result), result, _FAR)

    def jacobian(scaled: Float) -> Float:
        by = slope(scaled * scale) if slope else complex_step_jacobian(predict, scaled * scale)
        result: Float = whiten @ by * scale
        return result

    result = least_squares(
        residuals, start / scale, jac=jacobian, method="lm" if len(measured) >= len(start) else "trf",
        xtol=1e-15, ftol=1e-15, gtol=1e-15, max_nfev=evaluations,
    )  # fmt: skip
    at_best = jacobian(result.x)
    inverse = np.linalg.pinv(at_best.T @ at_best)
    return Fit(result.x * scale, inverse * np.outer(scale, scale), -result.fun)
