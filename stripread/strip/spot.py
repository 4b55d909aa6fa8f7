"""Fit a lamp's mirror image over a pad: how much of its light is left where the pad looks free.

Light of cell i of the pad is b + a g(r_i): the pad's own b, and a profile g that falls with the elliptical distance r
from the spot's centre. Nobody knows how a lamp's image falls off, and its tail decides b; so profiles from flat-topped
to Lorentzian are fitted, and weighed by how well they fit (Bayesian model averaging: Hoeting et al. 1999, Statistical
Science 14, 382). What they disagree on is part of the uncertainty. Several lamps and a window's panes are no such spot.
But further light only adds: cells that are lighter than pad and spot count less (Huber's weights, on that side only:
Huber 1964, Annals of Mathematical Statistics 35, 73), and the darkest ones decide.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from stripread.geometry import Float

__all__ = ["Base", "fit_base"]

_ROUNDS = 25
_STEP = 1e-4
# What is known beforehand, as mean and standard deviation: of the centre, in sides of the fitted area, and of the
# logarithm of the width. It keeps a spot wider than the pad, whose base nothing tells, from running away.
_LOG_WIDTH = float(np.log(0.35))
_PRIOR_MEAN = np.array([0, 0, _LOG_WIDTH, _LOG_WIDTH, 0])  # centre, both widths, skew
_PRIOR_SD = np.array([0.6, 0.6, 1.0, 1.0, 1.5])
_PROFILES = 6
_ALIKE = 6.0  # cells that depart alike: a pad's own unevenness is smooth, so they tell less than their number
_LIGHTER = 2.0  # standard deviations above the fit, from where on a cell counts less (common practice, no source)
_OF_SPOT = 0.04  # of the spot's light: a tone curve and a profile are never known better


@dataclass(frozen=True, slots=True)
class Base:
    """A pad's own light under a spot, and its standard uncertainty."""

    light: float
    u: float


def _profiles(square: Float) -> Float:
    """Return the light (6, ...) of each profile at squared distances (6, ...)."""
    flat, gauss, soft, moffat, bulb, lorentz = square
    return np.stack(
        [
            np.exp(-(np.minimum(flat, 1e4) ** 2) / 2),
            np.exp(-np.minimum(gauss, 1e4) / 2),
            np.exp(0.5 - np.sqrt(0.25 + soft)),
            (1 + moffat / 2) ** -2,
            (1 + bulb) ** -1.4,
            (1 + lorentz) ** -1,
        ]
    )


def _spots(parameters: Float, places: Float) -> Float:
    """Light (6, k, n) of spots with parameters (6, k, 5) at places (n, 2)."""
    off = places - parameters[..., None, :2]  # (6, k, n, 2)
    first, second = np.exp(-parameters[..., None, 2]), np.exp(-parameters[..., None, 3])
    across = first * off[..., 0]
    along = second * (off[..., 1] - parameters[..., None, 4] * off[..., 0])
    return _profiles(across**2 + along**2)


def _prior(parameters: Float) -> Float:
    """Departures (6, k, 5) from what is known beforehand, in standard deviations."""
    result: Float = (parameters - _PRIOR_MEAN) / _PRIOR_SD
    return result


def _linear(spots: Float, light: Float, weight: Float) -> tuple[Float, Float]:
    """Return amplitude and base (..., 2) that fit best, and the weighted residuals (..., n); no light is negative."""
    total = weight.sum(axis=-1, keepdims=True)
    mean_spot = (spots * weight).sum(axis=-1, keepdims=True) / total
    mean_light = (light * weight).sum(axis=-1, keepdims=True) / total
    apart = spots - mean_spot
    amplitude = ((apart * (light - mean_light) * weight).sum(axis=-1)) / ((apart**2 * weight).sum(axis=-1) + 1e-9)
    amplitude = np.maximum(amplitude, 0)
    base = mean_light[..., 0] - amplitude * mean_spot[..., 0]
    residual = (light - base[..., None] - amplitude[..., None] * spots) * np.sqrt(weight)
    return np.stack([amplitude, base], axis=-1), residual


