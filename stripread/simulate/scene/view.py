"""From mm on the card to pixels of the picture: a pinhole camera over a flat card, or over one that is bent."""

import numpy as np

from stripread.card import CardLayout
from stripread.geometry import Float, apply_homography
from stripread.simulate.scene.scene import Scene, View

__all__ = ["bend_slope", "bent_points", "height_column", "lens_place", "mirrored", "project", "unbend_map"]

_FADE_MM = 40.0  # over which the bench comes down to flat beside a bent card, so that the picture has no tear


def project(card: CardLayout, view: View) -> Float:
    """Return the homography, shape (3, 3), from the flat card to the picture.

    It is scaled so that the third coordinate is the distance from the camera along its axis (in mm, positive in
    front). The camera's distance follows from the view's ``card_width_share``.
    """
    homography, _ = _camera(card, view)
    return homography


def lens_place(card: CardLayout, view: View) -> tuple[float, float, float]:
    """Return where the lens is: x and y over the card and its height. [mm]."""
    width, height = view.size_px
    focal = view.focal_share * max(width, height)
    lens = np.array([[focal, 0, (width - 1) / 2], [0, focal, (height - 1) / 2], [0, 0, 1.0]])
    pose = np.linalg.inv(lens) @ project(card, view)
    axes = np.column_stack([pose[:, :2], np.cross(pose[:, 0], pose[:, 1])])
    x, y, height_mm = -axes.T @ pose[:, 2]
    return float(x), float(y), abs(float(height_mm))


def height_column(card: CardLayout, view: View) -> tuple[Float, Float]:
    """Return the homography of `project` and, per mm that a place stands up, what is added to a place."""
    return _camera(card, view)


def mirrored(homography: Float, width_px: int) -> Float:
    """Return the homography into the picture flipped left to right."""
    flip = np.array([[-1.0, 0.0, width_px - 1.0], [0.0, 1.0, 0.0], [0.0, 0.0, 1.0]])
    return flip @ homography


def bent_points(scene: Scene, points_mm: Float) -> Float:
    """Return where places on the card, shape (..., 2), show in the picture, with the card's bend."""
    homography, normal = _camera(scene.card, scene.view)
    points = np.asarray(points_mm, np.float64)
    seen = points @ homography[:, :2].T + homography[:, 2] + _height(scene, points)[..., None] * normal
    result: Float = seen[..., :2] / seen[..., 2:]
    return result


def unbend_map(scene: Scene, step: int) -> Float:
    """Return for every ``step``-th pixel where the picture of the flat card shows what the bent one shows there.

    Returns
    -------
    ndarray, shape (ceil(rows / step), ceil(columns / step), 2)
        Picture points; node (i, j) belongs to the pixel ``((j + 0.5) * step - 0.5, (i + 0.5) * step - 0.5)``.
    """
    width, height = scene.view.size_px
    x = (np.arange(-(-width // step)) + 0.5) * step - 0.5
    y = (np.arange(-(-height // step)) + 0.5) * step - 0.5
    nodes = np.stack(np.meshgrid(x, y), axis=-1)
    to_card = np.asarray(np.linalg.inv(project(scene.card, scene.view)), np.float64)
    flat = nodes.copy()
    for _ in range(8):  # each round shrinks the error about as the bend's share of the distance: far under 0.01 px
        flat += nodes - bent_points(scene, apply_homography(to_card, flat))
    return flat


def bend_slope(scene: Scene, points_mm: Float) -> Float:
    """Return the rise of the bent card along x at places on it, shape (...); 0 beside it."""
    half = scene.card.width_mm / 2
    across = (points_mm[..., 0] - half) / half
    on_card = (np.abs(across) < 1) & (points_mm[..., 1] >= 0) & (points_mm[..., 1] <= scene.card.height_mm)
    result: Float = np.where(on_card, -2 * scene.defects.bend_mm * across / half, 0.0)
    return result


def _height(scene: Scene, points_mm: Float) -> Float:
    """Height over the bench of the places of a card that stands up in the middle, shape (...). [mm]."""
    half = scene.card.width_mm / 2
    across = (points_mm[..., 0] - half) / half
    y = points_mm[..., 1]
    beside = np.maximum(np.maximum(-y, y - scene.card.height_mm), 0.0)
    fade = np.clip(1.0 - beside / _FADE_MM, 0.0, 1.0)
    result: Float = scene.defects.bend_mm * np.maximum(1.0 - across**2, 0.0) * fade
    return result


def _camera(card: CardLayout, view: View) -> tuple[Float, Float]:
    """Return the homography and, per mm that a place stands up, what is added to its homogeneous coordinates."""
    width, height = view.size_px
    focal = view.focal_share * max(width, height)
    towards = np.deg2rad(view.tilt_direction_deg)
    tilt, turn = np.deg2rad(view.tilt_deg), np.deg2rad(view.rotation_deg)
    d = np.array([np.cos(towards), np.sin(towards), 0.0])
    away = np.array([0.0, 0.0, 1.0])
    tipped = np.eye(3) + (np.cos(tilt) - 1) * (np.outer(d, d) + np.outer(away, away))
    tipped += np.sin(tilt) * (np.outer(away, d) - np.outer(d, away))
    turned = np.array([[np.cos(turn), -np.sin(turn), 0], [np.sin(turn), np.cos(turn), 0], [0, 0, 1.0]])
    rotation = tipped @ turned
    lens = np.array([[focal, 0, (width - 1) / 2], [0, focal, (height - 1) / 2], [0, 0, 1.0]])
    ray = np.array([view.offset[0] * width / focal, view.offset[1] * height / focal, 1.0])
    middle = np.array([card.width_mm / 2, card.height_mm / 2])
    sides = np.array([[0.0, middle[1]], [card.width_mm, middle[1]]])

    def at(distance: float) -> Float:
        pose = np.column_stack([rotation[:, :2], ray * distance - rotation[:, :2] @ middle])
        result: Float = lens @ pose
        return result

    wanted = view.card_width_share * width
    distance = focal * card.width_mm / wanted
    for _ in range(30):
        left, right = apply_homography(at(distance), sides)
        distance *= float(np.hypot(*(right - left))) / wanted
    return at(distance), lens @ rotation @ np.array([0.0, 0.0, -1.0])
