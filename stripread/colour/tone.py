"""The phone's tone curve undone and uneven light divided out, both from the neutral patches in one linear fit.

A neutral patch of reflectance R at place x shows the code value v = T(L(x) R), where T is the phone's tone curve and L
the light. With G(v) the logarithm of the inverse of T and Q a quadratic surface for log L,

    G(v) - Q(x) = log R,

which is linear in the spline coefficients of G and in those of Q. Each channel is fitted on its own, so that light that
changes colour over the card is followed as well. Weak priors (a smooth curve near the nominal one, light that falls
off by tens of per cent) keep the fit defined on cards with few grey steps.
"""

from dataclasses import dataclass

import numpy as np

from stripread.geometry import Float

__all__ = ["LOWEST", "ToneAndLight", "fit_tone_and_light", "spread_code", "tone_spline"]

_KNOTS = 7  # spline intervals over the code values seen; tone curves bend over tenths of the range
LOWEST = 2e-4  # linear light below which a channel is noise; keeps the logarithm finite
# Priors as standard deviations, chosen on the simulator's seen phones and lights: curvature of G between neighbouring
# coefficients, and the log-light's linear and quadratic terms over half a card.
_U_CURVATURE, _U_LINEAR, _U_QUADRATIC = 0.10, 0.30, 0.12
_U_NEUTRAL = 0.004  # scatter of a patch mean about the model, relative
_U_DARK = 0.0008  # flare and noise that a patch carries whatever its reflectance, of full scale


def spread_code(linear: Float) -> Float:
    """Spread linear light about evenly, as phones' codes do."""
    code: Float = np.maximum(linear, LOWEST) ** (1 / 2.4)
    return code


def _surface(places: Float) -> Float:
    x, y = places[:, 0], places[:, 1]
    return np.stack([x, y, x * x, x * y, y * y], axis=1)


@dataclass(frozen=True, slots=True)
class ToneAndLight:
    """The fit: spline coefficients of G and terms of Q a channel, and how well the neutrals agree.

    Attributes
    ----------
    low, high : ndarray (3,)
        Code values between which G was seen; beyond, it goes on straight.
    curve : ndarray (3, _KNOTS + 3)
    surface : ndarray (3, 5)
        Terms x, y, x^2, xy, y^2 of log L over places scaled to -1..1 on the card.
    centre, half_size : ndarray (2,)
        The scaling of places. [mm]
    residual : ndarray (n, 3)
        log R measured minus expected, of the neutral patches in their order.
    scatter : float
        Standard deviation of the residuals of a bright neutral patch: relative, all channels together.
    """

    low: Float
    high: Float
    curve: Float
    surface: Float
    centre: Float
    half_size: Float
    residual: Float
    scatter: float

    def scaled(self, places_mm: Float) -> Float:
        """Places on the card, scaled to -1..1."""
        result: Float = (np.asarray(places_mm) - self.centre) / self.half_size
        return result

    def light(self, places_mm: Float) -> Float:
        """Light at places (n, 2) relative to the card's centre, shape (n, 3)."""
        result: Float = np.exp(_surface(self.scaled(places_mm)) @ self.surface.T)
        return result

    def undo(self, linear: Float, places_mm: Float) -> Float:
        """Relative scene light (n, 3) of decoded values (n, 3) at places (n, 2), the uneven light divided out."""
        log_light = self._log_light(linear)
        result: Float = np.exp(log_light) / self.light(places_mm)
        return result

    def slope(self, linear: Float) -> Float:
        """Differentiate log scene light by log decoded value, shape (n, 3)."""
        step = 1e-3
        result: Float = (self._log_light(linear * (1 + step)) - self._log_light(linear * (1 - step))) / (2 * step)
        return result

    def _log_light(self, linear: Float) -> Float:
        channels = zip(spread_code(linear).T, self.curve, self.low, self.high, strict=True)
        return np.stack([tone_spline(curve, low, high, code) for code, curve, low, high in channels], axis=1)