def fit_base(light: Float, usable: NDArray[np.bool_], sigma: float) -> Base | None:
    """Return a pad's own light under one spot; None where too few cells are usable.

    Parameters
    ----------
    light : ndarray, shape (rows, columns)
        Of the cells of a pad, as share of white.
    usable : ndarray of bool, shape (rows, columns)
        Cells that do not saturate the camera.
    sigma : float
        Noise of a cell.
    """
    rows, columns = light.shape
    y, x = np.meshgrid((np.arange(rows) + 0.5) / rows - 0.5, (np.arange(columns) + 0.5) / columns - 0.5, indexing="ij")
    places, value = np.stack([x[usable], y[usable]], axis=1), light[usable]
    if len(value) < 20:
        return None
    low = float(np.sort(value)[: len(value) // 5].mean())
    above = np.maximum(light - low, 0)
    weight = 1 / (sigma**2 + (_OF_SPOT * above[usable]) ** 2)
    start = np.array([*(np.average(g, weights=above**2 + 1e-9) for g in (x, y)), _LOG_WIDTH, _LOG_WIDTH, 0.0])
    parameters = np.tile(start, (_PROFILES, 1))
    damping = np.full(_PROFILES, 1e-2)
    steps = np.vstack([np.zeros(5), _STEP * np.eye(5)])

    def residuals(at: Float) -> Float:
        _, misfit = _linear(_spots(at, places), value, weight * robust)
        return np.concatenate([misfit, _prior(at)], axis=-1)

    robust = np.ones((_PROFILES, 1, len(value)))
    for _ in range(_ROUNDS):
        tried = residuals(parameters[:, None] + steps)
        slope = (tried[:, 1:] - tried[:, :1]) / _STEP  # (6, 5, n)
        normal = slope @ slope.transpose(0, 2, 1)
        downhill = (slope @ tried[:, 0, :, None])[..., 0]
        diagonal = np.einsum("kii->ki", normal)
        damped = normal + np.eye(5) * (damping[:, None] * diagonal)[:, None]
        moved = parameters + np.clip(np.linalg.solve(damped, -downhill[..., None])[..., 0], -0.5, 0.5)
        better = (residuals(moved[:, None])[:, 0] ** 2).sum(axis=-1) < (tried[:, 0] ** 2).sum(axis=-1)
        parameters = np.where(better[:, None], moved, parameters)
        damping = np.where(better, damping / 4, np.minimum(damping * 6, 1e6))
        robust = _LIGHTER / np.maximum(tried[:, :1, : len(value)] / np.sqrt(robust), _LIGHTER)
    return _average(parameters, steps, places, value, weight * robust)


def _average(parameters: Float, steps: Float, places: Float, value: Float, weight: Float) -> Base:
    """Weigh the profiles, fitted with parameters (6, 5) and weights (6, 1, n), by how well they fit."""
    spots = _spots(parameters[:, None] + steps, places)
    best, misfit = _linear(spots[:, 0], value, weight[:, 0])
    root = np.sqrt(weight)
    by_parameter = best[:, 0, None, None] * (spots[:, 1:] - spots[:, :1]) / _STEP
    jacobian = np.concatenate([spots[:, :1], np.ones_like(spots[:, :1]), by_parameter], axis=1) * root  # (6, 7, n)
    normal = jacobian @ jacobian.transpose(0, 2, 1)
    normal += np.diag([1e-6, 1e-6, *(1 / _PRIOR_SD**2)])
    variance = np.linalg.inv(normal)[:, 1, 1]
    square = (misfit**2).sum(axis=-1) + (_prior(parameters[:, None])[:, 0] ** 2).sum(axis=-1)
    per_degree = float((misfit**2).sum(axis=-1).min()) / max(len(value) - 7, 1)
    scale = _ALIKE * max(per_degree, 1.0)
    odds = np.exp(-(square - square.min()) / (2 * scale))
    odds /= odds.sum()
    light = float(odds @ best[:, 1])
    u = float(np.sqrt(odds @ (variance * scale + (best[:, 1] - light) ** 2)))
    return Base(light=light, u=u)
