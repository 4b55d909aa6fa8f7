"""Flash pairs as photo files: order, refusals, findings, calibration and reading by name."""

from dataclasses import replace
from datetime import date
from functools import cache
from pathlib import Path

import numpy as np
import pytest

from stripread.calibrate import calibrate_lot, load_series
from stripread.card import design_card
from stripread.errors import FlashPairError, SeriesError
from stripread.lot import load_lot, save_lot
from stripread.measure import StripMeasurement, finish_flash_pair, flash_colours, measure_flash_pair
from stripread.photo import PhotoFile, open_photo_bytes
from stripread.read import read_strip
from stripread.simulate import enrolled, take_photo
from stripread.simulate.optics.cameras import make_phone
from stripread.simulate.optics.conditions import with_flash
from stripread.simulate.optics.light import field_at
from stripread.simulate.scene.photograph import DippedStrip, Shot, strip_geometry
from stripread.simulate.scene.scene import StripPlacement, View
from stripread.strip import load_kind

CALIBRATION = Path(__file__).parents[2] / "calibration"
KIND, CARD = load_kind("clo2-wide"), design_card()
PRINT = enrolled(CARD, 2)
STRIP = DippedStrip(kind=KIND, concentrations={"clo2": 200.0})


@cache
def shots(ratio: float) -> tuple[Shot, Shot]:
    shot = Shot(
        card=CARD, printer_seed=2, phone=make_phone(4), lamps=("D55",), strip=STRIP, clutter=2,
        view=View(size_px=(1200, 900), card_width_share=0.85, tilt_deg=14.0, tilt_direction_deg=90.0),
    )  # fmt: skip
    return with_flash(shot, np.random.default_rng(3), ratio=ratio, mirrored=0.0)


def taken(shot: Shot, seed: int) -> PhotoFile:
    return open_photo_bytes(take_photo(shot, seed=seed)[0], f"photo{seed}.jpg")


@cache
def files(ratio: float = 2.0) -> tuple[PhotoFile, PhotoFile]:
    first, second = shots(ratio)
    return taken(first, 1), taken(second, 2)


def read(first: PhotoFile, second: PhotoFile) -> StripMeasurement:
    """Measure with the colours that the pair itself shows."""
    pair = measure_flash_pair(first, second, PRINT, KIND)
    return finish_flash_pair(pair, flash_colours([pair]))


def codes(measured: StripMeasurement) -> set[str]:
    return {finding.code for finding in measured.findings}


def test_exif_tells_exposure_and_flash() -> None:
    first, second = files()
    assert (first.flash, second.flash) == (False, True)
    # By the exposures and what the photos show: twice the light of the lamp in the middle, less on the white patches.
    flash = shots(2.0)[1].flash
    assert flash is not None
    whites = np.array([p.rect.centre for p in CARD.patches if p.role == "white"])
    ratio = 2.0 * field_at(flash.light, (CARD.width_mm, CARD.height_mm), whites).mean()
    pair = measure_flash_pair(first, second, PRINT, KIND)
    assert 1 / pair.patches.share - 1 == pytest.approx(ratio, rel=0.12)


def test_a_good_pair_has_no_findings_and_names_its_second_photo() -> None:
    measured = read(*files())
    assert codes(measured) <= {"uneven_light"}
    assert measured.flash_photo is not None
    assert measured.flash_photo.sha256 == files()[1].sha256


@pytest.mark.slow
def test_photos_in_the_wrong_order_are_put_right() -> None:
    first, second = files()
    assert read(second, first).pads[0].lab == pytest.approx(read(first, second).pads[0].lab, abs=1e-6)
    # Also where EXIF says nothing of the flash, by who has more light for its exposure.
    blind = (replace(second, flash=None), replace(first, flash=None))
    assert read(*blind).pads[0].lab == pytest.approx(read(first, second).pads[0].lab, abs=1e-6)


def test_no_pair_is_refused_with_its_reason() -> None:
    first, second = files()
    wrong = {
        "twice": (first, first),
        "x": (first, replace(second, full_size=(900, 1200))),
        "Other": (first, replace(second, camera="Other phone")),
        "not all three": (first, replace(second, exposure=None)),
    }
    for found, pair in wrong.items():
        with pytest.raises(FlashPairError) as caught:
            measure_flash_pair(*pair, PRINT, KIND)
        assert found in str(caught.value.found)


