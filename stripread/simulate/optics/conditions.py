"""Random photos within the normal envelope of use, in a part that fits may see and one that only judges.

The envelope: card 35 to 90 % of the picture's width, tilt to 25 degrees, light falling by up to 30 % over the card, a
steady hand, some noise, any of the lamps of `stripread.simulate.optics.lamps`; all of the card is in view.
"""

from dataclasses import replace

import numpy as np

from stripread.card import CardLayout
from stripread.geometry import Float, apply_homography
from stripread.simulate.looks.families import USUAL, Look
from stripread.simulate.looks.strip_around import looked_placement, shadows_across, water_drops
from stripread.simulate.optics.cameras import Phone, make_phone
from stripread.simulate.optics.lamps import SEEN, UNSEEN, lamp
from stripread.simulate.scene.photograph import DippedStrip, Flash, Shot, strip_geometry
from stripread.simulate.scene.scene import GlareSpot, LightField, Optics, StripPlacement, View
from stripread.simulate.scene.view import lens_place, project
from stripread.strip import StripKind

__all__ = ["SEEN_PRINTERS", "UNSEEN_PRINTERS", "dip_strip", "random_pair", "random_shot", "with_flash", "with_look"]

SEEN_PRINTERS = tuple(range(1, 9))
UNSEEN_PRINTERS = tuple(range(101, 107))
_SIZES = ((2000, 1500), (3264, 2448), (4032, 3024))  # 3, 8 and 12 megapixels
_FLASH_RATIO = (0.5, 5.0)  # light of the flash over that of the lamps, at the card's middle
_FLASH_BESIDE_MM = 12.0  # the lens
_MIRRORED = 0.25  # of the flash photos, in which the card or the strip is glossy enough to mirror it
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
    look: Look | None = None,
) -> Shot:
    """Draw a shot of the envelope.

    ``sensors`` replaces the simulator's own cameras by measured ones, by name. With a ``look`` (`random_look`) the
    strip lies within the slot, unless the look lets it lie over the edge.
    """
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
    shot = Shot(
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
    return shot if look is None else with_look(shot, look)


def with_look(shot: Shot, look: Look) -> Shot:
    """Return a shot with a look: where its strip lies, what is about it and on its bench follow from it."""
    if look.bench.family != USUAL:
        shot = replace(shot, clutter=int(look.bench.rng.integers(0, 9)))
    if shot.strip is None or shot.placement is None:
        return replace(shot, look=look)
    placement = looked_placement(shot.card, shot.placement, look.around)
    drops = water_drops(shot.card, placement, look.around)
    defects = replace(shot.defects, drops=(*shot.defects.drops, *drops)) if drops else shot.defects
    shadows = (*shot.shadows, *shadows_across(shot.card, placement, look.around))
    return replace(shot, look=look, placement=placement, defects=defects, shadows=shadows)


def random_pair(
    card: CardLayout,
    strip: DippedStrip | None,
    rng: np.random.Generator,
    *,
    seen: bool,
    phone: Phone,
    printer_seed: int,
    sizes: tuple[tuple[int, int], ...] = _SIZES,
    ratio: tuple[float, float] = _FLASH_RATIO,
) -> tuple[Shot, Shot]:
    """Draw a flash pair: a shot of the envelope, in three of ten cases under two lamps, and the same with the flash."""
    shot = random_shot(card, strip, rng, seen=seen, sizes=sizes)
    lamps, lights = shot.lamps, shot.lights
    if rng.random() < 0.3:
        lamps = (*lamps, str(rng.choice(SEEN if seen else UNSEEN)))
        drop, direction = float(rng.uniform(0, 0.3)), float(rng.uniform(0, 360))
        lights = (*lights, LightField(form="inverse_square", drop=drop, direction_deg=direction))
    shot = replace(shot, phone=phone, printer_seed=printer_seed, lamps=lamps, lights=lights)
    return with_flash(shot, rng, ratio=float(np.exp(rng.uniform(*np.log(ratio)))))


def with_flash(shot: Shot, rng: np.random.Generator, *, ratio: float, mirrored: float = _MIRRORED) -> tuple[Shot, Shot]:
    """Return a shot and its like with the flash: the hand moves a little, the phone exposes anew.

    ``ratio`` is the light of the flash over that of the lamps at the card's middle, ``mirrored`` the chance that the
    card or what lies on it mirrors the flash.
    """
    while True:
        view = replace(
            shot.view,
            card_width_share=min(shot.view.card_width_share * float(rng.uniform(0.96, 1.03)), 0.92),
            rotation_deg=shot.view.rotation_deg + float(rng.normal(0, 1.5)),
            tilt_deg=abs(shot.view.tilt_deg + float(rng.normal(0, 1.5))),
            offset=(shot.view.offset[0] + float(rng.normal(0, 0.005)), shot.view.offset[1]),
        )
        if _shows_all(shot.card, view):
            break
    x, y, height = lens_place(shot.card, view)
    phone = shot.phone
    ambient = sum(float((lamp(name) @ phone.sensor)[1]) for name in shot.lamps)
    power = phone.flash * (ratio * ambient / float((phone.flash @ phone.sensor)[1]))
    # Right under the flash it is brighter than in the middle, and the phone exposes for that.
    off_middle = (x + _FLASH_BESIDE_MM - shot.card.width_mm / 2) ** 2 + (y - shot.card.height_mm / 2) ** 2
    brightest = (1 + ratio * (1 + off_middle / height**2) ** 2) / (1 + ratio)
    glare = (GlareSpot(centre_mm=(x, y), radii_mm=(4.0, 4.0), strength=0.4),) if rng.random() < mirrored else ()
    lit = replace(
        shot,
        view=view,
        flash=Flash(power=power, light=LightField(form="point", from_mm=(x + _FLASH_BESIDE_MM, y, height))),
        defects=replace(shot.defects, glare=(*shot.defects.glare, *glare)) if glare else shot.defects,
        exposure=float(rng.uniform(0.6, 0.9)) / brightest,
        notes_exposure=True,
    )
    return replace(shot, notes_exposure=True), lit


def _shows_all(card: CardLayout, view: View) -> bool:
    places = (apply_homography(project(card, view), card.corners_mm) + 0.5) / view.size_px
    return bool((places > _CLEAR).all() and (places < 1 - _CLEAR).all())


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
        if _shows_all(card, view):
            return view
