"""Measure a pad: the mean colour of its inner part without glare, drops and specks."""

from collections.abc import Callable
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from stripread.colour import block_mean, keep_typical
from stripread.errors import PhotoTooSmallError
from stripread.findings import Finding, make_finding
from stripread.geometry import Float
from stripread.i18n import Message, Number
from stripread.strip.glare import (
    NO_VEIL,
    WITHOUT_RIM,
    GroundVeil,
    find_free_part,
    has_rim,
    measure_cells,
    residual_veil,
)

__all__ = ["PadColour", "measure_pad"]

# Thresholds of our choice, judged on drawn pads (tests/unit/test_pads.py), not on photos of real strips.
_INNER = 0.70  # of the side: pads are cut unevenly and dry from the rim
_BLURS = 2.0  # standard deviations of blur that the rim reaches inwards
_LEAST_INNER = 0.30  # of the side: less would rest on a few pixels however sharp
_LEAST_USED = 16  # pixels: one a block; under that no scatter can be stated
# With 150 pixels of a phone's noise (2 % of the signal each) the mean is still good to 0.2 %; a side of 12 px leaves
# about 8 px clear of the rim's blur. Below either the mean may hold, but its uncertainty is itself uncertain.
_SMALL_PIXELS, _SMALL_SIDE = 150, 12.0
_GLARE_SHARE = 0.05  # glare has soft flanks: where a twentieth is seen, more is mixed into the rest
_UNEVEN = 0.10  # relative change across the pad: about 1.5 L* to either side of the mean of a middle tone
_SIGMAS = 3.0  # the largest of three slopes in the plane: chance passes this in 3 of 100
_GLARE_BRIGHTER = 1.03  # times the pad's typical light
_GLARE_SATURATION = 0.95  # times the pad's typical saturation
_BLOCKS = 4
# A pad whose blocks differ by less light, as share of white, is not searched for mirrored light: it would not be found.
_STEADY = 0.022
_GREY_SATURATION = 0.06  # a pad paler than this has no saturation to lose


@dataclass(frozen=True, slots=True, kw_only=True)
class PadColour:
    """What was measured on a pad.

    Attributes
    ----------
    mean : ndarray, shape (3,)
        Mean linear RGB, in the units of the picture, not rounded.
    covariance_of_mean : ndarray, shape (3, 3)
        Its covariance, from the scatter between blocks of the pad.
    covariance_of_pixels : ndarray, shape (3, 3)
        That of single pixels about it.
    n_pixels : int
        Pixels used.
    side_px : float
        The shorter side of the whole pad. [px]
    covariance_of_veil : ndarray, shape (3, 3)
        What mirrored light that cannot be told from the pad leaves uncertain in the mean.
    share_left_out, share_glare, share_specks : float
        Of the inner part, 0 to 1: left out for any cause, for glare, for specks and drops.
    gradient : float
        Change across the whole pad along its steepest direction, relative to the mean; the channel with most of it.
    """

    mean: Float
    covariance_of_mean: Float
    covariance_of_pixels: Float
    covariance_of_veil: Float
    n_pixels: int
    side_px: float
    share_left_out: float
    share_glare: float
    share_specks: float
    gradient: float
    findings: tuple[Finding, ...]


