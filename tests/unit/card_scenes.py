"""Scenes with a known pose for the tests of card finding: a card raster in front of a cluttered bench."""

from dataclasses import dataclass
from itertools import pairwise

import cv2
import numpy as np
from numpy.typing import NDArray

from stripread.card import CardLayout, Marker
from stripread.card.layout import Patch
from stripread.geometry import Float, Rect, apply_homography
from stripread.photo import Photo

Image = NDArray[np.uint8]
FOCAL = 0.8  # of the longer side: between the 24 and 28 mm lenses (equivalent) of most phones


def small_card(dictionary: str = "DICT_4X4_50", ids: tuple[int, ...] = (0, 1, 2, 3)) -> CardLayout:
    """A card of 190 x 130 mm with a 15 mm marker in each corner and twelve patches."""
    places = [(5.0, 5.0), (170.0, 5.0), (170.0, 110.0), (5.0, 110.0)]
    rng = np.random.default_rng(1)
    patches = tuple(
        Patch(
            id=f"p{i}",
            rect=Rect(28.0 + 23.0 * (i % 6), 28.0 + 60.0 * (i // 6), 16.0, 16.0),
            role="grey" if i < 6 else "colour",
            lab=(15.0 + 14.0 * (i % 6), *(float(v) for v in rng.uniform(-50, 50, 2) * (i >= 6))),  # type: ignore[arg-type]
        )
        for i in range(12)
    )
    markers = tuple(
        Marker(id=marker_id, corners_mm=Rect(x, y, 15.0, 15.0).corners)
        for marker_id, (x, y) in zip(ids, places, strict=True)
    )
    return CardLayout(
        name="small", width_mm=190.0, height_mm=130.0, dictionary=dictionary, markers=markers, patches=patches
    )


def draw_card(card: CardLayout, px_per_mm: int, *, hidden: tuple[int, ...] = ()) -> Image:
    """The card as a raster; markers in ``hidden`` lie under a leaf."""
    raster = np.full((round(card.height_mm * px_per_mm), round(card.width_mm * px_per_mm), 3), 235, dtype=np.uint8)
    dictionary = cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, card.dictionary))
    for i, patch in enumerate(card.patches):
        x, y, w, h = (round(v * px_per_mm) for v in (patch.rect.x, patch.rect.y, patch.rect.width, patch.rect.height))
        raster[y : y + h, x : x + w] = np.random.default_rng(i).integers(30, 220, 3)
    for marker in card.markers:
        side = round(np.ptp(marker.corners_mm[:, 0]) * px_per_mm)
        tile = cv2.aruco.generateImageMarker(dictionary, marker.id, side)
        ink = (25 + tile.astype(np.float64) * (235 - 25) / 255).astype(np.uint8)
        x, y = np.round(marker.corners_mm.min(axis=0) * px_per_mm).astype(int)
        raster[y : y + side, x : x + side] = ink[..., None]
        if marker.id in hidden:
            centre = (int(x + side * 0.4), int(y + side * 0.6))
            cv2.ellipse(raster, centre, (int(side * 0.6), int(side * 0.4)), 30, 0, 360, (70, 120, 40), -1)
    return raster


def pose_homography(
    card: CardLayout,
    size: tuple[int, int],
    *,
    share: float,
    turn_deg: float,
    tilt_deg: float = 0.0,
    tilt_towards_deg: float = 0.0,
    centre: tuple[float, float] = (0.5, 0.5),
) -> Float:
    """Card mm to pixels of a picture of ``size``, as a phone sees it: the card's length is ``share`` of the width.

    Where it would not fit, it is made as large as fits (share 1, turned: the outline touches the edges).

    ``centre`` places the box in the room that is left, from 0 (left, top) to 1.
    """
    width, height = size
    focal = FOCAL * max(size)
    camera = np.array([[focal, 0, (width - 1) / 2], [0, focal, (height - 1) / 2], [0, 0, 1]])
    axis = np.radians(tilt_towards_deg)
    turn, _ = cv2.Rodrigues(np.array([0, 0, np.radians(turn_deg)]))
    tilt, _ = cv2.Rodrigues(np.radians(tilt_deg) * np.array([np.cos(axis), np.sin(axis), 0]))
    rotation = tilt @ turn
    middle = np.array([card.width_mm / 2, card.height_mm / 2])
    place = np.array([0.0, 0.0, 1000.0])
    for _ in range(30):  # fixed point: move and scale until the box fits
        to_camera = np.column_stack([rotation[:, 0], rotation[:, 1], place - rotation[:, :2] @ middle])
        outline = apply_homography(camera @ to_camera, card.corners_mm)
        low, high = outline.min(axis=0), outline.max(axis=0)
        room = np.array([width, height]) - (high - low)
        middle_line = apply_homography(camera @ to_camera, middle + np.array([[-1, 0], [1, 0], [0, -1], [0, 1]]))
        px_per_mm = np.sqrt(abs(np.linalg.det(middle_line[1::2] - middle_line[::2]))) / 2
        place[2] *= max(*((high - low) / size), px_per_mm * card.width_mm / (share * width))
        wanted = np.array(centre) * room - 0.5
        place[:2] += (wanted - low) * place[2] / focal * 0.7
    homography = camera @ to_camera
    return np.asarray(homography / homography[2, 2])


