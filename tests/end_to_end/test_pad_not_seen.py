"""A strip on which no pad shows: a blank where it has a blank's colour, and never a number."""

from dataclasses import replace
from datetime import date
from pathlib import Path

import numpy as np
import pytest

from stripread.card import design_card, load_card
from stripread.errors import PadCountError, SeriesError, StripNotFoundError, StripUpsideDownError
from stripread.lot import Lot, Shift, load_lot, shifted_curve
from stripread.measure import StripMeasurement, measure_strip
from stripread.photo import open_photo, open_photo_bytes
from stripread.read.strip import read_measurement
from stripread.simulate import enrolled, take_photo
from stripread.simulate.optics.cameras import make_phone
from stripread.simulate.scene.photograph import DippedStrip, Shot, strip_geometry
from stripread.simulate.scene.scene import StripPlacement, View
from stripread.strip import load_kind

CALIBRATION = Path(__file__).parents[2] / "calibration"
KIND = load_kind("clo2-ultralow")
PRINT = enrolled(design_card(), 2)
SHOT = Shot(
    card=design_card(), printer_seed=2, phone=make_phone(4), lamps=("D55",), clutter=2,
    strip=DippedStrip(kind=KIND, concentrations={"clo2": 0.0}),
    placement=StripPlacement(kind=strip_geometry(KIND), face_down=True, angle_deg=2.0),
    view=View(size_px=(1600, 1200), card_width_share=0.85, tilt_deg=8.0, tilt_direction_deg=60.0),
)  # fmt: skip


@pytest.fixture(scope="module")
def measured() -> StripMeasurement:
    return measure_strip(open_photo_bytes(take_photo(SHOT, seed=3)[0], "photo.jpg"), PRINT, KIND)


@pytest.fixture(scope="module")
def lot() -> Lot:
    return load_lot(CALIBRATION / "UL-2603" / "lot.json")


def of_blank_colour(lot: Lot, lab: np.ndarray) -> Lot:
    """The lot, had its blank pads this colour."""
    pad = lot.pads[0]
    moved = Shift(lab - pad.curve.lab(np.zeros(1))[0], np.zeros((3, 3)))
    return replace(lot, pads=(replace(pad, curve=shifted_curve(pad.fitted_curve, [moved], np.ones(1)), shifts=()),))


def test_both_places_are_measured_and_it_is_said(measured: StripMeasurement) -> None:
    assert measured.strip.unseen
    assert measured.strip.other_way is not None
    assert "pad_not_seen" in {f.code for f in measured.findings}


def test_in_a_blanks_colour_it_is_a_blank_without_a_number(measured: StripMeasurement, lot: Lot) -> None:
    (pad,) = read_measurement(measured, lot=of_blank_colour(lot, measured.pads[0].lab)).pads
    assert pad.value is None
    assert pad.censored == "below"


def test_in_another_colour_it_lies_face_down(measured: StripMeasurement, lot: Lot) -> None:
    with pytest.raises(StripUpsideDownError, match="another colour"):
        read_measurement(measured, lot=lot)
    # Where the plastic has the colour of a dipped pad, it would be a number if the pad had been seen.
    pad = lot.pads[0]
    shift = pad.curve.lab(np.zeros(1))[0] - pad.curve.lab(np.array([0.5]))[0]
    with pytest.raises(StripUpsideDownError):
        read_measurement(measured, lot=of_blank_colour(lot, measured.pads[0].lab + shift))


def test_a_calibration_refuses_it_where_another_strip_of_the_level_shows_its_pad(tmp_path: Path) -> None:
    from stripread.calibrate import calibrate_lot, load_series

    strip, place = SHOT.strip, SHOT.placement
    assert strip is not None
    assert place is not None
    take_photo(SHOT, tmp_path / "bare.jpg", seed=3)
    seen = replace(SHOT, strip=replace(strip, concentrations={"clo2": 1.0}), placement=replace(place, face_down=False))
    take_photo(seen, tmp_path / "seen.jpg", seed=3)
    rows = ("photo,concentration,u_concentration,replicate", "bare.jpg,1,0.01,1", "seen.jpg,1,0.01,2")
    (tmp_path / "series.csv").write_text("\n".join(rows) + "\n")
    with pytest.raises(SeriesError, match=r"a pad that shows on the strip dipped into 1 in bare\.jpg"):
        calibrate_lot(
            load_series(tmp_path / "series.csv"), kind=KIND, card=PRINT, number="T", expires=date(2030, 1, 1),
            calibrated_on=date(2026, 1, 1),
        )  # fmt: skip


def test_ends_of_different_colour_need_the_cards_tip_mark(measured: StripMeasurement) -> None:
    strip = measured.strip
    assert strip.other_way is not None
    # The other way round, it would lie on the slot's ground.
    ground = replace(strip.other_way, origin_mm=strip.origin_mm + np.array([0.0, 8.0]))
    elsewhere = replace(strip, other_way=ground)
    file = open_photo_bytes(take_photo(SHOT, seed=3)[0], "photo.jpg")
    with pytest.raises(StripNotFoundError, match="ends that differ"):
        measure_strip(file, replace(PRINT, tip_mark_mm=None), KIND, known=elsewhere)
    found = {f.code for f in measure_strip(file, PRINT, KIND, known=elsewhere).findings}
    assert {"pad_not_seen", "end_by_mark"} <= found
    # What the pads can look like tells more than the mark.
    blank = {KIND.pads[0].id: measured.pads[0].lab[None]}
    by_colour = measure_strip(file, replace(PRINT, tip_mark_mm=None), KIND, known=elsewhere, colours=blank)
    assert by_colour.strip is elsewhere
    assert {f.code for f in by_colour.findings} & {"pad_not_seen", "end_by_mark"} == {"pad_not_seen"}
    turned = replace(ground, other_way=strip)
    assert measure_strip(file, PRINT, KIND, known=turned, colours=blank).strip is strip


def test_of_several_pads_one_that_is_missing_is_noticed_by_its_colour() -> None:
    duo, card = load_lot(CALIBRATION / "CP-2602" / "lot.json"), load_card(CALIBRATION / "card-print-a.toml")
    photo = open_photo(CALIBRATION.parent / "sample_images" / "tap-two-pads.jpg")
    whole = measure_strip(photo, card, load_kind(duo.kind))
    first, last = whole.pads
    # In the last one's place lies plastic, of a colour that no pad of the lot has.
    strip = replace(whole.strip, steps={first.pad: whole.strip.steps[first.pad], last.pad: 1.0})
    plastic = replace(last, lab=np.array([93.0, -1.0, 1.0]))
    with pytest.raises(PadCountError, match=f"no pad '{last.pad}'"):
        read_measurement(replace(whole, strip=strip, pads=(first, plastic)), lot=duo)
    assert read_measurement(replace(whole, strip=strip), lot=duo).pads[1].value is not None