def measure_pad(
    linear: NDArray[np.floating],
    polygon: Float,
    *,
    blur_px: float = 1.0,
    to_scene: Callable[[Float], Float] | None = None,
    veil_beside: GroundVeil = NO_VEIL,
    shaded: bool = False,
) -> PadColour:
    """Return the colour of a pad.

    Parameters
    ----------
    linear : ndarray, shape (rows, columns, 3)
        Linear RGB of the pad and some of its surroundings, at any scale.
    polygon : ndarray, shape (4, 2)
        Corners of the whole pad in pixels of ``linear``.
    blur_px : float
        Standard deviation of the picture's blur; the rim left out grows with it. [px]
    to_scene : callable, optional
        From ``linear`` (n, 3) to light in the scene, 1 for a perfect white; by default they are the same. Mirrored
        light adds to the pad's there, in each channel alike.
    veil_beside : GroundVeil
        Mirrored light on the ground beside the pad.
    shaded : bool
        Whether a shadow is known to cross the pad: its edge on a pale pad looks like that of a mirror image.

    Raises
    ------
    PhotoTooSmallError
        If the pad reaches out of the picture or covers too few pixels to measure.
    PhotoUnfitError
        If too little of the pad is free of mirrored light.
    """
    corners = np.asarray(polygon, dtype=np.float64)
    sides = np.linalg.norm(np.roll(corners, -1, axis=0) - corners, axis=1)
    side_px = float(sides.min())
    in_scene = to_scene or _same
    share = _inner_share(side_px, blur_px)
    channels, positions = _inner_pixels(linear, corners, share)
    uneven = len(positions) > _LEAST_USED and _light_range(channels, positions, share, in_scene) > _STEADY
    cells = measure_cells(linear, corners, share=share, to_scene=in_scene) if uneven else None
    if cells is not None and has_rim(cells):
        share *= WITHOUT_RIM
        channels, positions = _inner_pixels(linear, corners, share)
        cells = None
    total = len(positions)
    if total < _LEAST_USED:
        raise PhotoTooSmallError(
            expected=Message("at least %(least)s pixels within a pad", least=_LEAST_USED),
            found=Message(
                "%(total)s (its shorter side is %(side_px)s px)", total=total, side_px=Number(side_px, ".1f")
            ),
            remedy=Message("Go closer, until the card fills at least half of the picture's width; retake."),
        )
    keep = keep_typical(channels, rounds=6)
    glare = _is_glare(channels, keep) & ~keep
    free = None
    if not shaded:
        noticed = bool(np.count_nonzero(glare) > _GLARE_SHARE * total)
        if noticed and cells is None:
            cells = measure_cells(linear, corners, share=share, to_scene=in_scene)
        if cells is not None:
            free = find_free_part(cells, noticed=noticed)
    if free is not None:
        lit = free.at(positions)
        keep = np.zeros(total, dtype=bool)
        keep[lit] = keep_typical(channels[:, lit], rounds=6)
        glare = ~lit
    kept = channels[:, keep]
    mean, covariance = block_mean(kept, positions[keep])
    gradient, u_gradient = _gradient(kept, positions[keep], mean, covariance)
    veil = residual_veil(free, veil_beside)
    per_light = _per_light(mean, in_scene) if veil.u > 0 else np.zeros(3)
    n = int(np.count_nonzero(keep))
    share_glare = float(np.count_nonzero(glare)) / total
    findings = []
    if share_glare > _GLARE_SHARE:
        findings.append(
            make_finding(
                "glare_on_pad",
                Message("%(share_glare)s of the pad's inner part is glare.", share_glare=Number(share_glare, ".0%")),
            )
        )
    if gradient - _SIGMAS * u_gradient > _UNEVEN:
        findings.append(
            make_finding(
                "pad_uneven",
                Message("The colour changes by %(gradient)s across the pad.", gradient=Number(gradient, ".0%")),
            )
        )
    if n < _SMALL_PIXELS or side_px < _SMALL_SIDE:
        findings.append(
            make_finding(
                "pad_small",
                Message(
                    "%(count)s pixels were used; the pad's shorter side is %(side_px)s px.",
                    count=n,
                    side_px=Number(side_px, ".0f"),
                ),
            )
        )
    return PadColour(
        mean=np.maximum(mean - veil.mean * per_light, 0.1 * mean),
        covariance_of_mean=covariance,
        covariance_of_pixels=np.cov(kept),
        covariance_of_veil=veil.u**2 * np.outer(per_light, per_light),
        n_pixels=n,
        side_px=side_px,
        share_left_out=1 - n / total,
        share_glare=share_glare,
        share_specks=1 - n / total - share_glare,
        gradient=gradient,
        findings=tuple(findings),
    )


def _same(linear: Float) -> Float:
    return linear


def _light_range(channels: Float, places: Float, share: float, to_scene: Callable[[Float], Float]) -> float:
    """Return how much lighter the lightest of 4 x 4 blocks is in the scene than the darkest but one."""
    block = np.clip(((places / share + 0.5) * _BLOCKS).astype(int), 0, _BLOCKS - 1) @ np.array([1, _BLOCKS])
    count = np.bincount(block, minlength=_BLOCKS**2)
    some = count > 0
    means = np.stack([np.bincount(block, channel, minlength=_BLOCKS**2)[some] / count[some] for channel in channels])
    light = np.sort(to_scene(means.T).mean(axis=1))
    return float(light[-1] - light[min(1, len(light) - 1)])


