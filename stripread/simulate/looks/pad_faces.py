"""Pads whose dye lies unevenly over good parts of their face: where the water came last, in clouds, in a corner."""

from collections.abc import Callable, Mapping
from types import MappingProxyType

import cv2
import numpy as np

from stripread.geometry import Float
from stripread.simulate.looks.families import Trait
from stripread.simulate.looks.strip_canvas import StripCanvas
from stripread.simulate.scene.scene import PadPlace

__all__ = ["UNEVEN_FACES"]

_CLOUD_MM = 0.7


def _places(canvas: StripCanvas, pad: PadPlace) -> tuple[Float, Float]:
    """Places on the pad, -1 to 1 from edge to edge."""
    x = 2 * (canvas.along - pad.along_mm) / pad.size_along_mm
    y = 2 * (canvas.across - pad.across_mm) / pad.size_across_mm
    return x.astype(np.float64), y.astype(np.float64)


def _wetting_front(canvas: StripCanvas, trait: Trait, rng: np.random.Generator, pad: PadPlace) -> Float:
    """Let the water come from one side and stop short: beyond a soft line there is less dye."""
    x, y = _places(canvas, pad)
    turn, place = rng.uniform(0, 2 * np.pi), rng.uniform(-0.4, 0.4)
    front: Float = trait.between(0.1, 0.3) * np.tanh((x * np.cos(turn) + y * np.sin(turn) - place) / 0.15)
    return front


def _marbled(canvas: StripCanvas, trait: Trait, rng: np.random.Generator, pad: PadPlace) -> Float:
    """Draw clouds of more and less dye, a good part of the pad wide."""
    x, y = _places(canvas, pad)
    mm_a_pixel = abs(float(canvas.along[0, 1] - canvas.along[0, 0]))
    cloud = cv2.GaussianBlur(rng.standard_normal(x.shape), (0, 0), _CLOUD_MM / mm_a_pixel)
    within = (np.abs(x) < 1) & (np.abs(y) < 1)
    clouds: Float = trait.between(0.1, 0.25) * cloud / max(float(cloud[within].std()), 1e-9)
    return clouds


def _pale_corner(canvas: StripCanvas, trait: Trait, rng: np.random.Generator, pad: PadPlace) -> Float:
    """Leave little dye in a corner that stuck up out of the water."""
    x, y = _places(canvas, pad)
    corner = rng.choice([-1, 1], size=2)
    dry = (corner[0] * x > 0.1) & (corner[1] * y > 0.1)
    result: Float = np.where(dry, -0.3, 0.1) * trait.between(0.5, 1.0)
    return result


UNEVEN_FACES: Mapping[str, Callable[[StripCanvas, Trait, np.random.Generator, PadPlace], Float]] = MappingProxyType(
    {"wetting front": _wetting_front, "marbled": _marbled, "pale corner": _pale_corner}
)
