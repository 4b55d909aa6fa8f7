"""How far a corrected colour may be off because lamp, camera and inks are not the reference's: a covariance in CIELAB.

A map from camera RGB to XYZ cannot be right for every spectrum. How wrong it is in this photo shows on the card: each
patch left out of the fit has a residual. A pad is no ink, though, so its own error is larger and only related:

    C(lab) = K S(lab) K + diag(rho)^2 q (chroma / 20)^2 + diag(floor)^2

Residuals are first averaged with those of patches of nearly the same colour (`SMOOTHING`), and what the noise of the
print's own measurement leaves in them is taken off, for neither is mismatch. S is the mean outer product of the
residuals near ``lab`` (Gaussian weights, `BANDWIDTH`), q the mean square residual of all colour patches. Dyes of one
colour differ, though: narrow absorption bands err by up to twice what broad ones do, so each lot scales C by what its
own strips show in two lights (`calibrate/lot_from_series.py`).

What matters for a reading is the difference from the calibration photos, whose residuals are taken off first: light
and phone that resemble the calibration's leave small differences and give a narrow interval.

The constants are the maximum-likelihood fit of
``python -m tests.fitting.fit_mismatch`` on the simulator's seen printers, lamps and phones.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from stripread.geometry import Float

__all__ = [
    "CONSTANTS",
    "DEGREES_OF_FREEDOM",
    "FLASH_CONSTANTS",
    "SPECTRAL_CONSTANTS",
    "MismatchConstants",
    "like_residuals",
    "local_scatter",
    "mismatch_covariance",
    "residual_correlation",
    "smoothed_residuals",
    "spectral_factor",
    "spectral_mismatch",
]

# Delta E*ab, both by the likelihood of the seen conditions: 1.323 a pad with a smoothing of 8, 1.350 with none, 1.338
# with 12; 20 and 30 for the bandwidth differ little.
SMOOTHING, BANDWIDTH = 8.0, 20.0
# Of a standard uncertainty from C. By the same likelihood 5 is clearly worse, 12 to 24 better by less than 0.002 a pad;
# 8 keeps heavier tails for another phone in another lamp (violet pads there: 92.2 % covered, 91.4 % with 16).
DEGREES_OF_FREEDOM = 8.0


@dataclass(frozen=True, slots=True)
class MismatchConstants:
    """Factors on lightness and on a*, b*: ``kappa`` (of S), ``rho`` (of chroma), ``floor`` (CIELAB)."""

    kappa: tuple[float, float]
    rho: tuple[float, float]
    floor: tuple[float, float]


# Of the spectral map's own covariance counts `least + slope q`, at most `most`; q is the mean square of the residuals'
# difference from the calibration's (smoothed, Delta E squared). By the likelihood of seen lots:
# ``python -m tests.fitting.fit_spectral_mismatch``. With them 97 and 98 % of the seen pink and violet pads are
# covered, and 87 % of the brown ones, whose lots find a larger scale of their own.
SPECTRAL_CONSTANTS = (0.034, 11.1, 0.50)
CONSTANTS = MismatchConstants(kappa=(1.31, 4.69), rho=(0.44, 1.30), floor=(0.03, 0.08))
# Of flash pairs, by the likelihood of 300 seen pairs against lots of four pairs each, with one phone, the flash 0.2 to
# 5 times the other light: ``python -m tests.fitting.fit_flash_mismatch``.
FLASH_CONSTANTS = MismatchConstants(kappa=(2.09, 3.17), rho=(0.18, 0.88), floor=(0.04, 0.07))


def _nearness(lab: Float, others: Float, width: float) -> Float:
    """Weights (m, n) of colours ``others`` (n, 3) by their distance from ``lab`` (m, 3), each row adding up to 1."""
    # Squared distances by products of matrices, which do without an array (m, n, 3).
    distance = (lab**2).sum(axis=1)[:, None] + (others**2).sum(axis=1) - 2 * lab @ others.T
    weights = np.exp(distance / (-2 * width**2)) + 1e-3  # far from every patch: all of them
    result: Float = weights / weights.sum(axis=1, keepdims=True)
    return result


def smoothed_residuals(patch_lab: Float, residuals: Float) -> Float:
    """Residuals (..., n, 3), each averaged with those of patches of nearly the same colour."""
    result: Float = _nearness(patch_lab, patch_lab, SMOOTHING) @ residuals
    return result


def local_scatter(lab: Float, patch_lab: Float, residuals: Float, noise: Float) -> Float:
    """Mean outer product of residuals (n, 3) of the patches near each colour of ``lab`` (m, 3); shape (m, 3, 3).

    ``noise`` (n,) is the variance of each coordinate that is no mismatch; it is taken off.
    """
    weights = _nearness(lab, patch_lab, BANDWIDTH)
    scatter: Float = np.einsum("mk,ka,kb->mab", weights, residuals, residuals)
    total = np.trace(scatter, axis1=1, axis2=2)
    return scatter * _without_noise(total, 3 * weights @ noise)[:, None, None]


def _without_noise(square: Float, noise: Float) -> Float:
    """Share of a mean square that is left when that of noise is taken off; a tenth at least, as noise varies."""
    result: Float = np.clip(1 - noise / np.maximum(square, 1e-12), 0.1, 1.0)
    return result


def mismatch_covariance(
    lab: Float,
    patch_lab: Float,
    residuals: Float,
    is_colour: NDArray[np.bool_],
    *,
    u_reference: float,
    u_photo: float = 0.0,
    constants: MismatchConstants = CONSTANTS,
) -> Float:
    """Covariance (m, 3, 3) of corrected colours ``lab`` (m, 3).

    Parameters
    ----------
    lab : ndarray (m, 3)
    patch_lab, residuals : ndarray (n, 3)
        Reference colours of the patches, and their left-out residuals (or the difference of these from those of the
        calibration photos).
    is_colour : ndarray of bool (n,)
        Which patches are coloured.
    u_reference : float
        Standard uncertainty of each coordinate of the residuals from the measurement of the print (or of both prints,
        where residuals of two are compared; 0 where they are of one print).
    u_photo : float
        What one photo of the same light differs by from the mean of many, of each coordinate of the smoothed residuals.
    """
    smooth = _nearness(patch_lab, patch_lab, SMOOTHING)
    residuals, noise = smooth @ residuals, u_reference**2 * np.sum(smooth**2, axis=1) + u_photo**2
    scatter = local_scatter(lab, patch_lab, residuals, noise)
    kappa = np.array([constants.kappa[0], constants.kappa[1], constants.kappa[1]])
    rho = np.array([constants.rho[0], constants.rho[1], constants.rho[1]])
    floor = np.array([constants.floor[0], constants.floor[1], constants.floor[1]])
    square = np.asarray(np.mean(np.sum(residuals[is_colour] ** 2, axis=1)) if np.any(is_colour) else 0.0)
    q = float(square * _without_noise(square, 3 * np.mean(noise)))
    chroma = np.hypot(lab[:, 1], lab[:, 2]) / 20.0
    own = (rho**2)[None] * q * (chroma**2)[:, None] + floor**2
    covariance: Float = scatter * np.outer(kappa, kappa) + own[:, :, None] * np.eye(3)
    return covariance


def like_residuals(patch_lab: Float, residuals: Float, is_colour: NDArray[np.bool_]) -> float:
    """Mean square of the smoothed residuals (n, 3) of the coloured patches: 0 in the calibration's own light."""
    smooth = smoothed_residuals(patch_lab, residuals)
    return float(np.mean(np.sum(smooth[is_colour] ** 2, axis=1))) if np.any(is_colour) else float("inf")


