from dataclasses import replace
from datetime import date
from pathlib import Path

import numpy as np
import pytest
from made_readings import LINE, STOCK
from PIL import Image, ImageDraw, ImageFont

from stripread import check_reading, load_card, load_kind, load_lot, open_photo, read_strip
from stripread.check import Verdict
from stripread.errors import CardNotFoundError
from stripread.findings import make_finding
from stripread.photo import decode_photo
from stripread.report import draw_error, draw_verdict, save_picture
from stripread.report.pictures.overlay import _COLOURS, _wrap
from tests.listed import each

CALIBRATION = Path(__file__).parents[2] / "calibration"
PHOTO = CALIBRATION / "UL-2603" / "level02-strip1-light1.jpg"
ERROR = CardNotFoundError(expected="4 markers", found="1", remedy="Keep the whole card in view and retake the photo.")


@pytest.fixture(scope="module")
def within() -> Verdict:
    lot, card = load_lot(CALIBRATION / "UL-2603" / "lot.json"), load_card(CALIBRATION / "card-print-a.toml")
    reading = read_strip(open_photo(PHOTO), card=card, kind=load_kind("clo2-ultralow"), lot=lot)
    return of_state(check_reading(reading, sample=LINE, today=date(2026, 5, 4), dipped_at=None), "within")


def of_state(verdict: Verdict, state: str) -> Verdict:
    return replace(verdict, pads=tuple(replace(pad, range_state=state) for pad in verdict.pads))


def sign_mask(verdict: Verdict) -> np.ndarray:
    """Where the sign is drawn, whatever its colours: the left end of the banner against its ground."""
    part = draw_verdict(verdict)[:250, :260].astype(int)
    return np.abs(part - part[0, 0]).sum(axis=2) > 200


def top_of_photo(picture: np.ndarray) -> int:
    """Row where the banner ends: the first whose left edge is no longer the banner's ground."""
    return int(np.argmax(np.abs(picture[:, 0].astype(int) - picture[0, 0]).sum(axis=1) > 30))


def test_the_picture_keeps_pad_and_patches_bare(within):
    drawn = draw_verdict(within)
    measured = within.reading.measurement
    photo = measured.card.photo.pixels
    top = top_of_photo(drawn)
    x, y = measured.pads[0].polygon_px.mean(axis=0).astype(int)
    assert np.array_equal(drawn[top + y - 8 : top + y + 8, x - 8 : x + 8], photo[y - 8 : y + 8, x - 8 : x + 8])
    changed = (drawn[top : top + photo.shape[0]] != photo).any(axis=2).mean()
    assert 0 < changed < 0.03  # the outlines, and nothing else


def test_card_and_pad_are_outlined(within):
    drawn, photo = draw_verdict(within), within.reading.measurement.card.photo.pixels
    top = top_of_photo(drawn)
    changed = (drawn[top : top + photo.shape[0]] != photo).any(axis=2)
    corners = within.reading.measurement.card.pose.corners_px
    for x, y in (corners + np.roll(corners, 1, axis=0)) / 2:
        assert changed[round(y), round(x)]
    polygon = within.reading.measurement.pads[0].polygon_px
    x, y = polygon.mean(axis=0) + 1.5 * (polygon[0] + polygon[1] - 2 * polygon.mean(axis=0)) / 2
    assert changed[round(y), round(x)]


def test_verdicts_differ_by_shape_and_not_by_colour_alone(within):
    silent = replace(within, validity="invalid")
    verdicts = [within, of_state(within, "above"), of_state(within, "undecided"), silent]
    masks = [sign_mask(verdict) for verdict in verdicts]
    for i, one in enumerate(masks):
        for other in masks[:i]:
            size = min(one.shape[0], other.shape[0])
            assert (one[:size] != other[:size]).mean() > 0.05


@each("sign", _COLOURS)
def test_ink_stands_out_from_its_ground(sign):
    def luminance(rgb: tuple[int, int, int]) -> float:
        share = np.array(rgb) / 255
        light = np.where(share <= 0.04045, share / 12.92, ((share + 0.055) / 1.055) ** 2.4)
        return float(light @ [0.2126, 0.7152, 0.0722])

    dark, bright = sorted(luminance(rgb) for rgb in _COLOURS[sign])
    assert (bright + 0.05) / (dark + 0.05) >= 7  # WCAG 2, level AAA


def test_a_strong_sample_carries_the_caution_below_the_photo(within):
    plain = draw_verdict(within)
    cautious = draw_verdict(replace(within, cautions=("Ventilate, and do not lean over the pail. " * 3,)))
    assert cautious.shape[0] > plain.shape[0] + 40


def test_a_photo_without_a_number_is_drawn_all_the_same(within):
    verdict = check_reading(within.reading, sample=STOCK, today=date(2026, 5, 4), dipped_at=None)
    assert verdict.pads[0].reading.value is None
    assert draw_verdict(verdict).shape[1] == 1600


def test_an_error_is_drawn_on_the_photo_or_on_a_blank_sheet():
    photo = decode_photo(open_photo(PHOTO), reduction=2)
    drawn = draw_error(ERROR, photo, name=PHOTO.name)
    assert drawn.shape[1] == photo.pixels.shape[1]
    assert (drawn == 255).any()
    blank = draw_error(ERROR, None, name="gone.jpg")
    assert blank.shape[1] == 1200


def test_large_photos_are_shrunk_and_outlines_shrink_with_them(within):
    card = within.reading.measurement.card
    large = replace(card.photo, pixels=np.repeat(np.repeat(card.photo.pixels, 2, 0), 2, 1))
    large = replace(large, full_size=(3200, 2400))
    pose = replace(card.pose, corners_px=(card.pose.corners_px + 0.5) * 2 - 0.5)
    pads = tuple(replace(p, polygon_px=(p.polygon_px + 0.5) * 2 - 0.5) for p in within.reading.measurement.pads)
    measured = replace(within.reading.measurement, card=replace(card, photo=large, pose=pose), pads=pads)
    drawn = draw_verdict(replace(within, reading=replace(within.reading, measurement=measured)))
    assert np.abs(drawn.astype(int) - draw_verdict(within)).max() <= 1


def test_words_wrap_within_the_room_and_overlong_ones_are_broken():
    font = ImageFont.load_default(size=40)
    measure = ImageDraw.Draw(Image.new("RGB", (8, 8)))
    rows = _wrap("a short line and Donaudampfschifffahrtsgesellschaft", font, 300, measure)
    assert "".join(rows).replace(" ", "") == "ashortlineandDonaudampfschifffahrtsgesellschaft"
    assert all(measure.textlength(row, font=font) <= 300 for row in rows)


@each("name", ["out.png", "out.jpg", "out"])
def test_pictures_are_saved_in_the_format_of_their_name(name, tmp_path, within):
    save_picture(draw_verdict(within), tmp_path / name)
    with Image.open(tmp_path / name) as picture:
        assert picture.format == ("JPEG" if name.endswith("jpg") else "PNG")


def test_findings_of_a_doubtful_reading_become_steps_below_the_photo(within):
    finding = make_finding("photo_soft", "soft")
    doubtful = replace(within, validity="doubtful", findings=(finding, *within.findings))
    assert draw_verdict(doubtful).shape[0] > draw_verdict(within).shape[0]
