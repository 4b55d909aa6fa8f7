"""The phone's tone curve undone and uneven light divided out, both from the neutral patches in one linear fit.

A neutral patch of reflectance R at place x shows the code value v = T(L(x) R), where T is the phone's tone curve and L
the light. With G(v) the logarithm of the inverse of T and Q a quadratic surface for log L,

    G(v) - Q(x) = log R,

which is linear in the spline coefficients of G and in those of Q. The three channels are fitted together: Q is one
surface for all of them and a small departure of each, so that light that changes colour over the card is followed where
greys show it. Along one row of greys, light that falls and a steeper curve look the same; there the priors (a smooth
curve, light that falls off by tens of per cent in much the same way in all channels) decide, and the covariance of the
fit tells how little is known.
"""

from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from stripread.geometry import Float

__all__ = [
    "LOWEST",
    "ColourChange",
    "ToneAndLight",
    "fit_tone_and_light",
    "scatter_by_place",
    "spread_code",
    "tone_basis",
]

_KNOTS = 7  # spline intervals over the code values seen; tone curves bend over tenths of the range
_TERMS = 5  # of the light: x, y, x^2, xy, y^2
_NOMINAL_SLOPE = 2.4  # G of an ideal decode is 2.4 log(code)
LOWEST = 2e-4  # linear light below which a channel is noise; keeps the logarithm finite
# Priors as standard deviations: curvature of G between neighbouring coefficients; linear and quadratic terms of the
# log-light over half a card, of what the channels share and of each one's departure. On the simulator's seen phones and
# lights the card's many greys decide (half or double of each changes nothing); for a chart with one row of greys there,
# the light's are the best of 0.3, 0.1 and 0.05 within 2 % of a pad's error. Real charts told 0.3 from 0.1 clearly.
_U_CURVATURE = 0.10
_U_LIGHT, _U_LIGHT_OWN = np.array([0.10, 0.04]), np.array([0.05, 0.02])
_KNOWN_NOTHING = 10.0  # standard uncertainty of a logarithm of which the greys tell nothing
_U_NEUTRAL = 0.004  # scatter of a patch mean about the model, relative
_U_DARK = 0.0008  # flare and noise that a patch carries whatever its reflectance, of full scale


def spread_code(linear: Float) -> Float:
    """Spread linear light about evenly, as phones' codes do."""
    code: Float = np.maximum(linear, LOWEST) ** (1 / 2.4)
    return code


def _weight(linear: Float) -> Float:
    """Return how much a neutral patch of linear light (..., 3) counts in each channel: 1 a bright, less a dark one."""
    weight: Float = 1 / np.hypot(1.0, _U_DARK / _U_NEUTRAL / np.maximum(linear, LOWEST))
    return weight


def scatter_by_place(residual: Float, linear: Float, noise: Float) -> float:
    """Scatter of the light from place to place that the surface does not follow: relative standard deviation.

    A phone that maps tones by their surroundings lightens one place of the card and darkens another, all channels
    alike. What the measurement of the print leaves in the residuals is taken off, with one standard error of its mean
    square, so that chance is seldom taken for such a phone.

    Parameters
    ----------
    residual : ndarray (n, 3)
        Of the neutral patches (`ToneAndLight.residual`).
    linear : ndarray (n, 3)
        Their mean decoded values.
    noise : ndarray (n,)
        Variance of the mean of the three channels' logarithms by the measurement of the print.
    """
    weight = _weight(linear)
    square = np.mean((residual * weight).mean(axis=1) ** 2)
    by_chance = np.mean(noise * weight.mean(axis=1) ** 2) * (1 + np.sqrt(2 / len(noise)))
    return float(np.sqrt(max(square - by_chance, 0.0)))


def _surface(places: Float) -> Float:
    x, y = places[:, 0], places[:, 1]
    return np.stack([x, y, x * x, x * y, y * y], axis=1)


