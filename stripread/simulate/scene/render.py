"""Draw a scene as the sensor would see it: linear camera RGB before noise, with the truth of where things are."""

from dataclasses import dataclass

import cv2
import numpy as np

from stripread.geometry import Float
from stripread.simulate.looks.card_wear import wear_card
from stripread.simulate.looks.lens import bend_through_lens, seen_through_lens
from stripread.simulate.looks.strip import looked_pad_corners_mm, paint_strip_look
from stripread.simulate.optics.light import light_groups, strength
from stripread.simulate.scene.artwork import Easel, paint_card, place_easel
from stripread.simulate.scene.paint import Image
from stripread.simulate.scene.scene import Materials, Optics, Scene, StripPlacement
from stripread.simulate.scene.strip import paint_strip
from stripread.simulate.scene.surroundings import paint_bench, paint_over
from stripread.simulate.scene.vial_art import paint_vial, vial_block_middles
from stripread.simulate.scene.view import bent_points, mirrored, project, unbend_map

__all__ = ["Rendered", "render"]

_ROWS = 64  # per block: small enough to stay in the processor's cache
_BEND_STEP = 8  # px between the nodes of the map that bends the picture


@dataclass(frozen=True, slots=True, kw_only=True)
class Rendered:
    """A picture and its truth.

    Attributes
    ----------
    image : ndarray of float32, shape (rows, columns, 3)
        Linear camera RGB without noise; 1 saturates the sensor, and lights may exceed it.
    homography : ndarray, shape (3, 3)
        From mm on the flat card to pixels of the picture as it is (mirrored, if it is), but for the bend that a look's
        lens gives it; the points below are given that as well.
    card_corners_px : ndarray, shape (4, 2)
        In the order of ``CardLayout.corners_mm``.
    pad_polygons_px : dict
        For each pad in view its corners, shape (4, 2), in the order of `pad_corners_mm`.
    block_middles_px : ndarray (n, 2) or None
        Middles of the blocks on the vial (of a flat card), in the vial's order.
    """

    image: Image
    homography: Float
    card_corners_px: Float
    pad_polygons_px: dict[str, Float]
    block_middles_px: Float | None = None


def render(scene: Scene, materials: Materials, *, seed: int) -> Rendered:
    """Draw a scene.

    Inside a surface the picture is its material's colour times the strength of the lights, exactly, apart from the
    scene's ``texture``, whose mean is 1.

    Raises
    ------
    KeyError
        If a material that the scene shows is missing.
    ValueError
        If a material has not one colour for each of the scene's lights.
    """
    for name, colours in materials.items():
        if np.shape(colours) != (len(scene.lights), 3):
            raise ValueError(f"{name}: colours of shape {np.shape(colours)} for {len(scene.lights)} lights")
    groups = light_groups(scene)
    paints = {name: np.array([np.sum(c[g], axis=0) for g in groups]) for name, c in materials.items()}
    homography = project(scene.card, scene.view)
    rng = np.random.default_rng(seed)
    width, height = scene.view.size_px
    easel = Easel(
        layers=np.empty((len(groups), height, width, 3), np.float32),
        homography=homography,
        to_card=np.asarray(np.linalg.inv(homography), np.float64),
        paints=paints,
    )
    paint_bench(easel, scene, rng)
    if scene.defects.second_card is not None:
        paint_card(place_easel(easel, scene.card, scene.defects.second_card), scene.card)
    paint_card(easel, scene.card)
    if scene.look is not None:
        wear_card(easel, scene.card, scene.look.card)
    if scene.beside is not None:
        _paint_any_strip(easel, scene, scene.beside, rng, prefix="beside:")
    if scene.strip is not None:
        _paint_any_strip(easel, scene, scene.strip, rng)
    if scene.vial is not None:
        paint_vial(easel, scene, scene.vial)
    paint_over(easel, scene)
    image = _light_up(scene, easel, groups, rng)
    image = _through_the_lens(scene, image)

    def seen(points_mm: Float) -> Float:
        points = bent_points(scene, points_mm)
        if scene.look is not None:
            points = seen_through_lens(scene.look.lens, points, scene.view.size_px)
        if scene.defects.mirror:
            points[..., 0] = width - 1 - points[..., 0]
        return points

    strip = scene.strip
    pads = strip.kind.pads if strip is not None and not strip.face_down else ()
    return Rendered(
        image=image,
        homography=mirrored(homography, width) if scene.defects.mirror else homography,
        card_corners_px=seen(scene.card.corners_mm),
        pad_polygons_px={p.id: seen(looked_pad_corners_mm(scene, strip, p)) for p in pads if strip is not None},
        block_middles_px=None if scene.vial is None else vial_block_middles(scene, scene.vial),
    )


