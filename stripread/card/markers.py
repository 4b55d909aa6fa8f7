"""Square markers in a grey picture: finding those of one card, placing their corners, checking that they are real."""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import cv2
import numpy as np
from numpy.typing import NDArray

from stripread.errors import CardFileError
from stripread.geometry import Float, scale_points
from stripread.i18n import Message, Verbatim

__all__ = ["MarkerSet", "Sighting", "detect_markers", "likeness", "load_markers", "refine_corners"]

Grey = NDArray[np.uint8]

_CELL_PX = 5  # of the picture in which a marker is held against its pattern
_ROUNDS = 4
_SETTLED_PX = 0.1
_AT_ONCE = 100  # markers: OpenCV's maps have at most 32767 rows


@dataclass(frozen=True, slots=True, kw_only=True)
class MarkerSet:
    """The markers of one card: OpenCV's dictionary cut down to their ids, which makes decoding fast and lonely.

    ``modules`` counts the cells along a side, the black border included; ``patterns`` holds each id's picture, a few
    pixels a cell, with mean 0 and norm 1.
    """

    dictionary: cv2.aruco.Dictionary
    ids: tuple[int, ...]
    modules: int
    patterns: dict[int, Float]


@dataclass(frozen=True, slots=True, kw_only=True)
class Sighting:
    """A marker seen: its corners have shape (4, 2), in pixels, in the order of the upright marker."""

    id: int
    corners: Float

    @property
    def centre(self) -> Float:
        """The mean of the corners, in pixels, shape (2,)."""
        result: Float = self.corners.mean(axis=0)
        return result

    @property
    def side(self) -> float:
        """Square root of the area, in pixels."""
        return float(np.sqrt(max(cv2.contourArea(self.corners.astype(np.float32)), 1e-6)))


@lru_cache(maxsize=4)
def load_markers(dictionary: str, ids: tuple[int, ...]) -> MarkerSet:
    """Return the markers of these ids.

    Raises
    ------
    CardFileError
        If OpenCV has no such dictionary, or the dictionary no such id.
    """
    number = getattr(cv2.aruco, dictionary, None) if dictionary.startswith("DICT_") else None
    if not isinstance(number, int):
        raise CardFileError(
            expected=Message("the name of a marker dictionary of OpenCV, such as DICT_4X4_50, for 'dictionary'"),
            found=Verbatim(repr(dictionary)),
            remedy=Message("Correct this field of the card's file."),
        )
    whole = cv2.aruco.getPredefinedDictionary(number)
    count = whole.bytesList.shape[0]
    if beyond := [i for i in ids if not 0 <= i < count]:
        raise CardFileError(
            expected=Message("marker ids from 0 to %(last)s (%(dictionary)s)", last=count - 1, dictionary=dictionary),
            found=Verbatim(", ".join(map(str, beyond))),
            remedy=Message("Correct marker.id or 'dictionary' in the card's file."),
        )
    own = cv2.aruco.Dictionary(
        np.ascontiguousarray(whole.bytesList[list(ids)]), whole.markerSize, whole.maxCorrectionBits
    )
    modules = whole.markerSize + 2
    patterns = {}
    for i in ids:
        cells = np.asarray(cv2.aruco.generateImageMarker(whole, i, modules), dtype=np.float64)
        picture = np.kron(cells - cells.mean(), np.ones((_CELL_PX, _CELL_PX)))
        patterns[i] = picture / np.linalg.norm(picture)
    return MarkerSet(dictionary=own, ids=ids, modules=modules, patterns=patterns)


