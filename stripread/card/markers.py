"""Square markers in a grey picture: finding those of one card, placing their corners, checking that they are real."""

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from stripread.errors import CardFileError
from stripread.geometry import Float, scale_points

__all__ = ["MarkerSet", "Sighting", "detect_markers", "likeness", "load_markers", "refine_corners"]

Grey = NDArray[np.uint8]


@dataclass(frozen=True, slots=True, kw_only=True)
class MarkerSet:
    """The markers of one card: OpenCV's dictionary cut down to their ids, which makes decoding fast and lonely.

    ``modules`` counts the cells along a side, the black border included; ``patterns`` holds each id's cells, 0 or 255.
    """

    dictionary: cv2.aruco.Dictionary
    ids: tuple[int, ...]
    modules: int
    patterns: dict[int, Grey]


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


def load_markers(dictionary: str, ids: Sequence[int]) -> MarkerSet:
    """Return the markers of these ids.

    Raises
    ------
    CardFileError
        If OpenCV has no such dictionary, or the dictionary no such id.
    """
    number = getattr(cv2.aruco, dictionary, None) if dictionary.startswith("DICT_") else None
    if not isinstance(number, int):
        raise CardFileError(
            expected="the name of a marker dictionary of OpenCV, such as DICT_4X4_50, for 'dictionary'",
            found=repr(dictionary),
            remedy="Correct this field of the card's file.",
        )
    whole = cv2.aruco.getPredefinedDictionary(number)
    count = whole.bytesList.shape[0]
    if beyond := [i for i in ids if not 0 <= i < count]:
        raise CardFileError(
            expected=f"marker ids from 0 to {count - 1} ({dictionary})",
            found=", ".join(map(str, beyond)),
            remedy="Correct marker.id or 'dictionary' in the card's file.",
        )
    own = cv2.aruco.Dictionary(
        np.ascontiguousarray(whole.bytesList[list(ids)]), whole.markerSize, whole.maxCorrectionBits
    )
    modules = whole.markerSize + 2
    patterns = {i: np.asarray(cv2.aruco.generateImageMarker(whole, i, modules), dtype=np.uint8) for i in ids}
    return MarkerSet(dictionary=own, ids=tuple(ids), modules=modules, patterns=patterns)


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
    """Place a marker's corners where straight lines along its four edges meet.

    Edges stay in place when a photo is soft, where corners are rounded off and a corner detector creeps inwards.
    Across each edge, profiles are read between the outermost modules; an edge point is the centroid of the squared
    gradient from ink to paper, and a line is fitted to these points without those that stray.

    Parameters
    ----------
    grey : ndarray of uint8, shape (rows, columns)
    corners : ndarray of shape (4, 2)
        Good to about half a module. [px]
    modules : int
        Cells along a side of the marker, border included.

    Returns
    -------
    ndarray of shape (4, 2)
        The corners; those given where an edge shows no contrast or the lines run away.
    """
    start = corners
    for _ in range(3):  # each round recentres the profiles
        along = np.roll(corners, -1, axis=0) - corners
        length = np.linalg.norm(along, axis=1)
        if length.min() < modules:  # less than a pixel a module: nothing to gain
            return start
        out = np.column_stack([along[:, 1], -along[:, 0]]) / length[:, None]  # corners run clockwise in the picture
        reach = max(1.5, 0.5 * length.min() / modules)  # inside the border; longer ones meet the blur of inner cells
        steps = np.linspace(-reach, reach, 2 * int(np.ceil(reach)) + 1)
        t = np.linspace(1 / modules, 1 - 1 / modules, int(np.clip(length.max(), 8, 40)))
        points = corners[:, None] + t[:, None] * along[:, None]
        at = (points[:, :, None] + steps[:, None] * out[:, None, None]).reshape(4 * len(t), -1, 2).astype(np.float32)
        profile = cv2.remap(grey, at[..., 0], at[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
        rise = np.diff(profile.astype(np.float64), axis=1).clip(min=0).reshape(4, len(t), -1) ** 2
        weight = rise.sum(axis=2)
        middle = (steps[1:] + steps[:-1]) / 2
        offset = (rise @ middle) / np.maximum(weight, 1e-9)
        keep = (weight > 0.1 * np.median(weight, axis=1, keepdims=True)) & (weight > 4)
        line = _fit_lines(t, offset, keep)
        if line is None:
            return start
        begin = corners + line[:, :1] * out
        end = np.roll(corners, -1, axis=0) + line.sum(axis=1, keepdims=True) * out
        lines = np.cross(_homogeneous(begin), _homogeneous(end))
        meet = np.cross(np.roll(lines, 1, axis=0), lines)
        if np.abs(meet[:, 2]).min() < 1e-9:
            return start
        before, corners = corners, meet[:, :2] / meet[:, 2:]
        if np.abs(corners - start).max() > length.max() / modules:
            return start
        if np.abs(corners - before).max() < 0.1:
            break
    return corners


def _fit_lines(t: Float, offset: Float, keep: NDArray[np.bool_]) -> Float | None:
    """Intercept and slope of a straight line for each row of ``offset``, twice, the second time without strays."""
    line = None
    for _ in range(2):
        n = keep.sum(axis=1)
        if n.min() < 4:
            return None
        t_mean = (keep * t).sum(axis=1) / n
        y_mean = (keep * offset).sum(axis=1) / n
        dt = t - t_mean[:, None]
        slope = (keep * dt * offset).sum(axis=1) / (keep * dt**2).sum(axis=1)
        line = np.column_stack([y_mean - slope * t_mean, slope])
        stray = np.abs(offset - line[:, :1] - line[:, 1:] * t)
        typical = np.median(stray, axis=1, keepdims=True)
        keep = keep & (stray <= 2.5 * 1.4826 * typical + 0.05)
    return line


def _homogeneous(points: Float) -> Float:
    return np.column_stack([points, np.ones(len(points))])


def likeness(grey: Grey, sighting: Sighting, markers: MarkerSet) -> float:
    """Correlation of the marker's picture with its pattern, -1 to 1: high only where the cells are even inside."""
    cell = 5
    side = markers.modules * cell
    square = np.array([[0, 0], [side, 0], [side, side], [0, side]], dtype=np.float32) - 0.5
    matrix = cv2.getPerspectiveTransform(square, sighting.corners.astype(np.float32))
    seen = cv2.warpPerspective(grey, matrix, (side, side), flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP)
    ideal = np.kron(markers.patterns[sighting.id], np.ones((cell, cell)))
    if seen.std() < 1:
        return 0.0
    return float(np.corrcoef(seen.ravel(), ideal.ravel())[0, 1])
