"""Simulated photos with one named defect each, and one without any: the finding must appear there and only there."""

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest

from stripread.card import CardLayout, design_card
from stripread.errors import PhotoUnfitError
from stripread.measure import StripMeasurement, measure_strip
from stripread.photo import open_photo_bytes
from stripread.simulate import enrolled, take_photo
from stripread.simulate.optics.cameras import make_phone
from stripread.simulate.scene.photograph import DippedStrip, Shot, strip_geometry
from stripread.simulate.scene.scene import (
    Cover,
    Defects,
    GlareSpot,
    LightField,
    Optics,
    Shadow,
    StripPlacement,
    View,
    half_plane,
    pad_corners_mm,
    strip_to_card,
)
from stripread.strip import load_kind
from stripread.strip.find import StripPose
from tests.listed import each

KIND = load_kind("clo2-wide")
PRINTER = 2
PLACEMENT = StripPlacement(kind=strip_geometry(KIND), offset_mm=(2.0, 1.0), angle_deg=2.0)
PAD = pad_corners_mm(design_card(), PLACEMENT, PLACEMENT.kind.pads[0]).mean(axis=0)
PAD_X, PAD_Y = float(PAD[0]), float(PAD[1])
PX_PER_MM = 2000 * 0.75 / 190

CLEAN = Shot(
    card=design_card(),
    printer_seed=PRINTER,
    phone=make_phone(12),
    lamps=("D65",),
    view=View(size_px=(2000, 1500), card_width_share=0.75, rotation_deg=3, tilt_deg=10, tilt_direction_deg=60),
    strip=DippedStrip(kind=KIND, concentrations={"clo2": 80.0}),
    placement=PLACEMENT,
    lights=(LightField(form="linear", drop=0.15, direction_deg=30),),
    optics=Optics(blur_sigma_px=0.7, vignetting=0.05),
    exposure=0.7,
)


def across(drop: float) -> tuple[LightField, LightField]:
    """Two lights from opposite sides."""
    return tuple(LightField(form="linear", drop=drop, direction_deg=d) for d in (0.0, 180.0))  # type: ignore[return-value]


def rectangle(x0: float, y0: float, x1: float, y1: float) -> tuple[tuple[float, float], ...]:
    return ((x0, y0), (x1, y0), (x1, y1), (x0, y1))


SHOTS: dict[str, Shot] = {
    "clean": CLEAN,
    "out of focus": replace(CLEAN, optics=Optics(blur_sigma_px=0.51 * PX_PER_MM)),
    "moved": replace(CLEAN, optics=Optics(blur_sigma_px=0.7, motion_px=2.0 * PX_PER_MM, motion_angle_deg=3)),
    "too bright": replace(CLEAN, exposure=1.17),
    "dark": replace(CLEAN, exposure=0.1),
    "shadow over the card": replace(
        CLEAN, shadows=(Shadow(polygon_mm=half_plane((90, 60), 20), penumbra_mm=8, darkness=0.2),)
    ),
    "shadow on the pad": replace(
        CLEAN,
        shadows=(
            Shadow(polygon_mm=rectangle(PAD_X - 5, PAD_Y - 11, PAD_X + 4, PAD_Y + 11), penumbra_mm=3, darkness=0.1),
        ),
    ),
    "mixed light": replace(CLEAN, lamps=("D65", "A"), lights=across(0.4)),
    "uneven light": replace(CLEAN, lights=(LightField(form="linear", drop=0.6, direction_deg=200),)),
    "something on the card": replace(
        CLEAN, defects=Defects(covers=(Cover(polygon_mm=rectangle(114, 104, 134, 117), material="clutter:1"),))
    ),
    "a leaf over greys": replace(
        CLEAN, defects=Defects(covers=(Cover(polygon_mm=rectangle(112, 94, 132, 128), material="clutter:1"),))
    ),
    "sodium lamp": replace(CLEAN, lamps=("HPS",)),
    "nearly one wavelength": replace(CLEAN, lamps=("LPS", "D65"), lights=(LightField(), LightField(level=0.06))),
    "mirrored lamp": replace(
        CLEAN,
        defects=Defects(
            glare=(GlareSpot(centre_mm=(PAD_X, PAD_Y), radii_mm=(8.0, 7.0), strength=0.03, softness=1.0),)
        ),
    ),
    "lamp in a part of the pad": replace(
        CLEAN,
        defects=Defects(
            glare=(GlareSpot(centre_mm=(PAD_X + 1.5, PAD_Y + 1.5), radii_mm=(2.2, 1.8), strength=0.3, softness=1.0),)
        ),
    ),
    "lamp in the middle of the pad": replace(
        CLEAN,
        defects=Defects(glare=(GlareSpot(centre_mm=(PAD_X, PAD_Y), radii_mm=(3.0, 2.8), strength=0.2, softness=1.0),)),
    ),
    "veil over the pad": replace(
        CLEAN,
        defects=Defects(
            glare=(GlareSpot(centre_mm=(PAD_X, PAD_Y), radii_mm=(20.0, 18.0), strength=0.04, softness=1.0),)
        ),
    ),
}  # fmt: skip

