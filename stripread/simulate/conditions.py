"""Random photos within the normal envelope of use, in a part that fits may see and one that only judges.

The envelope: card 35 to 90 % of the picture's width, tilt to 25 degrees, light falling by up to 30 % over the card, a
steady hand, some noise, any of the lamps of `stripread.simulate.lamps`; all of the card is in view.
"""

from dataclasses import replace

import numpy as np

from stripread.card.layout import CardLayout
from stripread.geometry import Float, apply_homography
from stripread.simulate.cameras import make_phone
from stripread.simulate.lamps import SEEN, UNSEEN
from stripread.simulate.photograph import DippedStrip, Shot, strip_geometry
from stripread.simulate.scene import LightField, Optics, StripPlacement, View
from stripread.simulate.view import project
from stripread.strip.kinds import StripKind

__all__ = ["SEEN_PRINTERS", "UNSEEN_PRINTERS", "dip_strip", "random_shot"]

SEEN_PRINTERS = tuple(range(1, 9))
UNSEEN_PRINTERS = tuple(range(101, 107))
_SIZES = ((2000, 1500), (3264, 2448), (4032, 3024))  # 3, 8 and 12 megapixels
_CLEAR = 0.01  # of the picture's sides: the card's corners stay so far inside


def dip_strip(
    kind: StripKind, concentrations: dict[str, float], rng: np.random.Generator, *, scatter: float
) -> DippedStrip:
    """Dip a strip whose dye departs from its lot's by a relative standard deviation ``scatter``."""
    return DippedStrip(
        kind=kind,
        concentrations=concentrations,
        dye_factor=float(np.exp(rng.normal(0, scatter))) if scatter else 1.0,
        blank_factor=float(1 + rng.normal(0, 0.03)) if scatter else 1.0,
    )


def random_shot(
    card: CardLayout,
    strip: DippedStrip | None,
    rng: np.random.Generator,
    *,
    seen: bool,
    sizes: tuple[tuple[int, int], ...] = _SIZES,
    sensors: dict[str, Float] | None = None,
) -> Shot:
    """Draw a shot of the envelope. ``sensors`` replaces the simulator's own cameras by measured ones, by name."""
    phone = make_phone(int(rng.integers(0, 1000)) + (0 if seen else 10_000))
    if sensors:
        name = str(rng.choice(sorted(sensors)))
        phone = replace(phone, sensor=sensors[name], name=name)
    size = sizes[int(rng.integers(len(sizes)))]
    if rng.random() < 0.3:
        size = (size[1], size[0])
    view = _view_of_all(card, size, rng)
    placement = None
    if strip is not None:
        placement = StripPlacement(
            kind=strip_geometry(strip.kind),
            offset_mm=(float(rng.uniform(-5, 5)), float(rng.uniform(-4, 4))),
            angle_deg=float(rng.uniform(-6, 6)),
            flipped=bool(rng.random() < 0.5),
        )
    return Shot(
        card=card,
        printer_seed=int(rng.choice(SEEN_PRINTERS if seen else UNSEEN_PRINTERS)),
        phone=phone,
        lamps=(str(rng.choice(SEEN if seen else UNSEEN)),),
        view=view,
        strip=strip,
        placement=placement,
        lights=(
            LightField(
                form=str(rng.choice(["linear", "quadratic", "inverse_square"])),  # type: ignore[arg-type]  # one of them
                drop=float(rng.uniform(0, 0.3)),
                direction_deg=float(rng.uniform(0, 360)),
            ),
        ),
        optics=Optics(blur_sigma_px=float(rng.uniform(0.3, 1.2)), vignetting=float(rng.uniform(0, 0.12))),
        exposure=float(rng.uniform(0.5, 0.92)),
        noise=float(rng.uniform(0.7, 2.0)),
        sharpening=float(rng.uniform(0, 0.8)),
        quality=int(rng.integers(80, 96)),
    )


def _view_of_all(card: CardLayout, size: tuple[int, int], rng: np.random.Generator) -> View:
    """Draw views until one shows the whole card."""
    upright = size[1] > size[0]
    while True:
        view = View(
            size_px=size,
            card_width_share=float(rng.uniform(0.35, 0.9)),
            rotation_deg=float((0 if upright else rng.choice([0, 180])) + rng.normal(0, 6)),
            tilt_deg=float(rng.uniform(0, 25)),
            tilt_direction_deg=float(rng.uniform(0, 360)),
            offset=(float(rng.normal(0, 0.02)), float(rng.normal(0, 0.03))),
        )
        places = (apply_homography(project(card, view), card.corners_mm) + 0.5) / size
        if (places > _CLEAR).all() and (places < 1 - _CLEAR).all():
            return view
