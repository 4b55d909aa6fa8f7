"""What must not change a reading: turning the photo, dimming the light, moving the card, another file format."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from stripread.card import design_card, load_card
from stripread.lot import load_lot
from stripread.photo import open_photo_bytes
from stripread.read import PadReading, read_strip
from stripread.simulate import take_photo
from stripread.simulate.demo import DEMO_LOTS, DEMO_PRINTER
from stripread.simulate.optics.cameras import make_phone
from stripread.simulate.scene.photograph import DippedStrip, Shot, strip_geometry
from stripread.simulate.scene.scene import LightField, Optics, StripPlacement, View
from stripread.strip import load_kind
from tests.listed import each

ROOT = Path(__file__).parents[2]
DEMO = next(lot for lot in DEMO_LOTS if lot.kind == "clo2-wide")
KIND = load_kind(DEMO.kind)
BASE = Shot(
    card=design_card(),
    printer_seed=DEMO_PRINTER,
    phone=make_phone(10_400),
    lamps=("D60",),
    view=View(size_px=(2000, 1500), card_width_share=0.7),
    strip=DippedStrip(kind=KIND, concentrations={"clo2": 200.0}, dye_factor=DEMO.factor),
    optics=Optics(blur_sigma_px=0.5),
    exposure=0.75,
    clutter=3,
)


def read(shot: Shot) -> PadReading:
    data, _ = take_photo(shot, seed=5)
    card = load_card(ROOT / "calibration" / "card-print-a.toml")
    lot = load_lot(ROOT / "calibration" / DEMO.number / "lot.json")
    return read_strip(open_photo_bytes(data, "photo"), card=card, kind=KIND, lot=lot).pads[0]


@pytest.fixture(scope="module")
def base() -> PadReading:
    return read(BASE)


def placed(**changes: object) -> StripPlacement:
    return StripPlacement(kind=strip_geometry(KIND), **changes)  # type: ignore[arg-type]


def by_photo(pad: PadReading) -> np.ndarray:
    """Covariance of what a photo measures; the rounding of the card's patches is in the colour correction's."""
    return sum(pad.causes.values(), np.zeros((3, 3)))


@each(
    "changed",
    [
        pytest.param(replace(BASE, orientation=8), id="stored turned by EXIF"),
        pytest.param(
            replace(BASE, view=replace(BASE.view, rotation_deg=137.0, card_width_share=0.5)), id="card turned"
        ),
        pytest.param(replace(BASE, view=replace(BASE.view, tilt_deg=24.0, tilt_direction_deg=200.0)), id="tilted"),
        pytest.param(replace(BASE, exposure=0.45), id="dimmer"),
        pytest.param(
            replace(BASE, lights=(LightField(form="linear", drop=0.3, direction_deg=60.0),)), id="uneven light"
        ),
        pytest.param(
            replace(BASE, placement=placed(flipped=True, angle_deg=-7.0, offset_mm=(4.0, 3.0))), id="strip turned"
        ),
        pytest.param(replace(BASE, format="png"), id="PNG"),
        pytest.param(replace(BASE, format="webp"), id="WebP"),
        pytest.param(replace(BASE, format="tiff16"), id="16 bit TIFF"),
    ],
)
def test_the_same_strip_reads_alike(base: PadReading, changed: Shot) -> None:
    again = read(changed)
    assert base.value is not None
    assert again.value is not None
    # Lamp, phone, print and strip are the same, so only light, pixels, rounding and tone curve may differ: less than a
    # standard uncertainty, whose larger parts (colour correction, scatter of strips, curve) both readings share.
    assert again.standard_uncertainty is not None
    assert abs(again.value - base.value) < again.standard_uncertainty
    assert np.linalg.norm(again.lab - base.lab) < 2 * np.sqrt(np.trace(by_photo(again) + by_photo(base)))
