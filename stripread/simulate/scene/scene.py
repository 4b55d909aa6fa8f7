"""What a simulated photo shows: card, strip, view, light, optics and what went wrong.

Lengths and places are in mm on the card (origin top left, y down, as in ``geometry.py``) unless a name says otherwise.
Angles are in degrees, clockwise in the picture, 0 to the right.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

import numpy as np

from stripread.card import CardLayout
from stripread.geometry import Float, Rect
from stripread.simulate.looks.families import Look
from stripread.simulate.scene.vial import Vial

__all__ = [
    "Cover",
    "Defects",
    "Drop",
    "Finger",
    "GlareSpot",
    "LightField",
    "Materials",
    "Optics",
    "PadFinish",
    "PadPlace",
    "Scene",
    "SecondCard",
    "Shadow",
    "Specks",
    "StripGeometry",
    "StripPlacement",
    "View",
    "half_plane",
    "pad_corners_mm",
    "strip_to_card",
]

Materials = Mapping[str, Float]
"""Linear camera RGB, shape (lights, 3), of each material under each light alone; 1 saturates the sensor.

Names: ``patch:<id>``, ``paper``, ``ink_black``, ``slot_ground``, ``plastic``, ``pad:<id>``, ``bench``, ``clutter:<k>``,
``skin``, ``glare`` (the lamp itself, mirrored), of a vial ``cap``, ``label``, ``label_ink``, ``block:<k>``, and of a
look ``backing``, ``dirt``, ``print:<k>``, ``less:<id>`` and ``more:<id>`` (a pad with less and more dye). Those of pads
bear ``beside:`` in front for a second strip. Only the names that the scene shows are needed.
"""


@dataclass(frozen=True, slots=True, kw_only=True)
class PadPlace:
    """Where a pad sits on the strip: its centre, from the dipped tip and from the long edge, and its size."""

    id: str
    along_mm: float
    across_mm: float
    size_along_mm: float
    size_across_mm: float


@dataclass(frozen=True, slots=True, kw_only=True)
class StripGeometry:
    """A strip with its pads."""

    length_mm: float
    width_mm: float
    pads: tuple[PadPlace, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class StripPlacement:
    """How the strip lies: by default in the middle of the slot, along its longer side, dipped tip left (or up).

    ``offset_mm`` shifts it along and across the slot, ``angle_deg`` turns it, ``flipped`` turns it end for end, and
    ``face_down`` shows its back, which is bare plastic.
    """

    kind: StripGeometry
    offset_mm: tuple[float, float] = (0.0, 0.0)
    angle_deg: float = 0.0
    flipped: bool = False
    face_down: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class View:
    """Where the camera stands.

    ``card_width_share`` is the distance in the picture between the middles of the card's left and right sides, over
    the picture's width. ``offset`` moves the card's middle out of the picture's, in shares of its width and height.
    The card's side towards ``tilt_direction_deg`` is tilted away from the camera. ``focal_share`` is the focal length
    over the picture's longer side; 0.8 is near that of phones' main cameras.
    """

    size_px: tuple[int, int]
    card_width_share: float = 0.8
    rotation_deg: float = 0.0
    tilt_deg: float = 0.0
    tilt_direction_deg: float = 0.0
    offset: tuple[float, float] = (0.0, 0.0)
    focal_share: float = 0.8


@dataclass(frozen=True, slots=True, kw_only=True)
class LightField:
    """How one light's strength varies over the card.

    At the bright end of the card the material's colour is multiplied by ``level``, at the end towards
    ``direction_deg`` by ``level * (1 - drop)``. ``inverse_square`` is a lamp over the bright end, as high as gives
    that drop. ``point`` is a lamp at ``from_mm`` (x, y and height over the card) that shines straight down, so its own
    cosine counts as well; ``level`` is its strength at the card's middle.
    """

    level: float = 1.0
    form: Literal["constant", "linear", "quadratic", "inverse_square", "point"] = "constant"
    drop: float = 0.0
    direction_deg: float = 0.0
    from_mm: tuple[float, float, float] = (0.0, 0.0, 300.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Shadow:
    """A shadow on the card's plane; it takes ``darkness`` (0 to 1) of the lights named (None: of all)."""

    polygon_mm: tuple[tuple[float, float], ...]
    penumbra_mm: float = 1.0
    darkness: float = 0.5
    lights: tuple[int, ...] | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Optics:
    """The lens: blur (standard deviation), motion blur, the light lost in the corners of the picture."""

    blur_sigma_px: float = 0.0
    motion_px: float = 0.0
    motion_angle_deg: float = 0.0
    vignetting: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class GlareSpot:
    """A mirrored lamp: an ellipse whose middle adds ``strength`` times the ``glare`` material, with a soft edge."""

    centre_mm: tuple[float, float]
    radii_mm: tuple[float, float]
    strength: float = 1.0
    angle_deg: float = 0.0
    softness: float = 0.5


