"""Charts on drawn vials: which blocks are found, in which order, and how their colours come out."""

from dataclasses import replace

import numpy as np
import pytest

from stripread.calibrate import order_blocks
from stripread.card import design_card
from stripread.errors import ChartError
from stripread.measure import ChartMeasurement, measure_chart
from stripread.photo import open_photo_bytes
from stripread.simulate import enrolled, random_vial, take_photo
from stripread.simulate.optics.cameras import make_phone
from stripread.simulate.optics.spectra import reflectance_to_lab
from stripread.simulate.scene.photograph import Shot
from stripread.simulate.scene.scene import LightField, View
from stripread.simulate.scene.vial import Vial, VialLight
from tests.listed import each

PRINTER = 2
VALUES = (0.0, 50.0, 100.0, 250.0, 400.0, 600.0)
CARD = enrolled(design_card(), PRINTER)


def vial(**changes: object) -> Vial:
    """A vial with a violet chart, lying as someone careful lays it down, values rising from the cap."""
    drawn = random_vial("violet", VALUES, np.random.default_rng(4), seen=True)
    if drawn.words[0] != "0":
        drawn = replace(drawn, reflectances=drawn.reflectances[::-1].copy(), words=drawn.words[::-1])
    plain = replace(
        drawn, roll_deg=0.0, angle_deg=0.0, offset_mm=(0.0, 0.0), flipped=False, diameter_mm=25.0, light=VialLight()
    )
    return replace(plain, **changes)  # type: ignore[arg-type]


def photo(drawn: Vial | None, **view: float):
    shot = Shot(
        card=design_card(), printer_seed=PRINTER, phone=make_phone(3), lamps=("D55",), vial=drawn,
        view=View(size_px=(1600, 1200), card_width_share=0.85, **view),
        lights=(LightField(form="linear", drop=0.1),), noise=0.7, quality=90,
    )  # fmt: skip
    return take_photo(shot, seed=1)


def measured(drawn: Vial, **view: float) -> tuple[ChartMeasurement, np.ndarray]:
    """The chart and where its blocks' middles are, both from left to right on the card."""
    data, rendered = photo(drawn, **view)
    middles = rendered.block_middles_px
    return measure_chart(open_photo_bytes(data, "vial.jpg"), CARD), middles[::-1] if drawn.flipped else middles


POSES = {
    "turned, cap to the right": {"angle_deg": -14.0, "flipped": True},
    "rolled, in light from one side": {"roll_deg": 12.0, "light": VialLight(ambient=0.4, from_deg=35.0)},
    "under a mirrored lamp": {"light": VialLight(gloss=0.6, gloss_deg=12.0, gloss_width_deg=2.0)},
}


@pytest.mark.slow
@each("pose", POSES)
def test_all_blocks_are_found_and_nothing_else_and_their_colours_hold(pose):
    drawn = vial(**POSES[pose])
    chart, middles = measured(drawn, tilt_deg=8.0, tilt_direction_deg=70.0)
    assert len(chart.blocks) == len(VALUES)
    seen = np.array([block.polygon_px.mean(axis=0) for block in chart.blocks])
    assert np.linalg.norm(seen - middles, axis=1).max() / chart.card.pose.px_per_mm < 2.0
    rise, ordered = order_blocks(chart, VALUES, blank=True, reverse=None)
    np.testing.assert_array_equal(rise, VALUES)
    off = np.array([block.lab for block in ordered]) - reflectance_to_lab(drawn.reflectances)
    u = np.array([np.sqrt(np.diag(block.u_own + block.u_light)) for block in ordered])
    assert (np.abs(off) < 3 * u).all(), off
    assert np.abs(off).mean() < 2.5


@pytest.fixture(scope="module")
def bare() -> bytes:
    return photo(None)[0]


@pytest.mark.slow
def test_no_vial_gives_an_error_though_the_card_is_full_of_patches(bare):
    with pytest.raises(ChartError, match="no such row"):
        measure_chart(open_photo_bytes(bare, "bare.jpg"), CARD)


def test_a_card_without_room_for_a_vial_is_told_apart(bare):
    with pytest.raises(ChartError, match="vial"):
        measure_chart(open_photo_bytes(bare, "bare.jpg"), replace(CARD, vial=None))


@pytest.fixture(scope="module")
def straight() -> ChartMeasurement:
    return measured(vial())[0]


def test_the_order_follows_the_blank_whichever_way_the_values_are_given(straight):
    first = order_blocks(straight, VALUES, blank=True, reverse=None)[1][0]
    assert order_blocks(straight, VALUES[::-1], blank=True, reverse=None)[1][0] is first
    assert first is straight.blocks[0]


def test_an_order_given_by_hand_is_taken_as_it_is(straight):
    assert order_blocks(straight, VALUES, blank=False, reverse=False)[1][0] is straight.blocks[0]
    assert order_blocks(straight, VALUES, blank=False, reverse=True)[1][0] is straight.blocks[-1]
    assert order_blocks(straight, VALUES[::-1], blank=False, reverse=True)[1][0] is straight.blocks[0]


def test_a_scale_without_blank_needs_an_order_given_by_hand(straight):
    with pytest.raises(ChartError, match="--reverse"):
        order_blocks(straight, VALUES, blank=False, reverse=None)


def test_a_row_whose_lightest_block_is_in_its_middle_has_no_clear_order(straight):
    mixed = replace(straight, blocks=straight.blocks[3:] + straight.blocks[:3])
    with pytest.raises(ChartError, match="lighter than all other"):
        order_blocks(mixed, VALUES, blank=True, reverse=None)


def test_another_number_of_values_than_blocks_is_refused_with_both_numbers(straight):
    with pytest.raises(ChartError, match=r"Expected 5 blocks.*found 6"):
        order_blocks(straight, VALUES[:-1], blank=True, reverse=None)


@each("values", [(0.0, 50.0, 50.0, 250.0, 400.0, 600.0), (0.0, 100.0, 50.0, 1.0, 2.0, 3.0), (0.0, 1.0)])
def test_values_that_are_no_scale_are_refused(straight, values):
    with pytest.raises(ChartError, match="rise, or fall"):
        order_blocks(straight, values, blank=True, reverse=None)


def test_blocks_of_one_colour_are_refused(straight):
    same = replace(straight, blocks=(*straight.blocks[:5], straight.blocks[4]))
    with pytest.raises(ChartError, match="Delta E apart"):
        order_blocks(same, VALUES, blank=True, reverse=None)