def _paint_any_strip(
    easel: Easel, scene: Scene, strip: StripPlacement, rng: np.random.Generator, *, prefix: str = ""
) -> None:
    if scene.look is None:
        paint_strip(easel, scene, strip, rng, prefix=prefix)
    else:
        paint_strip_look(easel, scene, strip, scene.look, prefix=prefix)


def _light_up(scene: Scene, easel: Easel, groups: list[list[int]], rng: np.random.Generator) -> Image:
    """Multiply each picture by its light and the surfaces' grain and add them up, in place."""
    strengths = [strength(scene, group[0], easel.to_card) for group in groups]
    grain = _grain(scene.texture, scene.view.size_px[0], rng) if scene.texture else None
    image: Image = easel.layers[0]
    for top in range(0, image.shape[0], _ROWS):
        rows = slice(top, top + _ROWS)
        total = image[rows]
        for i, (layer, light) in enumerate(zip(easel.layers, strengths, strict=True)):
            block = layer[rows]
            if light is not None:
                _multiply(block, light[rows])
            if i:
                total += block
        if grain is not None:
            _multiply(total, grain[np.arange(top, top + len(total)) % len(grain)])
    return image


def _multiply(block: Image, factor: Image) -> None:
    cv2.multiply(block, cv2.merge([factor, factor, factor]), dst=block)


def _grain(relative_sd: float, width: int, rng: np.random.Generator) -> Image:
    """Return a band of fine grain of mean 1 as wide as the picture, to be repeated downwards."""
    noise = rng.standard_normal((512, 512), dtype=np.float32)
    noise = (noise - noise.mean()) * np.float32(relative_sd / noise.std())
    return np.ascontiguousarray(1 + noise[:, np.arange(width) % 512])


def _through_the_lens(scene: Scene, image: Image) -> Image:
    """Bend, blur and mirror the picture."""
    if scene.defects.bend_mm:
        nodes = unbend_map(scene, _BEND_STEP).astype(np.float32)
        rows, columns = nodes.shape[:2]
        full = cv2.resize(nodes, (columns * _BEND_STEP, rows * _BEND_STEP), interpolation=cv2.INTER_LINEAR)
        full = np.ascontiguousarray(full[: image.shape[0], : image.shape[1]])
        image = np.asarray(cv2.remap(image, full, None, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE), np.float32)
    if scene.look is not None:
        image = bend_through_lens(scene.look.lens, image)
    image = _blur(scene.optics, image)
    return np.ascontiguousarray(image[:, ::-1]) if scene.defects.mirror else image


def _blur(optics: Optics, image: Image) -> Image:
    if optics.motion_px > 0:
        image = np.asarray(cv2.filter2D(image, -1, _streak(optics), borderType=cv2.BORDER_REPLICATE), np.float32)
    if optics.blur_sigma_px > 0:
        half = max(1, round(3 * optics.blur_sigma_px))
        size = (2 * half + 1, 2 * half + 1)
        image = np.asarray(cv2.GaussianBlur(image, size, optics.blur_sigma_px), np.float32)
    return image


def _streak(optics: Optics) -> Image:
    """Return the kernel of a straight, even movement; its sum is 1."""
    half = int(np.ceil(optics.motion_px / 2)) + 1
    kernel = np.zeros((2 * half + 1, 2 * half + 1), np.float32)
    angle = np.deg2rad(optics.motion_angle_deg)
    for t in np.linspace(-optics.motion_px / 2, optics.motion_px / 2, 16 * half + 1):
        x, y = half + t * np.cos(angle), half + t * np.sin(angle)
        left, top = int(np.floor(x)), int(np.floor(y))
        fx, fy = x - left, y - top
        kernel[top : top + 2, left : left + 2] += np.outer([1 - fy, fy], [1 - fx, fx])
    return np.asarray(kernel / kernel.sum(), np.float32)