def test_two_photos_without_flash_are_no_pair() -> None:
    first, _ = shots(2.0)
    with pytest.raises(FlashPairError) as caught:
        measure_flash_pair(taken(first, 1), taken(replace(first, exposure=0.6), 7), PRINT, KIND)
    assert "times the light" in str(caught.value.found)


@pytest.mark.slow
def test_a_weak_flash_is_named() -> None:
    assert "flash_weak" in codes(read(*files(0.25)))


@pytest.mark.slow
def test_a_strip_that_was_moved_is_named() -> None:
    first, second = shots(2.0)
    placed = StripPlacement(kind=strip_geometry(KIND), offset_mm=(2.0, 0.0))
    assert "strip_moved" in codes(read(taken(first, 1), taken(replace(second, placement=placed), 2)))


def test_another_phones_flash_misfits() -> None:
    own = measure_flash_pair(*files(), PRINT, KIND)
    colours = flash_colours([own])
    changed = {
        name: (lab[0], lab[1] + (5.0 if i % 2 else -5.0), lab[2]) for i, (name, lab) in enumerate(colours.items())
    }
    assert "flash_misfit" not in codes(finish_flash_pair(own, colours))
    assert "flash_misfit" in codes(finish_flash_pair(own, changed))


def test_another_card_is_refused() -> None:
    with pytest.raises(FlashPairError):
        finish_flash_pair(measure_flash_pair(*files(), PRINT, KIND), {"other": (50.0, 0.0, 0.0)})


def test_a_pair_is_read_against_a_lot_of_pairs() -> None:
    first, second = files()
    colours = flash_colours([measure_flash_pair(first, second, PRINT, KIND)])
    lot = replace(load_lot(CALIBRATION / "WR-2601" / "lot.json"), flash_colours=colours)
    reading = read_strip(first, card=PRINT, kind=KIND, lot=lot, flash=second)
    assert reading.photo_sha256 == first.sha256
    assert reading.measurement.flash_photo is not None
    # Lot and print are strangers to each other, so only the order of size is right.
    assert reading.pads[0].estimate.value == pytest.approx(200.0, rel=0.3)


def test_a_lot_file_keeps_the_colours_of_the_flash(tmp_path: Path) -> None:
    lot = load_lot(CALIBRATION / "WR-2601" / "lot.json")
    assert lot.flash_colours == {}
    save_lot(replace(lot, flash_colours={"w1": (95.0, 0.25, -1.5)}), tmp_path / "lot.json")
    assert load_lot(tmp_path / "lot.json").flash_colours == {"w1": (95.0, 0.25, -1.5)}


def test_a_series_names_the_partner_of_each_photo(tmp_path: Path) -> None:
    for name in ("a.jpg", "b.jpg"):
        (tmp_path / name).write_bytes(b"")
    series = tmp_path / "series.csv"
    head = "photo,flash,concentration,u_concentration,replicate\n"
    series.write_text(head + "a.jpg,b.jpg,0,0,1\nb.jpg,,0,0,2\n")
    rows = load_series(series)
    assert [row.flash for row in rows] == [tmp_path / "b.jpg", None]
    series.write_text(head + "a.jpg,c.jpg,0,0,1\n")
    with pytest.raises(SeriesError, match=r"c\.jpg"):
        load_series(series)


def test_a_series_of_pairs_and_single_photos_is_refused(tmp_path: Path) -> None:
    first, second = files()
    names = {"a.jpg": first, "a-flash.jpg": second, "b.jpg": first}
    for name, file in names.items():
        (tmp_path / name).write_bytes(file.data)
    series = tmp_path / "series.csv"
    series.write_text(
        "photo,flash,concentration,u_concentration,replicate\na.jpg,a-flash.jpg,200,2,1\nb.jpg,,200,2,2\n"
    )
    with pytest.raises(SeriesError, match="in every row, or in none"):
        calibrate_lot(
            load_series(series), kind=KIND, card=PRINT, number="F",
            expires=date(2030, 1, 1), calibrated_on=date(2026, 1, 1),
        )  # fmt: skip