@dataclass(frozen=True, slots=True, kw_only=True)
class Drop:
    """A drop of water: the wet spot is darker, its rim darker still, and it mirrors a small light."""

    centre_mm: tuple[float, float]
    radius_mm: float
    darkening: float = 0.12
    highlight: float = 0.6


@dataclass(frozen=True, slots=True, kw_only=True)
class Specks:
    """Dark dust on a pad, at places drawn from the seed."""

    pad_id: str
    count: int
    radius_mm: float = 0.15


@dataclass(frozen=True, slots=True, kw_only=True)
class PadFinish:
    """A pad that is not of one colour: so much of it shows ``plastic`` in place of the pad's material.

    The share is ``plastic_share`` in the pad's middle and changes by ``gradient_share`` from edge to edge towards
    ``direction_deg`` on the strip (0: away from the dipped tip); it is held to 0 to 1.
    """

    pad_id: str
    plastic_share: float = 0.0
    gradient_share: float = 0.0
    direction_deg: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Finger:
    """A finger that reaches in, its tip at ``tip_mm``, coming from ``from_deg``."""

    tip_mm: tuple[float, float]
    from_deg: float = 90.0
    width_mm: float = 15.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Cover:
    """Something that lies on the card."""

    polygon_mm: tuple[tuple[float, float], ...]
    material: str = "clutter:0"


@dataclass(frozen=True, slots=True, kw_only=True)
class SecondCard:
    """Another copy of the card in view, shifted and turned about the first one's middle; it bears no strip."""

    offset_mm: tuple[float, float]
    angle_deg: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Defects:
    """What went wrong; by default nothing.

    ``bend_mm`` is how far the card's middle stands up, its left and right sides on the bench. ``mirror`` flips the
    finished picture left to right.
    """

    glare: tuple[GlareSpot, ...] = ()
    drops: tuple[Drop, ...] = ()
    specks: tuple[Specks, ...] = ()
    finishes: tuple[PadFinish, ...] = ()
    finger: Finger | None = None
    covers: tuple[Cover, ...] = ()
    second_card: SecondCard | None = None
    bend_mm: float = 0.0
    mirror: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Scene:
    """All that a simulated photo shows.

    ``lights`` goes with the rows of the materials. ``clutter`` is the number of things on the bench. ``texture`` is
    the grain of all surfaces (relative standard deviation of single pixels). ``look`` is how strip, card and bench
    look where not as usual, ``beside`` a second strip.
    """

    card: CardLayout
    view: View
    strip: StripPlacement | None = None
    vial: Vial | None = None
    lights: tuple[LightField, ...] = (LightField(),)
    shadows: tuple[Shadow, ...] = ()
    optics: Optics = field(default_factory=Optics)
    defects: Defects = field(default_factory=Defects)
    clutter: int = 0
    texture: float = 0.01
    look: Look | None = None
    beside: StripPlacement | None = None


def half_plane(through_mm: tuple[float, float], towards_deg: float) -> tuple[tuple[float, float], ...]:
    """Return a shadow's polygon with a straight edge through a point; it covers all that lies ``towards_deg`` of it."""
    far = 2000.0  # mm: beyond any bench in view
    angle = np.deg2rad(towards_deg)
    normal = np.array([np.cos(angle), np.sin(angle)])
    edge = np.array([-normal[1], normal[0]])
    start = np.asarray(through_mm, dtype=np.float64)
    corners = (
        start - far * edge,
        start - far * edge + far * normal,
        start + far * edge + far * normal,
        start + far * edge,
    )
    return tuple((float(x), float(y)) for x, y in corners)


def strip_to_card(card: CardLayout, strip: StripPlacement) -> Float:
    """Return the map, shape (3, 3), from (along, across) on the strip to the card, both in mm."""
    ground = card.slot or Rect(0.0, 0.0, card.width_mm, card.height_mm)
    slot_angle = 0.0 if ground.width >= ground.height else 90.0
    shift = _turn(slot_angle) @ np.array(strip.offset_mm)
    turn = _turn(slot_angle + strip.angle_deg + (180.0 if strip.flipped else 0.0))
    middle = np.array([strip.kind.length_mm, strip.kind.width_mm]) / 2
    result = np.eye(3)
    result[:2, :2] = turn
    result[:2, 2] = ground.centre + shift - turn @ middle
    return result


def pad_corners_mm(card: CardLayout, strip: StripPlacement, pad: PadPlace) -> Float:
    """Corners of a pad on the card, shape (4, 2): first the one nearest the tip and the long edge."""
    place = Rect(
        pad.along_mm - pad.size_along_mm / 2,
        pad.across_mm - pad.size_across_mm / 2,
        pad.size_along_mm,
        pad.size_across_mm,
    )
    to_card = strip_to_card(card, strip)
    corners: Float = place.corners @ to_card[:2, :2].T + to_card[:2, 2]
    return corners


def _turn(angle_deg: float) -> Float:
    angle = np.deg2rad(angle_deg)
    c, s = np.cos(angle), np.sin(angle)
    return np.array([[c, -s], [s, c]])
