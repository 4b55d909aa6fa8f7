"""A lamp mirrored in a pad, told from the pad: where it is free, and what mirrored light may be left there.

Mirrored light adds to the pad's, and it has the lamp's colour, which is about that of the card's white: in linear light
with the lamp's colour divided out, pixel i of the pad shows p_i = c + s_i w, with the pad's colour c, w = (1, 1, 1) and
s_i >= 0 (the dichromatic model: Shafer 1985, Color Research and Application 10, 210). An uneven dye changes p towards
the plastic, shade changes it along c; so the direction tells which one it is, and where s is least the pad is seen.
"""

from collections.abc import Callable
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from stripread.errors import PhotoUnfitError
from stripread.geometry import Float, apply_homography
from stripread.i18n import Message, Number, Shown
from stripread.strip.spot import fit_base

__all__ = [
    "NO_VEIL",
    "WITHOUT_RIM",
    "FreePart",
    "GroundVeil",
    "PadCells",
    "Veil",
    "find_free_part",
    "has_rim",
    "measure_cells",
    "residual_veil",
]

# Light left in the darkest fifth of a pad, by its range over the inner part: mean and standard deviation over the seen
# shapes where the range is 0.04 to 0.12 (median 0, 90 % 1.3, 95 % 2.8). How many such differences without a bright
# pixel are a lamp's is our guess.
_LEFT_OF_RANGE, _SURE_RANGE, _MIRRORED = (0.4, 1.5), 0.12, 0.3
WITHOUT_RIM = 5 / 7  # share of the inner part's side that is left without its outer cells
_CELLS, _SAMPLES = 7, 4  # cells a side of the pad's inner part, samples a side of each
# Thresholds of our choice, judged on simulated photos of the seen part (tests/benchmarks/glare.py). Light as share of
# white. In photos without glare cells differ by up to 0.015 (5 to 95 %, smoothed), and 0.45 of it is along white.
_LEAST_RANGE = 0.022
_OF_RIM = 0.5  # of the difference over the whole inner part that may be left within the outer cells
_RANGE_SIGMAS = 2.5
_ALONG_WHITE = 0.70
_PLASTIC = 0.85
_RIVAL_MORE = 0.5  # of what tells a rival's direction from white: what lies about midway may be mirrored light
_LEAST_APART = 0.05  # square of the sine: tone curve and noise turn directions by ten degrees, a pale pad's lie nearer
_LEAST_DIRECTION = 0.10  # a pad paler than this lies too near to the plastic for a direction between them
# Noise of a cell's light by that of its tint (each channel less their mean), and what the tint does not show of it.
_NOISE_OF_TINT, _LEAST_NOISE = 1.2, 0.004
_FREE, _FREE_SIGMAS = 0.008, 1.3  # cells within this of the least light count as free
_LEAST_FREE = 0.15
_SATURATED = 0.97  # decoded light: from here on a cell is not a lamp's light added to the pad's
_U_LEAST, _U_MOST = 0.004, 0.045
_NEAR_MOST = 0.04  # of light beside one side of the pad only


@dataclass(frozen=True, slots=True)
class Veil:
    """Mirrored light that is left in a pad's colour, as share of white: estimate and standard uncertainty."""

    mean: float
    u: float


@dataclass(frozen=True, slots=True, kw_only=True)
class GroundVeil:
    """Mirrored light on the ground beside a pad, as share of white.

    Attributes
    ----------
    both : tuple of float
        Median on either side where it mirrors on both; empty where it does not.
    near : float
        The most of either side; 0 where none is seen.
    """

    both: tuple[float, ...] = ()
    near: float = 0.0


NO_VEIL = GroundVeil()


@dataclass(frozen=True, slots=True, kw_only=True)
class PadCells:
    """The medians of the cells of a pad's inner part, [across, along] as the pad's corners go.

    Attributes
    ----------
    decoded, scene : ndarray, shape (7, 7, 3)
        As the photo shows them, and as light in the scene, the lamp's colour divided out, 1 on white.
    reach : float
        Side of the inner part over the pad's.
    """

    decoded: Float
    scene: Float
    reach: float


@dataclass(frozen=True, slots=True, kw_only=True)
class FreePart:
    """Where on a pad the least light mirrors.

    Attributes
    ----------
    free : ndarray of bool, shape (7, 7)
        Cells of the inner part, [across, along] as the pad's corners go; all where it is open whether light mirrors.
    reach : float
        Side of the inner part over the pad's.
    left : Veil
        Mirrored light in the free cells, by a fit of the spot and the pad under it.
    """

    free: NDArray[np.bool_]
    reach: float
    left: Veil

    @property
    def share(self) -> float:
        """Share of the inner part that is free."""
        return float(self.free.mean())

    @property
    def even(self) -> bool:
        """Whether no cell is lit more than the others: a spot may then lie all over the pad, or nowhere on it."""
        return bool(self.free.all())

    def at(self, places: Float) -> NDArray[np.bool_]:
        """Return which places (n, 2) on the pad, -0.5 to 0.5, are free."""
        cell = np.clip(((places / self.reach + 0.5) * _CELLS).astype(int), 0, _CELLS - 1)
        result: NDArray[np.bool_] = self.free[cell[:, 1], cell[:, 0]]
        return result