@dataclass(frozen=True, slots=True)
class ColourChange:
    """Change of the light's colour over a card.

    Attributes
    ----------
    largest : float
        Of the ratio of two channels between any two of the places; 0.2 for 20 %.
    u_largest, u_worst : float
        Standard uncertainty of the logarithm of that change, and the largest one of any such change, as far as the
        greys tell by themselves, without the prior.
    """

    largest: float
    u_largest: float
    u_worst: float


@dataclass(frozen=True, slots=True)
class ToneAndLight:
    """The fit: spline coefficients of G and terms of Q a channel, and how well the neutrals agree.

    Attributes
    ----------
    low, high : ndarray (3,)
        Code values between which G was seen; beyond, it goes on straight.
    curve : ndarray (3, _KNOTS + 3)
    surface : ndarray (3, _TERMS)
        Terms x, y, x^2, xy, y^2 of log L over places scaled to -1..1 on the card.
    centre, half_size : ndarray (2,)
        The scaling of places. [mm]
    residual : ndarray (n, 3)
        log R measured minus expected, of the neutral patches in their order.
    scatter : float
        Standard deviation of the residuals of a bright neutral patch: relative, all channels together.
    covariance : ndarray (3, _KNOTS + 3 + _TERMS, 3, _KNOTS + 3 + _TERMS)
        Of curve and surface of each channel, given the patches and the priors.
    """

    low: Float
    high: Float
    curve: Float
    surface: Float
    centre: Float
    half_size: Float
    residual: Float
    scatter: float
    covariance: Float

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
        """Differentiate log scene light by log decoded value, shape (..., 3)."""
        step = 1e-3
        result: Float = (self._log_light(linear * (1 + step)) - self._log_light(linear * (1 - step))) / (2 * step)
        return result

    def scene_covariance(self, linear: Float, place_mm: Float, white: Float, white_mm: Float) -> Float:
        """Covariance (3, 3) of the log scene light of a value (3,) at a place (2,), relative to that of the white.

        It holds what the greys leave open between tone curve and light, and what the curve may do beyond the codes
        that were seen, where it goes on straight.

        Parameters
        ----------
        white, white_mm : ndarray (m, 3), (m, 2)
            The patches that stand for white, and their places.
        """
        values, places = np.vstack([linear, white]), np.vstack([place_mm, white_mm])
        surface, codes = -_surface(self.scaled(places)), spread_code(values)
        basis = tone_basis(self.low, self.high, codes)
        rows = np.concatenate([basis, np.repeat(surface[:, None], 3, axis=1)], axis=2)
        apart = rows[0] - rows[1:].mean(axis=0)
        outside = np.maximum(np.maximum(self.low - codes[0], codes[0] - self.high), 0.0)
        # A slope that wanders by the curvature's prior a step, added up over the steps.
        beyond = _U_CURVATURE**2 * (outside * _KNOTS / (self.high - self.low)) ** 3 / 3
        result: Float = np.einsum("ci,cidj,dj->cd", apart, self.covariance, apart) + np.diag(beyond)
        return result

    def colour_change(self, places_mm: Float) -> ColourChange:
        """Return how much the light's colour changes over places (n, 2), and whether the greys could tell."""
        surface = _surface(self.scaled(places_mm))
        one, other = np.triu_indices(len(surface), 1)
        apart = surface[one] - surface[other]
        first, second = np.array([0, 2, 0]), np.array([1, 1, 2])  # the ratios of two channels
        log_change = np.abs(apart @ (self.surface[first] - self.surface[second]).T)
        # What is left open, and of that what the prior, by which the channels are much alike, did not leave open.
        kept = self.covariance[:, -_TERMS:, :, -_TERMS:] * max(1.0, self.scatter / _U_NEUTRAL) ** 2
        ratio = kept[first, :, first] + kept[second, :, second] - kept[first, :, second] - kept[second, :, first]
        posterior = ((apart @ ratio) * apart).sum(axis=2).T
        prior = 2 * apart**2 @ np.repeat(_U_LIGHT_OWN, (2, 3)) ** 2
        u_greys = 1 / np.sqrt(np.maximum(1 / posterior - 1 / prior[:, None], _KNOWN_NOTHING**-2))
        most = np.unravel_index(np.argmax(log_change), log_change.shape)
        return ColourChange(float(np.expm1(log_change[most])), float(u_greys[most]), float(u_greys.max()))

    def _log_light(self, linear: Float) -> Float:
        basis = tone_basis(self.low, self.high, spread_code(linear))
        result: Float = (basis * self.curve).sum(axis=-1)
        return result