def detect_markers(
    grey: Grey, markers: MarkerSet, *, factor: float, windows: tuple[int, ...], smallest_share: float
) -> list[Sighting]:
    """Look for the markers in the picture scaled by ``factor``; corners come back in pixels of ``grey``.

    ``windows`` are the sides of the adaptive threshold's neighbourhood in scaled pixels, evenly spaced;
    ``smallest_share`` is the side of the smallest marker to look for, as a share of the picture's longer side.
    """
    if min(grey.shape) * factor < 2 * markers.modules:
        return []  # no room for a marker
    if factor < 1:
        grey = np.asarray(cv2.resize(grey, None, fx=factor, fy=factor, interpolation=cv2.INTER_AREA), dtype=np.uint8)
    elif factor > 1:
        grey = np.asarray(cv2.resize(grey, None, fx=factor, fy=factor, interpolation=cv2.INTER_CUBIC), dtype=np.uint8)
    options = cv2.aruco.DetectorParameters()
    options.adaptiveThreshWinSizeMin, options.adaptiveThreshWinSizeMax = windows[0], windows[-1]
    options.adaptiveThreshWinSizeStep = max(1, (windows[-1] - windows[0]) // max(1, len(windows) - 1))
    options.minMarkerPerimeterRate = 4 * smallest_share
    options.cornerRefinementMethod = cv2.aruco.CORNER_REFINE_SUBPIX
    corners, rows, _ = cv2.aruco.ArucoDetector(markers.dictionary, options).detectMarkers(grey)
    if rows is None:
        return []
    return [
        Sighting(id=markers.ids[int(row)], corners=scale_points(np.reshape(quad, (4, 2)), 1 / factor))
        for quad, row in zip(corners, np.ravel(rows), strict=True)
    ]


def refine_corners(grey: Grey, corners: Float, modules: int) -> Float:
    """Place markers' corners where straight lines along their four edges meet.

    Edges stay in place when a photo is soft, where corners are rounded off and a corner detector creeps inwards.
    Across each edge, profiles are read between the outermost modules; an edge point is the centroid of the squared
    gradient from ink to paper, and a line is fitted to these points without those that stray. All markers are done in
    one go, since each round is a few dozen operations on small arrays.

    Parameters
    ----------
    grey : ndarray of uint8, shape (rows, columns)
    corners : ndarray of shape (markers, 4, 2)
        Good to about half a module. [px]
    modules : int
        Cells along a side of a marker, border included.

    Returns
    -------
    ndarray of shape (markers, 4, 2)
        The corners; those given for a marker with an edge that shows no contrast, or whose lines run away.
    """
    if len(corners) > _AT_ONCE:
        halves = np.array_split(corners, 2)
        return np.concatenate([refine_corners(grey, half, modules) for half in halves])
    result = np.array(corners, dtype=np.float64)
    open_ones = np.arange(len(result))
    for _ in range(_ROUNDS):  # each round recentres the profiles
        before = result[open_ones]
        fresh, good = _refine_once(grey, before, modules)
        length = np.linalg.norm(np.roll(before, -1, axis=1) - before, axis=2).max(axis=1)
        good &= np.abs(fresh - corners[open_ones]).max(axis=(1, 2)) <= length / modules
        result[open_ones] = np.where(good[:, None, None], fresh, corners[open_ones])
        open_ones = open_ones[good & (np.abs(fresh - before).max(axis=(1, 2)) >= _SETTLED_PX)]
        if not len(open_ones):
            break
    return result


def _refine_once(grey: Grey, corners: Float, modules: int) -> tuple[Float, NDArray[np.bool_]]:
    """Corners (m, 4, 2) placed anew from profiles across the edges between those given, and which (m,) are sound."""
    along = np.roll(corners, -1, axis=1) - corners
    length = np.linalg.norm(along, axis=2)
    good = length.min(axis=1) >= modules  # less than a pixel a module: nothing to gain
    # Corners run clockwise in the picture.
    out = np.stack([along[..., 1], -along[..., 0]], axis=2) / np.maximum(length, 1e-9)[..., None]
    # Inside the border; longer profiles meet the blur of inner cells.
    reach = np.maximum(1.5, 0.5 * length.min(axis=1) / modules)
    # A step is at most a pixel. Smaller markers' profiles stand still once they are through, where nothing rises.
    count = 2 * np.ceil(reach)
    step = np.minimum(2 / count[:, None] * np.arange(count.max() + 1), 2.0)
    steps = reach[:, None] * (step - 1)
    t = np.linspace(1 / modules, 1 - 1 / modules, int(np.clip(length.max(), 8, 40)))
    # marker, edge, t, step; x and y apart, as NumPy is slow along an axis of two
    x, y = (
        (
            (corners[..., axis, None] + t * along[..., axis, None])[..., None]
            + steps[:, None, None, :] * out[..., axis, None, None]
        ).astype(np.float32)
        for axis in (0, 1)
    )
    shape, flat = x.shape, (-1, x.shape[-1])
    profile = cv2.remap(grey, x.reshape(flat), y.reshape(flat), cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    profile = profile.reshape(shape)
    rise = np.diff(profile.astype(np.float64), axis=3).clip(min=0) ** 2
    weight = rise.sum(axis=3)
    middle = (steps[:, 1:] + steps[:, :-1]) / 2
    offset = (rise @ middle[:, None, :, None])[..., 0] / np.maximum(weight, 1e-9)
    keep = (weight > 0.1 * _median(weight)) & (weight > 4)
    line, enough = _fit_lines(t, offset, keep)
    begin = corners + line[..., :1] * out
    end = np.roll(corners, -1, axis=1) + line.sum(axis=2, keepdims=True) * out
    # Lines a x + b y + c = 0 along the edges; each corner is where its edge meets the one before.
    rise_y, run_x = begin[..., 1] - end[..., 1], end[..., 0] - begin[..., 0]
    constant = begin[..., 0] * end[..., 1] - end[..., 0] * begin[..., 1]
    a, b, c = (np.stack([np.roll(v, 1, axis=1), v]) for v in (rise_y, run_x, constant))
    apart = a[0] * b[1] - a[1] * b[0]
    good &= enough & (np.abs(apart).min(axis=1) >= 1e-9)
    apart = np.where(good[:, None], apart, 1.0)
    meet = np.stack([b[0] * c[1] - b[1] * c[0], c[0] * a[1] - c[1] * a[0]], axis=2) / apart[..., None]
    return meet, good


def _median(values: Float) -> Float:
    """Median along the last axis, which is kept; `numpy.median` takes several times as long on small arrays."""
    half = values.shape[-1] // 2
    first = half if values.shape[-1] % 2 else half - 1
    middle: Float = np.sort(values, axis=-1)[..., first : half + 1].mean(axis=-1, keepdims=True)
    return middle


def _fit_lines(t: Float, offset: Float, keep: NDArray[np.bool_]) -> tuple[Float, NDArray[np.bool_]]:
    """Intercept and slope (m, 4, 2) of straight lines through ``offset`` (m, 4, t), the second time without strays.

    Also tells which markers (m,) had four points or more on each edge, both times.
    """
    enough = np.ones(len(offset), dtype=np.bool_)
    for last in (False, True):
        n = keep.sum(axis=2)
        enough &= n.min(axis=1) >= 4
        n = np.maximum(n, 1)
        t_mean, y_mean = (keep @ t) / n, (keep * offset).sum(axis=2) / n
        dt = keep * (t - t_mean[..., None])
        slope = (dt * offset).sum(axis=2) / np.maximum((dt * dt).sum(axis=2), 1e-12)
        line = np.stack([y_mean - slope * t_mean, slope], axis=2)
        if not last:
            stray = np.abs(offset - line[..., :1] - line[..., 1:] * t)
            typical = _median(stray)
            keep = keep & (stray <= 2.5 * 1.4826 * typical + 0.05)
    return line, enough


def likeness(grey: Grey, sightings: Sequence[Sighting], markers: MarkerSet) -> Float:
    """Correlation of markers' pictures with their patterns, -1 to 1: high only where the cells are even inside."""
    side = markers.modules * _CELL_PX
    square = np.array([[0, 0], [side, 0], [side, side], [0, side]], dtype=np.float32) - np.float32(0.5)
    found = np.zeros(len(sightings))
    for n, sighting in enumerate(sightings):
        matrix = cv2.getPerspectiveTransform(square, sighting.corners.astype(np.float32))
        seen = cv2.warpPerspective(grey, matrix, (side, side), flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP)
        apart = seen - seen.mean()
        spread = float(np.linalg.norm(apart))
        if spread >= side:  # a standard deviation of a code
            found[n] = float((apart * markers.patterns[sighting.id]).sum()) / spread
    return found
