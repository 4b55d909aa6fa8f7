"""How much of each light reaches each place of the picture: fall-off, shadows, vignetting, a bent card's shading."""

import cv2
import numpy as np

from stripread.geometry import Float, apply_homography
from stripread.simulate.scene.paint import Image
from stripread.simulate.scene.scene import LightField, Scene, Shadow
from stripread.simulate.scene.view import bend_slope

__all__ = ["field_at", "light_groups", "shadow_at", "strength"]

_SMOOTH_STEP, _SHADOW_STEP = 16, 4  # px between the nodes at which light is worked out; straight lines between them
_LAMP_SLANT = 0.5  # tangent of the light's angle along the card's x: how strongly a bend shows as shading


def light_groups(scene: Scene) -> list[list[int]]:
    """Return the lights in groups of equal fields and shadows: each group needs one picture only."""
    groups: dict[tuple[object, ...], list[int]] = {}
    for i, light in enumerate(scene.lights):
        key = (light, *(s.lights is None or i in s.lights for s in scene.shadows))
        groups.setdefault(key, []).append(i)
    return list(groups.values())


def strength(scene: Scene, light: int, to_card: Float) -> Image | None:
    """Return what each pixel's colour is multiplied by, shape (rows, columns); None where it is 1 all over.

    ``to_card`` is the homography from the picture to the card, shape (3, 3).
    """
    shadows = [s for s in scene.shadows if s.lights is None or light in s.lights]
    lamp, vignetting, bend = scene.lights[light], scene.optics.vignetting, scene.defects.bend_mm
    if not shadows and lamp == LightField() and not vignetting and not bend:
        return None
    width, height = scene.view.size_px
    step = _SHADOW_STEP if shadows else _SMOOTH_STEP
    columns, rows = -(-width // step), -(-height // step)
    x, y = np.meshgrid((np.arange(columns) + 0.5) * step - 0.5, (np.arange(rows) + 0.5) * step - 0.5)
    places = apply_homography(to_card, np.stack([x, y], axis=-1))
    result = field_at(lamp, (scene.card.width_mm, scene.card.height_mm), places)
    for shadow in shadows:
        result *= 1.0 - shadow.darkness * shadow_at(shadow, places)
    if vignetting:
        off_axis = (x - (width - 1) / 2) ** 2 + (y - (height - 1) / 2) ** 2
        result *= 1.0 - vignetting * off_axis / ((width**2 + height**2) / 4)
    if bend:
        result *= 1.0 + _LAMP_SLANT * bend_slope(scene, places)
    full = cv2.resize(result.astype(np.float32), (columns * step, rows * step), interpolation=cv2.INTER_LINEAR)
    return np.asarray(full[:height, :width], np.float32)


def field_at(light: LightField, card_size_mm: tuple[float, float], places_mm: Float) -> Float:
    """Return a light's strength at places of shape (..., 2), as `LightField` states it."""
    width, height = card_size_mm
    if light.form == "point":
        x, y, above = light.from_mm
        squared = np.sum((places_mm - np.array([x, y])) ** 2, axis=-1)
        middle = (width / 2 - x) ** 2 + (height / 2 - y) ** 2
        falling: Float = light.level * ((middle + above**2) / (squared + above**2)) ** 2
        return falling
    angle = np.deg2rad(light.direction_deg)
    towards = np.array([np.cos(angle), np.sin(angle)])
    span = abs(towards[0]) * width + abs(towards[1]) * height
    offset = places_mm - np.array([width / 2, height / 2])
    along = offset @ towards / span + 0.5  # 0 at the bright end of the card, 1 at the other
    if light.form == "constant" or light.drop == 0:
        shape = np.ones(along.shape)
    elif light.form == "linear":
        shape = 1 - light.drop * along
    elif light.form == "quadratic":
        shape = 1 - light.drop * np.maximum(along, 0.0) ** 2
    else:  # a small lamp at height h over its foot: h / (h^2 + r^2)^(3/2), that is inverse square times the cosine
        across = offset @ np.array([-towards[1], towards[0]]) / span
        shape = (1 + (along**2 + across**2) * ((1 - light.drop) ** (-2 / 3) - 1)) ** -1.5
    result: Float = light.level * np.maximum(shape, 0.02)  # the bench far out must not turn black or negative
    return result


def shadow_at(shadow: Shadow, places_mm: Float) -> Float:
    """Return the shadow's share at places of shape (..., 2): 1 inside, half on the edge, 0 outside."""
    corners = np.asarray(shadow.polygon_mm, np.float64)
    x, y = places_mm[..., 0], places_mm[..., 1]
    inside = np.zeros(x.shape, bool)
    nearest = np.full(x.shape, np.inf)
    for (x0, y0), (x1, y1) in zip(corners, np.roll(corners, -1, axis=0), strict=True):
        dx, dy = x1 - x0, y1 - y0
        t = np.clip(((x - x0) * dx + (y - y0) * dy) / max(dx * dx + dy * dy, 1e-12), 0.0, 1.0)
        nearest = np.minimum(nearest, (x - x0 - t * dx) ** 2 + (y - y0 - t * dy) ** 2)
        if dy != 0:  # count the sides that a ray to the right crosses
            inside ^= ((y0 > y) != (y1 > y)) & (x < x0 + (y - y0) * dx / dy)
    depth = np.where(inside, 1.0, -1.0) * np.sqrt(nearest)
    ramp = np.clip(depth / max(shadow.penumbra_mm, 1e-6) + 0.5, 0.0, 1.0)
    result: Float = ramp * ramp * (3 - 2 * ramp)
    return result