def tone_basis(low: Float | float, high: Float | float, code: Float) -> Float:
    """Cubic B-splines (..., _KNOTS + 3) on even knots between low and high at codes (...); straight beyond these.

    From the middle of its support, at a knot, each is ((2 - d)^3 - 4 (1 - d)^3) / 6 at a distance of d intervals, where
    powers of negative numbers count as 0; a test holds them to scipy.interpolate.BSpline.
    """
    at = (code - low) / (high - low) * _KNOTS
    inside = np.clip(at, 0, _KNOTS)
    off = inside[..., None] - np.arange(-1, _KNOTS + 2)
    distance = np.abs(off)
    far, near = np.maximum(2 - distance, 0), np.maximum(1 - distance, 0)
    far2, near2 = far * far, near * near
    slope = np.sign(off) * (2 * near2 - far2 / 2)
    basis: Float = (far * far2 - 4 * near * near2) / 6 + (at - inside)[..., None] * slope
    return basis


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
    low, high = spread_code(code_range[0]), spread_code(code_range[1]) + 1e-6
    blank = high - low < 0.05  # a blank sheet: one code value has no curve
    low, high = np.where(blank, low - 0.05, low), np.where(blank, high + 0.05, high)
    target = np.log(np.maximum(reflectance, LOWEST))
    weight = _weight(linear) / _U_NEUTRAL
    # Departure from the nominal curve is what is fitted, so that the priors pull towards it.
    grid = low[:, None] + (high - low)[:, None] / _KNOTS * (np.arange(count) - 1)
    nominal = _NOMINAL_SLOPE * np.log(np.maximum(grid, 0.02))
    gram, right = _prior().copy(), np.zeros((3, count + _TERMS))
    basis = tone_basis(low, high, spread_code(linear))
    designs = np.concatenate([basis, np.repeat(-surface[:, None], 3, axis=1)], axis=2)
    weighted = designs * weight[..., None]
    wanted = (target - (basis * nominal).sum(axis=-1)) * weight
    for c in range(3):
        gram[c, :, c] += weighted[:, c].T @ weighted[:, c]
        right[c] = weighted[:, c].T @ wanted[:, c]
    square = np.asarray(np.linalg.inv(gram.reshape(right.size, right.size)), dtype=np.float64)
    solution = (square @ right.ravel()).reshape(right.shape)
    curves, surfaces = nominal + solution[:, :count], solution[:, count:]
    fitted = np.hstack([curves, surfaces])
    residuals = (designs * fitted).sum(axis=-1) - target
    scatter = float(np.sqrt(np.mean((residuals * weight * _U_NEUTRAL) ** 2)))
    covariance = square.reshape(gram.shape)
    return ToneAndLight(low, high, curves, surfaces, centre, half, residuals, scatter, covariance)


@lru_cache(maxsize=1)
def _prior() -> Float:
    """Precision of the priors, shape (3, k, 3, k): channels by coefficients of the curve and terms of the light."""
    count = _KNOTS + 3
    precision = np.zeros((3, count + _TERMS, 3, count + _TERMS))
    bend = np.diff(np.eye(count), 2, axis=0) / _U_CURVATURE
    for c in range(3):
        precision[c, :count, c, :count] = bend.T @ bend
    shared = np.repeat(_U_LIGHT, (2, 3)) ** 2
    own = np.repeat(_U_LIGHT_OWN, (2, 3)) ** 2
    for term in range(_TERMS):
        spread = shared[term] * np.ones((3, 3)) + own[term] * np.eye(3)
        precision[:, count + term, :, count + term] = np.linalg.inv(spread)
    precision.flags.writeable = False
    return precision