def _per_light(mean: Float, to_scene: Callable[[Float], Float]) -> Float:
    """Return the change (3,) of a decoded mean by the light added in the scene."""
    step = 1e-3
    linear = np.maximum(mean, 1e-4)
    change = to_scene(np.stack([linear * (1 + step), linear * (1 - step)]))
    result: Float = 2 * step * linear / np.maximum(change[0] - change[1], 1e-9)
    return result


def _inner_share(side_px: float, blur_px: float) -> float:
    """Return the share of the side that is clear of the rim and its blur."""
    clear = 1 - 2 * _BLURS * blur_px / max(side_px, 1e-6)
    return float(np.clip(min(_INNER, clear), _LEAST_INNER, _INNER))


def _inner_pixels(linear: NDArray[np.floating], corners: Float, share: float) -> tuple[Float, Float]:
    """Return the channels (3, n) of the inner part's pixels, and their places on the pad, -0.5 to 0.5, shape (n, 2)."""
    rows, columns = linear.shape[:2]
    low = np.maximum(np.floor(corners.min(axis=0)), 0).astype(int)
    high = np.minimum(np.ceil(corners.max(axis=0)) + 1, [columns, rows]).astype(int)
    if (high <= low).any():
        return np.empty((3, 0)), np.empty((0, 2))
    square = np.array([[-0.5, -0.5], [0.5, -0.5], [0.5, 0.5], [-0.5, 0.5]], dtype=np.float32)
    to_pad = cv2.getPerspectiveTransform(corners.astype(np.float32), square)
    # Along and across apart, as NumPy is slow along an axis of two.
    x, y = np.arange(low[0], high[0]), np.arange(low[1], high[1])[:, None]
    along, across, depth = (row[0] * x + row[1] * y + row[2] for row in to_pad)
    along, across = along / depth, across / depth
    # A square with round corners, for pads that are round or have rounded or cut corners themselves.
    near, far = along**2, across**2
    inside = near * near + far * far <= (share / 2) ** 4
    pixels = linear[low[1] : high[1], low[0] : high[0]][inside]
    finite = np.isfinite(pixels).all(axis=1)
    channels = np.ascontiguousarray(pixels[finite].T, dtype=np.float64)
    return channels, np.stack([along[inside], across[inside]], axis=1)[finite]


def _is_glare(channels: Float, keep: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Return which pixels are much brighter than the pad and nearer to white: mirrored light adds white."""
    typical = np.median(channels[:, keep], axis=1)
    brighter = channels.mean(axis=0) > _GLARE_BRIGHTER * typical.mean()
    saturation = 1 - channels.min(axis=0) / np.maximum(channels.max(axis=0), 1e-9)
    own = 1 - typical.min() / max(float(typical.max()), 1e-9)
    paler = saturation < _GLARE_SATURATION * own
    result: NDArray[np.bool_] = brighter & (paler | (own < _GREY_SATURATION))
    return result


def _gradient(channels: Float, places: Float, mean: Float, covariance: Float) -> tuple[float, float]:
    """Return the relative change across the pad and its standard uncertainty, of the channel that changes most."""
    centred = places - places.mean(axis=0)
    normal = centred.T @ centred
    if np.linalg.det(normal) <= 0:
        return 0.0, 0.0
    slopes = np.linalg.solve(normal, centred.T @ (channels - mean[:, None]).T)  # (2, 3), per whole side
    scale = np.maximum(np.abs(mean), 0.02)  # of white: a nearly black channel has no relative change to speak of
    change = np.linalg.norm(slopes, axis=0) / scale
    most = int(change.argmax())
    # the mean has variance s2 / n_eff; a slope over a square of side a has 12 s2 / (n_eff a2)
    side2 = 12 * float(np.trace(normal)) / (2 * len(places))  # 12 times the variance along a side
    u_slope = np.sqrt(12 * covariance[most, most] / max(side2, 1e-9)) / scale[most]
    return float(change[most]), float(u_slope)