def measure_cells(
    linear: NDArray[np.floating], corners: Float, *, share: float, to_scene: Callable[[Float], Float]
) -> PadCells:
    """Return the cells of a pad's inner part.

    Parameters
    ----------
    linear : ndarray, shape (rows, columns, 3)
        Decoded light of the pad and its surroundings.
    corners : ndarray, shape (4, 2)
        Of the whole pad. [px]
    share : float
        Side of the inner part over the pad's.
    to_scene : callable
        From decoded light (n, 3) to light in the scene, the lamp's colour divided out, 1 on white.
    """
    decoded = _cell_medians(linear, corners, share)
    return PadCells(decoded=decoded, scene=to_scene(decoded.reshape(-1, 3)).reshape(decoded.shape), reach=share)


def find_free_part(pad: PadCells, *, noticed: bool) -> FreePart | None:
    """Find where a pad is free of mirrored light; None if none is seen on it.

    ``noticed`` tells whether glare was seen otherwise, as by single bright pixels.
    """
    cells = pad.scene
    light = cells.mean(axis=2)
    tint = cells - light[..., None]  # mirrored light leaves it alone: it tells the noise under a spot as well
    darker = light <= np.median(light)  # where a spot saturates the camera it has a tint of its own
    rough = 1.4826 * float(np.median(np.abs(tint - cv2.medianBlur(tint.astype(np.float32), 3))[darker]))
    sigma = float(np.hypot(_NOISE_OF_TINT * rough, _LEAST_NOISE))
    smooth = cv2.blur(_without_corners(cells), (3, 3), borderType=cv2.BORDER_REFLECT)
    light_range = _range(smooth.mean(axis=2))
    along = _share_along_white(smooth)
    found = light_range > max(_LEAST_RANGE, _RANGE_SIGMAS * sigma) and (noticed or along > _ALONG_WHITE)
    if not found and not noticed:
        # What varies along white more than along the other two directions may be a faint image, or none. Where it falls
        # from r to nothing over the pad, light has the standard deviation r / sqrt(12); its mean is between 0 and r.
        variance = float(smooth.reshape(-1, 3).var(axis=0).sum()) * (1.5 * along - 0.5) / 3
        if variance <= 0:
            return None
        return FreePart(free=np.ones_like(darker), reach=pad.reach, left=Veil(0.0, 2 * float(np.sqrt(variance))))
    # A median keeps the edge of a spot where it is.
    steady = cv2.medianBlur(light.astype(np.float32), 3)
    low = float(np.sort(steady, axis=None)[: _CELLS * _CELLS // 5].mean())
    tolerance = max(_FREE, _FREE_SIGMAS * sigma)
    free = steady <= low + tolerance
    left = Veil(0.0, 0.0)  # dots that are bright and small leave nothing to the cells
    if found:
        lit = (pad.decoded.max(axis=2) < _SATURATED) & (
            light > steady - 2 * tolerance
        )  # specks are darker than their cells
        base = fit_base(light, lit, max(_LEAST_NOISE, tolerance / 2))
        # No profile ends anywhere, as the images of windows do: of what the fit says is left, anything between none and
        # all may be (u = width / sqrt(12)).
        most = 0.0 if base is None else max(float(light[free].mean()) - base.light, 0.0)
        u = 1.0 if base is None else float(np.hypot(base.u, most / np.sqrt(12)))
        left = _with_prior(Veil(most / 2, u), light_range)
        if not noticed and light_range < _SURE_RANGE:
            left = _or_uneven(left, float(light.mean() - light[free].mean()))
    return FreePart(free=free, reach=pad.reach, left=left)


def _with_prior(fitted: Veil, light_range: float) -> Veil:
    """Return what is left in the free cells by the fit of a spot, and by what such spots leave."""
    usual, apart = _LEFT_OF_RANGE[0] * light_range, _LEFT_OF_RANGE[1] * light_range
    weight = apart**2 / (apart**2 + fitted.u**2)
    return Veil(usual + weight * (fitted.mean - usual), float(np.sqrt(weight)) * fitted.u)


def _or_uneven(left: Veil, lighter: float) -> Veil:
    """Return what is left where the pad may be uneven, or the phone's tone curve a local one, as well as mirroring.

    Then nothing mirrors, and the pad's colour is that of all its cells, lighter than the free ones.
    """
    mean = _MIRRORED * left.mean - (1 - _MIRRORED) * lighter
    square = _MIRRORED * (left.u**2 + left.mean**2) + (1 - _MIRRORED) * lighter**2
    return Veil(mean, float(np.sqrt(square - mean**2)))


def has_rim(pad: PadCells) -> bool:
    """Tell whether a pad's inner part is of one colour but for its outer cells: dye that dried there, or its edge.

    No mirror image darkens or lightens just these.
    """
    light = pad.scene.mean(axis=2)
    core = cv2.blur(light[1:-1, 1:-1], (3, 3), borderType=cv2.BORDER_REFLECT)
    return _range(core) < min(_LEAST_RANGE, _OF_RIM * _range(light))


def _range(light: Float) -> float:
    """Return by how much light differs between cells, all but the darkest and lightest twentieth."""
    return float(np.ptp(np.quantile(light, [0.05, 0.95])))


def _cell_medians(linear: NDArray[np.floating], corners: Float, share: float) -> Float:
    """Median (7, 7, 3) of each cell of the inner part: specks smaller than half a cell do not count."""
    count = _CELLS * _SAMPLES
    steps = ((np.arange(count) + 0.5) / count - 0.5) * share
    square = np.array([[-0.5, -0.5], [0.5, -0.5], [0.5, 0.5], [-0.5, 0.5]], dtype=np.float32)
    to_picture = cv2.getPerspectiveTransform(square, corners.astype(np.float32))
    places = apply_homography(np.asarray(to_picture, dtype=np.float64), np.stack(np.meshgrid(steps, steps), axis=-1))
    x, y = np.moveaxis(places.astype(np.float32), -1, 0)
    seen = cv2.remap(
        np.asarray(linear, dtype=np.float32), x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE
    ).astype(np.float64)
    blocks = seen.reshape(_CELLS, _SAMPLES, _CELLS, _SAMPLES, 3).transpose(0, 2, 1, 3, 4)
    result: Float = np.median(blocks.reshape(_CELLS, _CELLS, _SAMPLES * _SAMPLES, 3), axis=2)
    return result


def _without_corners(cells: Float) -> Float:
    """Return cells (7, 7, 3) with the four at the corners, plastic where a pad is round, as their neighbours are."""
    result = cells.copy()
    for row, beside_row in ((0, 1), (-1, -2)):
        for column, beside_column in ((0, 1), (-1, -2)):
            result[row, column] = (cells[row, beside_column] + cells[beside_row, column]) / 2
    return result


def _share_along_white(cells: Float) -> float:
    """Return the share along white of the variance of cells (7, 7, 3); 0 if it is of shade or towards the plastic."""
    flat = cells.reshape(-1, 3)
    off = flat - flat.mean(axis=0)
    square = max(float((off**2).sum()), 1e-12)
    white = np.ones(3) / np.sqrt(3)
    along_white = float(((off @ white) ** 2).sum()) / square
    pad = np.quantile(flat, 0.2, axis=0)
    for rival in (_PLASTIC - pad, pad):
        length = float(np.linalg.norm(rival))
        apart = 1 - (rival @ white / max(length, 1e-9)) ** 2  # what light along the one lacks along the other
        along_rival = float(((off @ rival / max(length, 1e-9)) ** 2).sum()) / square
        if length > _LEAST_DIRECTION and apart > _LEAST_APART and along_rival - along_white > _RIVAL_MORE * apart:
            return 0.0
    return along_white


def residual_veil(part: FreePart | None, beside: GroundVeil) -> Veil:
    """Return what mirrored light may be left in the free part of a pad.

    Parameters
    ----------
    part : FreePart or None
        None where no mirror image is seen on the pad.
    beside : GroundVeil

    Raises
    ------
    PhotoUnfitError
        If too little is free, or so much may be left that no number could be trusted.
    """
    if part is not None and part.share < _LEAST_FREE:
        raise _mirrors(
            expected=Message("about a sixth of a pad, or more, free of mirrored light"),
            found=Message(
                "a lamp or window that mirrors in %(share)s of it, or the edge of a shadow over it",
                share=Number(1 - part.share, ".0%"),
            ),
        )
    mean = u = 0.0
    if part is not None:
        mean, u = part.left.mean, float(np.hypot(part.left.u, _U_LEAST))
    even = part is None or part.even
    if beside.both:
        # The free part of a pad lies to the darker side, a pad without any difference between both. Ground is matt and
        # a pad wet, or the other way round: the pad may mirror none of it, or twice as much. Where the ground is lit
        # unevenly, an even pad may lie in the dark or in the light.
        mirrored = float(np.mean(beside.both) if even else np.min(beside.both))
        mean = max(mean, mirrored)  # where it is the same spot, the fit has taken it off already
        u = float(np.hypot(u, 0.5 * max(mirrored, beside.near - mirrored if even else 0.0)))
    elif even:
        # An image with a sharp rim may end within the pad's own rim or beyond it: none of it is on the pad, or all.
        # A pad without any difference between its cells is hardly free of a strong and soft one by chance: strong light
        # tells no more than weak light.
        half = min(beside.near, _NEAR_MOST) / 2
        mean, u = max(mean, half), float(np.hypot(u, half))
    if u > _U_MOST:
        raise _mirrors(
            expected=Message("a pad without mirrored light"),
            found=Message(
                "light that mirrors all over it and may add %(mean)s of white to its colour",
                mean=Number(mean + u, ".0%"),
            ),
        )
    return Veil(mean=mean, u=u)


def _mirrors(*, expected: Shown, found: Shown) -> PhotoUnfitError:
    return PhotoUnfitError(
        expected=expected,
        found=found,
        remedy=Message(
            "Tilt the phone or turn the card so that no lamp or window mirrors in the pad and no "
            "shadow falls on it; retake."
        ),
    )