@dataclass(frozen=True, kw_only=True)
class Conditions:
    """How the photo was taken."""

    blur_modules: float = 0.0  # Gaussian sigma in modules of the marker that is smallest in the picture
    noise: float = 2.0  # standard deviation of a pixel, 8-bit codes
    shadow: bool = False  # a sharp edge through the first marker, lit : shaded = 3 : 1
    clutter: bool = True
    gain: float = 1.0
    quality: int = 88


def bench(size: tuple[int, int], rng: np.random.Generator, *, clutter: bool = True, pieces: int = 90) -> Image:
    """A bench: rectangles, printed text, checkerboards, and grids of random black and white cells."""
    width, height = size
    picture = np.full((height, width, 3), rng.integers(60, 190, 3), dtype=np.uint8)
    if not clutter:
        return picture
    unit = max(size) / 2000
    for _ in range(pieces):
        x, y = int(rng.uniform(0, width)), int(rng.uniform(0, height))
        side = int(rng.uniform(20, 200) * unit)
        kind = rng.integers(0, 4)
        tint = tuple(int(v) for v in rng.integers(0, 255, 3))
        if kind == 0:
            box = cv2.boxPoints(((x, y), (side, side * rng.uniform(0.3, 1)), rng.uniform(0, 90)))
            cv2.fillPoly(picture, [box.astype(np.int32)], tint)
        elif kind == 1:
            size_of_text = rng.uniform(0.4, 3) * unit
            cv2.putText(picture, "LOT 4711 dip 30 s", (x, y), 0, size_of_text, tint, max(1, int(2 * size_of_text)))
        else:
            cells = int(rng.integers(4, 9))
            grid = np.indices((cells, cells)).sum(axis=0) % 2 if kind == 2 else rng.integers(0, 2, (cells, cells))
            if rng.random() < 0.5:  # a black frame makes it a marker of nobody
                grid = np.pad(np.pad(grid, 1), 1, constant_values=1)
            tile = cv2.resize((grid * 200 + 30).astype(np.uint8), (side, side), interpolation=cv2.INTER_NEAREST)
            matrix = cv2.getRotationMatrix2D((side / 2, side / 2), rng.uniform(0, 360), 1)
            matrix[:, 2] += (x, y)
            cv2.warpAffine(
                np.dstack([tile] * 3), matrix, size, dst=picture, flags=cv2.INTER_LINEAR,
                borderMode=cv2.BORDER_TRANSPARENT,
            )  # fmt: skip
    return picture


def put_card(
    picture: Image, card: CardLayout, homography: Float, *, hidden: tuple[int, ...] = (), raster: Image | None = None
) -> None:
    """Draw the card into the picture through a homography (card mm to pixels of this picture)."""
    a, b = apply_homography(homography, np.array([[0, card.height_mm / 2], [card.width_mm, card.height_mm / 2]]))
    scale = float(np.hypot(*(a - b))) / card.width_mm
    px_per_mm = 16 if scale > 8 else 8
    raster = draw_card(card, px_per_mm, hidden=hidden) if raster is None else raster
    if scale < px_per_mm:
        raster = cv2.GaussianBlur(raster, (0, 0), 0.45 * px_per_mm / scale).astype(np.uint8)
    to_mm = np.array([[1 / px_per_mm, 0, 0.5 / px_per_mm], [0, 1 / px_per_mm, 0.5 / px_per_mm], [0, 0, 1]])
    cv2.warpPerspective(
        raster, homography @ to_mm, picture.shape[1::-1], dst=picture, flags=cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_TRANSPARENT,
    )  # fmt: skip


def take(picture: Image, card: CardLayout, homography: Float, how: Conditions, rng: np.random.Generator) -> bytes:
    """Blur, light, noise and JPEG."""
    corners = apply_homography(homography, card.markers[0].corners_mm)
    light = picture.astype(np.float32)
    if how.shadow:
        normal = np.array([np.cos(0.9), np.sin(0.9)])
        height, width = picture.shape[:2]
        x, y = np.arange(width, dtype=np.float32), np.arange(height, dtype=np.float32)[:, None]
        distance = (x - corners[:, 0].mean()) * np.float32(normal[0]) + (y - corners[:, 1].mean()) * np.float32(
            normal[1]
        )
        lit = np.clip(distance / 2 + 0.5, 0, 1)  # in linear light 3 : 1; in sRGB codes about 0.61
        light *= (0.61 + 0.39 * lit)[..., None]
    if how.blur_modules > 0:
        bits = cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, card.dictionary)).markerSize + 2
        areas = [cv2.contourArea(apply_homography(homography, m.corners_mm).astype(np.float32)) for m in card.markers]
        module = float(np.sqrt(min(areas))) / bits
        light = cv2.GaussianBlur(light, (0, 0), how.blur_modules * module).astype(np.float32)
    grain = np.empty(light.shape, dtype=np.float32)
    cv2.setRNGSeed(int(rng.integers(1 << 30)))
    cv2.randn(grain, 0, how.noise)
    codes = np.clip(light * how.gain + grain, 0, 255).astype(np.uint8)
    return cv2.imencode(".jpg", codes[..., ::-1], [cv2.IMWRITE_JPEG_QUALITY, how.quality])[1].tobytes()