def spectral_factor(likeness: float, constants: tuple[float, float, float] = SPECTRAL_CONSTANTS) -> float:
    """Return the share of what the spectral map states that the calibration does not have in common."""
    least, slope, most = constants
    return min(least + slope * likeness, max(most, least))


def spectral_mismatch(stated: Float, patch_lab: Float, residuals: Float, is_colour: NDArray[np.bool_]) -> Float:
    """Covariance (3, 3) of a pad's colour by the spectral map, as far as the calibration's does not share its error.

    Parameters
    ----------
    stated : ndarray (3, 3)
        What the map states (`spectral.SpectralMap.mismatch`).
    patch_lab, residuals, is_colour
        As in `mismatch_covariance`; residuals are those of the plain map, which show light and phone.
    """
    covariance: Float = spectral_factor(like_residuals(patch_lab, residuals, is_colour)) * stated
    return covariance


def residual_correlation(lab: Float, patch_lab: Float, first: Float, second: Float) -> float:
    """Correlation, 0 to 1, of two photos' residuals (n, 3) near a colour (3,): what their lights have in common.

    Patches that one of them lacks (NaN) are left out; with none left nothing is known, and 1 is the safe answer.
    """
    known = np.isfinite(first).all(axis=1) & np.isfinite(second).all(axis=1)
    if not known.any():
        return 1.0
    weights = _nearness(lab[None], patch_lab[known], BANDWIDTH)[0]
    one, other = (smoothed_residuals(patch_lab[known], r[known]) for r in (first, second))
    together = float(weights @ np.sum(one * other, axis=1))
    alone = float(np.sqrt((weights @ np.sum(one**2, axis=1)) * (weights @ np.sum(other**2, axis=1))))
    return float(np.clip(together / max(alone, 1e-12), 0.0, 1.0))