Photos = Callable[[str], bytes]


@pytest.fixture(scope="module")
def photo() -> Photos:
    """Photos by name, each simulated once."""
    taken: dict[str, bytes] = {}

    def take(name: str) -> bytes:
        if name not in taken:
            taken[name] = take_photo(SHOTS[name], seed=5)[0]
        return taken[name]

    return take


def measure(data: bytes, card: CardLayout | None = None) -> StripMeasurement:
    return measure_strip(open_photo_bytes(data, name="simulated"), card or enrolled(design_card(), PRINTER), KIND)


def codes(measured: StripMeasurement) -> set[str]:
    return {finding.code for finding in measured.findings}


def test_a_good_photo_has_no_finding(photo: Photos) -> None:
    assert codes(measure(photo("clean"))) == set()


@each(
    ("name", "code"),
    [
        ("out of focus", "photo_soft"),
        ("moved", "photo_soft"),
        ("too bright", "photo_clipped"),
        ("dark", "photo_dark"),
        ("shadow over the card", "shadow_edge"),
        ("shadow on the pad", "shadow_edge"),
        ("mixed light", "mixed_light"),
        ("uneven light", "uneven_light"),
        ("something on the card", "card_covered"),
        ("a leaf over greys", "card_covered"),
        ("sodium lamp", "poor_correction"),
        ("mirrored lamp", "glare_on_pad"),
    ],
)
def test_a_defect_is_named(photo: Photos, name: str, code: str) -> None:
    assert code in codes(measure(photo(name)))


@each("name", ["shadow on the pad", "mirrored lamp"])
def test_what_the_light_beside_the_pad_warns_of_does_change_the_pad(photo: Photos, name: str) -> None:
    clean, spoilt = measure(photo("clean")).pads[0], measure(photo(name)).pads[0]
    assert np.linalg.norm(spoilt.lab - clean.lab) > 1.0


def where_it_lies() -> StripPose:
    to_card = strip_to_card(design_card(), PLACEMENT)
    outline = np.array([[0, 0], [KIND.length_mm, 0], [KIND.length_mm, KIND.width_mm], [0, KIND.width_mm]])
    return StripPose(
        origin_mm=to_card[:2, :2] @ [0, KIND.width_mm / 2] + to_card[:2, 2],
        direction=to_card[:2, 0],
        flipped=False,
        angle_deg=PLACEMENT.angle_deg,
        outline_mm=outline @ to_card[:2, :2].T + to_card[:2, 2],
        width_mm=KIND.width_mm,
        shifts_mm={},
        steps={},
    )


def test_a_lamp_in_a_part_of_the_pad_leaves_its_colour_and_widens_the_interval(photo: Photos) -> None:
    card = enrolled(design_card(), PRINTER)
    clean, lit = (
        measure_strip(open_photo_bytes(photo(name), name), card, KIND, known=where_it_lies())
        for name in ("clean", "lamp in a part of the pad")
    )
    assert codes(lit) == {"glare_on_pad"}
    step = lit.pads[0].lab - clean.pads[0].lab
    assert np.linalg.norm(step) < 1.0
    assert step @ np.linalg.solve(lit.pads[0].u_pixels + lit.pads[0].u_glare, step) < 9
    assert np.trace(lit.pads[0].u_glare) > 0.05
    assert not clean.pads[0].u_glare.any()


@each("name", ["lamp in the middle of the pad", "veil over the pad"])
def test_a_lamp_over_all_of_the_pad_is_refused(photo: Photos, name: str) -> None:
    card = enrolled(design_card(), PRINTER)
    with pytest.raises(PhotoUnfitError, match="mirrors"):
        measure_strip(open_photo_bytes(photo(name), name), card, KIND, known=where_it_lies())


def test_a_faded_patch_is_named(photo: Photos) -> None:
    card = enrolled(design_card(), PRINTER)
    faded = next(p for p in card.patches if p.role == "colour" and p.lab[0] < 55)
    others = tuple(replace(p, lab=(p.lab[0] - 12, p.lab[1], p.lab[2])) if p is faded else p for p in card.patches)
    measured = measure(photo("clean"), replace(card, patches=others))
    (finding,) = measured.findings
    assert finding.code == "patch_disagrees"
    assert faded.id in str(finding.message)


def test_a_card_with_its_design_colours_gives_no_alarm_in_a_good_photo(photo: Photos) -> None:
    assert codes(measure(photo("clean"), design_card())) == set()


def test_a_lamp_of_one_wavelength_gives_no_number(photo: Photos) -> None:
    with pytest.raises(PhotoUnfitError):
        measure(photo("nearly one wavelength"))
