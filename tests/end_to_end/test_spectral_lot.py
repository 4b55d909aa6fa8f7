"""A lot calibrated with a print's measured spectra, read with and without them."""

from dataclasses import replace
from datetime import date

import numpy as np
import pytest

from stripread.calibrate import calibrate_lot, join_lot, load_series
from stripread.card import design_card
from stripread.errors import SeriesError
from stripread.lot import load_lot, save_lot
from stripread.photo import open_photo_bytes
from stripread.read import read_strip
from stripread.report import lot_text
from stripread.simulate import SeriesPlan, dip_strip, enrolled, shoot_series, take_photo
from stripread.simulate.optics.cameras import make_phone
from stripread.simulate.scene.photograph import Shot
from stripread.simulate.scene.scene import View
from stripread.strip import load_kind

PRINTER = 3
KIND = load_kind("clo2-ultralow")
PLAIN_CARD = enrolled(design_card(), PRINTER)
CARD = enrolled(design_card(), PRINTER, spectra=True)
SIZE = (1200, 900)


@pytest.fixture(scope="module")
def series(tmp_path_factory):
    folder = tmp_path_factory.mktemp("series")
    plan = SeriesPlan(
        kind=KIND,
        card=design_card(),
        printer_seed=PRINTER,
        lot_factor=1.0,
        conditions=((make_phone(5), "D55"),),
        strips=2,
        size_px=SIZE,
    )
    return load_series(shoot_series(plan, folder, seed=1, beyond=False))


@pytest.fixture(scope="module")
def lot(series, tmp_path_factory):
    folder = tmp_path_factory.mktemp("lot")
    days = {"expires": date(2030, 1, 1), "calibrated_on": date(2026, 1, 1)}
    made = calibrate_lot(series, kind=KIND, card=CARD, number="S-1", **days)
    save_lot(made, folder / "lot.json")
    return load_lot(folder / "lot.json")


@pytest.fixture(scope="module")
def photo() -> bytes:
    strip = dip_strip(KIND, {"clo2": 0.4}, np.random.default_rng(1), scatter=0.0)
    view = View(size_px=SIZE, card_width_share=0.85)
    shot = Shot(
        card=design_card(), printer_seed=PRINTER, phone=make_phone(9), lamps=("LED-B3",), view=view, strip=strip
    )
    return take_photo(shot, seed=2)[0]


def read(photo, card, lot):
    return read_strip(open_photo_bytes(photo, "photo.jpg"), card=card, kind=KIND, lot=lot)


def test_a_lot_says_that_spectra_corrected_it_and_is_read_so(lot, photo):
    assert lot.correction == "spectral"
    reading = read(photo, CARD, lot)
    assert reading.measurement.card.correction.map.method == "spectral"
    low, high = reading.pads[0].interval
    assert low < 0.4 < high
    assert "correction_differs" not in {f.code for f in reading.findings}


def test_a_photo_corrected_in_another_way_says_so_and_has_a_wider_interval(lot, photo):
    reading = read(photo, PLAIN_CARD, lot)
    assert "correction_differs" in {f.code for f in reading.findings}
    narrow, wide = (read(photo, card, lot).pads[0].interval for card in (CARD, PLAIN_CARD))
    assert wide[1] - wide[0] > narrow[1] - narrow[0]


def test_a_lot_of_a_plain_card_is_read_by_the_plain_map(lot, photo):
    reading = read(photo, CARD, replace(lot, correction="plain"))
    assert reading.measurement.card.correction.map.method != "spectral"


def test_a_place_joins_with_the_lot_s_way_of_correction_only(lot, series):
    joined = join_lot(series, lot=lot, kind=KIND, card=CARD)
    assert len(joined.conditions) == len(lot.conditions) + 1
    assert joined.correction == "spectral"
    with pytest.raises(SeriesError, match="spectral map"):
        join_lot(series, lot=lot, kind=KIND, card=PLAIN_CARD)


def test_the_lot_s_page_names_the_correction(lot):
    assert "card print's spectra" in lot_text(lot)