def tone_spline(coefficients: Float, low: float, high: float, code: Float) -> Float:
    """Cubic B-spline with coefficients (_KNOTS + 3, ...) at codes (n,); straight beyond low and high."""
    from scipy.interpolate import BSpline

    knots = low + (high - low) / _KNOTS * np.arange(-3, _KNOTS + 4)
    spline = BSpline.construct_fast(knots, coefficients, 3)
    inside = np.clip(code, low, high)
    value: Float = spline(inside)
    beyond = code - inside
    for end, outside in ((low, beyond < 0), (high, beyond > 0)):
        if outside.any():
            value[outside] += np.multiply.outer(beyond[outside], spline(end, nu=1))
    return value


def fit_tone_and_light(
    linear: Float, places_mm: Float, reflectance: Float, *, code_range: Float, card_size_mm: tuple[float, float]
) -> ToneAndLight:
    """Fit tone curve and light on neutral patches.

    Parameters
    ----------
    linear : ndarray (n, 3)
        Mean decoded value of each neutral patch, 0 to 1.
    places_mm : ndarray (n, 2)
        Their centres on the card. [mm]
    reflectance : ndarray (n, 3)
        Their expected linear RGB, 1 for the perfect reflector.
    code_range : ndarray (2, 3)
        Smallest and largest decoded value of anything that will be undone.
    card_size_mm : tuple
        Width and height of the card. [mm]
    """
    size = np.array(card_size_mm)
    centre, half = size / 2, size / 2
    surface = _surface((places_mm - centre) / half)
    count = _KNOTS + 3
    curves, surfaces, residuals = np.empty((3, count)), np.empty((3, 5)), np.empty_like(linear)
    weighted = np.empty_like(linear)
    low, high = np.empty(3), np.empty(3)
    target = np.log(np.maximum(reflectance, LOWEST))
    nominal_slope = 2.4  # G of an ideal decode is 2.4 log(code)
    curvature = np.diff(np.eye(count), 2, axis=0)
    for c in range(3):
        codes = spread_code(linear[:, c])
        low[c], high[c] = spread_code(code_range[0, c]), spread_code(code_range[1, c]) + 1e-6
        if high[c] - low[c] < 0.05:  # a blank sheet: one code value has no curve
            low[c], high[c] = low[c] - 0.05, high[c] + 0.05
        basis = tone_spline(np.eye(count), low[c], high[c], codes)
        # Departure from the nominal curve is what is fitted, so that the priors pull towards it.
        grid = low[c] + (high[c] - low[c]) / _KNOTS * (np.arange(count) - 1)
        nominal = nominal_slope * np.log(np.maximum(grid, 0.02))
        weight = 1 / np.hypot(_U_NEUTRAL, _U_DARK / np.maximum(linear[:, c], LOWEST))
        design = np.hstack([basis, -surface]) * weight[:, None]
        wanted = (target[:, c] - basis @ nominal) * weight
        prior = np.zeros((len(curvature) + 5, count + 5))
        prior[: len(curvature), :count] = curvature / _U_CURVATURE
        prior[len(curvature) :, count:] = np.diag(1 / np.array([_U_LINEAR] * 2 + [_U_QUADRATIC] * 3))
        solution = np.linalg.lstsq(
            np.vstack([design, prior]), np.concatenate([wanted, np.zeros(len(prior))]), rcond=None
        )[0]
        curves[c], surfaces[c] = nominal + solution[:count], solution[count:]
        residuals[:, c] = basis @ curves[c] - surface @ surfaces[c] - target[:, c]
        weighted[:, c] = residuals[:, c] * weight * _U_NEUTRAL
    scatter = float(np.sqrt(np.mean(weighted**2)))
    return ToneAndLight(low, high, curves, surfaces, centre, half, residuals, scatter)