def as_photo(jpeg: bytes, *, full_size: tuple[int, int], reduction: int, decode_reduced: bool = False) -> Photo:
    """The photo; a JPEG drawn at the reduced size stands for the reduced decode unless ``decode_reduced``."""
    flag = {1: cv2.IMREAD_COLOR, 2: cv2.IMREAD_REDUCED_COLOR_2, 4: cv2.IMREAD_REDUCED_COLOR_4}
    picture = cv2.imdecode(np.frombuffer(jpeg, np.uint8), flag[reduction if decode_reduced else 1])
    assert picture is not None
    return photo_of(np.ascontiguousarray(picture[..., ::-1]), full_size=full_size, reduction=reduction)


def photo_of(
    pixels: NDArray[np.uint8] | NDArray[np.uint16], *, full_size: tuple[int, int], reduction: int = 1
) -> Photo:
    """A photo of these pixels with sRGB's curve."""
    codes = 256 if pixels.dtype == np.uint8 else 65536
    code = np.linspace(0, 1, codes)
    curve = np.where(code <= 0.04045, code / 12.92, ((code + 0.055) / 1.055) ** 2.4).astype(np.float32)
    return Photo(
        name="scene.jpg", sha256="0" * 64, format="JPEG", pixels=pixels, reduction=reduction, full_size=full_size,
        decode_table=np.column_stack([curve] * 3), to_srgb=np.eye(3), taken_at=None, camera=None,
    )  # fmt: skip


def scene(
    card: CardLayout,
    *,
    seed: int,
    full_size: tuple[int, int] = (4032, 3024),
    reduction: int = 2,
    share: float = 0.6,
    turn_deg: float = 0.0,
    tilt_deg: float = 0.0,
    tilt_towards_deg: float = 0.0,
    centre: tuple[float, float] = (0.5, 0.5),
    how: Conditions | None = None,
    hidden: tuple[int, ...] = (),
    decode_reduced: bool = False,
) -> tuple[Photo, Float]:
    """A photo of the card and the true homography, card mm to full-size pixels."""
    rng = np.random.default_rng(seed)
    how = how or Conditions()
    truth = pose_homography(
        card, full_size, share=share, turn_deg=turn_deg, tilt_deg=tilt_deg, tilt_towards_deg=tilt_towards_deg,
        centre=centre,
    )  # fmt: skip
    k = 1.0 if decode_reduced else 1.0 / reduction
    drawn = np.array([[k, 0, 0.5 * k - 0.5], [0, k, 0.5 * k - 0.5], [0, 0, 1]]) @ truth
    size = (round(full_size[0] * k), round(full_size[1] * k))
    picture = bench(size, rng, clutter=how.clutter)
    put_card(picture, card, drawn, hidden=hidden)
    jpeg = take(picture, card, drawn, how, rng)
    return as_photo(jpeg, full_size=full_size, reduction=reduction, decode_reduced=decode_reduced), truth


def put_bent_card(picture: Image, card: CardLayout, homography: Float, *, sagitta_mm: float, strips: int = 38) -> None:
    """Draw the card bent about its short axis, its ends ``sagitta_mm`` nearer than its middle, in flat strips."""
    height, width = picture.shape[:2]
    focal = FOCAL * max(width, height)
    camera = np.array([[focal, 0, (width - 1) / 2], [0, focal, (height - 1) / 2], [0, 0, 1]])
    axes = np.linalg.inv(camera) @ homography
    axes /= np.linalg.norm(axes[:, 0]) * np.sign(axes[2, 2])
    away = np.cross(axes[:, 0], axes[:, 1])
    radius = card.width_mm**2 / 8 / sagitta_mm
    raster = draw_card(card, 8)
    edges = np.linspace(0, card.width_mm, strips + 1)
    for left, right in pairwise(edges):
        on_card = Rect(left, 0, right - left, card.height_mm).corners
        angle = (on_card[:, 0] - card.width_mm / 2) / radius
        x, z = card.width_mm / 2 + radius * np.sin(angle), radius * (np.cos(angle) - 1)
        seen = camera @ (axes[:, :1] * x + axes[:, 1:2] * on_card[:, 1] + axes[:, 2:] + away[:, None] * z)
        columns = slice(max(0, round(left * 8) - 2), round(right * 8))
        source = on_card * 8 - 0.5 - np.array([columns.start, 0])
        matrix = cv2.getPerspectiveTransform(source.astype(np.float32), (seen[:2] / seen[2]).T.astype(np.float32))
        piece = np.ascontiguousarray(raster[:, columns])
        cv2.warpPerspective(
            piece, matrix, (width, height), dst=picture, flags=cv2.INTER_LINEAR, borderMode=cv2.BORDER_TRANSPARENT
        )
