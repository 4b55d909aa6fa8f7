"""Any chart that a layout file describes is a card: another size, dictionary, patch layout, with or without a slot."""

from dataclasses import replace

import numpy as np
import pytest

from stripread.card import CardLayout, Marker
from stripread.card.layout import Patch, Role
from stripread.errors import StripReadError
from stripread.geometry import Rect
from stripread.measure import measure_card, measure_strip
from stripread.photo import open_photo_bytes
from stripread.simulate import enrolled, take_photo
from stripread.simulate.optics.cameras import make_phone
from stripread.simulate.optics.pads import PADS, pad_reflectance
from stripread.simulate.optics.spectra import reflectance_to_lab
from stripread.simulate.scene.photograph import DippedStrip, Shot, strip_geometry
from stripread.simulate.scene.scene import LightField, Optics, StripPlacement, View
from stripread.strip import load_kind
from tests.listed import each

KIND = load_kind("clo2-wide")
GREY, WHITE = (60.0, 0.0, 0.0), (96.0, 0.0, 0.0)


def foreign_card(*, slot: bool) -> CardLayout:
    """A chart of 140 x 100 mm with three markers, 24 colours in a ring, six greys in a row, whites in the corners."""
    side = 12.0
    corners = np.array([[0, 0], [side, 0], [side, side], [0, side]])
    markers = tuple(
        Marker(id=i, corners_mm=corners + place) for i, place in ((5, (4, 4)), (17, (124, 4)), (23, (4, 84)))
    )
    patches = []

    def patch(x: float, y: float, role: Role, lab: tuple[float, float, float]) -> None:
        patches.append(Patch(id=f"p{len(patches):02d}", rect=Rect(x, y, 7, 7), role=role, lab=lab))

    for i in range(12):
        hue = 2 * np.pi * i / 12
        light = (80.0, 55.0, 68.0)[i % 3]
        patch(20 + 8.4 * i, 3, "colour", (light, 30 * np.cos(hue), 30 * np.sin(hue)))
        patch(20 + 8.4 * i, 90, "colour", (150 - light, 18 * np.cos(hue + 1), 18 * np.sin(hue + 1)))
    for i, light in enumerate((90.0, 78.0, 66.0, 52.0, 38.0, 26.0)):
        patch(24 + 16 * i, 13, "grey", (light, 0, 0))
        patch(104 - 16 * i, 80, "grey", (light, 0, 0))
    for x, y in ((4, 30), (128, 30), (4, 60), (128, 60), (66, 22), (66, 71), (130, 90)):
        patch(x, y, "white", (95, 0, 0))
    return CardLayout(
        name="bench chart",
        width_mm=140,
        height_mm=100,
        dictionary="DICT_5X5_100",
        markers=markers,
        patches=tuple(patches),
        slot=Rect(20, 36, 100, 20) if slot else None,
    )


def photo(card: CardLayout, ground: tuple[float, float, float], seed: int) -> bytes:
    rng = np.random.default_rng(seed)
    shot = Shot(
        card=card,
        printer_seed=104,
        phone=make_phone(10_050 + seed),
        lamps=("D60",),
        view=View(size_px=(2000, 1500), card_width_share=0.7, rotation_deg=float(rng.normal(0, 8)), tilt_deg=10.0),
        strip=DippedStrip(kind=KIND, concentrations={"clo2": 200.0}),
        placement=StripPlacement(kind=strip_geometry(KIND), angle_deg=float(rng.normal(0, 2)), flipped=bool(seed % 2)),
        lights=(LightField(form="linear", drop=0.15, direction_deg=40.0),),
        optics=Optics(blur_sigma_px=0.6),
        ground_lab=ground,
        clutter=4,
    )
    return take_photo(shot, seed=seed)[0]


def test_card_check_finds_a_foreign_chart() -> None:
    design = foreign_card(slot=True)
    card = enrolled(design, 104)
    seen = measure_card(open_photo_bytes(photo(design, GREY, 1), "photo"), card)
    assert len(seen.pose.markers_found) == 3
    assert seen.correction.residual_de00_mean < 2.0


@each("ground", [pytest.param(GREY, id="grey slot"), pytest.param(WHITE, id="white slot")])
def test_a_strip_is_measured_on_a_foreign_card(ground: tuple[float, float, float]) -> None:
    design = foreign_card(slot=True)
    card = enrolled(design, 104)
    truth = reflectance_to_lab(pad_reflectance(PADS["violet"], 200.0))
    found = []
    for seed in range(4):
        measured = measure_strip(open_photo_bytes(photo(design, ground, seed), "photo"), card, KIND)
        found.append(np.linalg.norm(measured.pads[0].lab - truth))
    assert max(found) < 5.0  # 24 colours correct less well than the project's own card
    assert np.median(found) < 3.0


def test_a_card_without_slot_is_read_where_it_has_room() -> None:
    design = foreign_card(slot=True)
    card = replace(enrolled(design, 104), slot=None)
    measured = measure_strip(open_photo_bytes(photo(design, GREY, 2), "photo"), card, KIND)
    assert measured.pads[0].pad == "clo2"


def test_a_chart_with_other_markers_is_not_found() -> None:
    design = foreign_card(slot=True)
    other = replace(enrolled(design, 104), dictionary="DICT_4X4_50")
    with pytest.raises(StripReadError):
        measure_card(open_photo_bytes(photo(design, GREY, 1), "photo"), other)
