from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from stripread import load_card, load_kind, load_lot, open_photo, read_strip
from stripread.card import find_card
from stripread.geometry import apply_homography, scale_points
from stripread.photo import decode_photo
from stripread.read import Reading
from stripread.report import draw_closeup, draw_plain

CALIBRATION = Path(__file__).parents[2] / "calibration"
SAMPLES = Path(__file__).parents[2] / "sample_images"
CARD = load_card(CALIBRATION / "card-print-a.toml")


def read(photo: Path, lot: str, kind: str) -> Reading:
    return read_strip(open_photo(photo), card=CARD, kind=load_kind(kind), lot=load_lot(CALIBRATION / lot / "lot.json"))


@pytest.fixture(scope="module")
def turned() -> Reading:
    return read(SAMPLES / "line-turned.jpg", "UL-2603", "clo2-ultralow")


def card_part(picture, scale):
    """The upper part, as it would be with its corner at the card's own."""
    return picture[round(3 * scale) :, round(3 * scale) :]


def test_the_card_stands_upright_whatever_way_the_phone_was_held(turned):
    """Each dark and each white patch of the card's file lies where the file says, as seen from above."""
    picture, scale = draw_closeup(turned), 1080 / (CARD.width_mm + 6)
    part = card_part(picture, scale).astype(float)
    dark, white = [], []
    for patch in CARD.patches:
        x, y = (patch.rect.centre * scale).astype(int)
        mean = part[y - 3 : y + 4, x - 3 : x + 4].mean()
        if patch.lab[0] < 30:
            dark.append(mean)
        elif patch.lab[0] > 90:
            white.append(mean)
    assert len(dark) > 3
    assert len(white) > 3
    assert max(dark) < min(white)


def test_the_pad_is_enlarged_and_bare(turned):
    picture, measured = draw_closeup(turned), turned.measurement
    below = picture[round(1080 * (CARD.height_mm + 6) / (CARD.width_mm + 6)) + 24 :]
    (pad,) = measured.pads
    mm = apply_homography(np.linalg.inv(measured.card.pose.homography), pad.polygon_px)
    middle = below[below.shape[0] // 2 - 40 : below.shape[0] // 2 + 40, 500:580].reshape(-1, 3)
    x, y = measured.card.photo.from_full(pad.polygon_px).mean(axis=0).astype(int)
    there = measured.card.photo.pixels[y - 5 : y + 6, x - 5 : x + 6].reshape(-1, 3)
    assert np.abs(middle.mean(axis=0) - there.mean(axis=0)).max() < 4  # of 255: the pad, with nothing drawn over it
    enlarged = 1080 / 30  # px per mm
    assert np.ptp(mm[:, 0]) * enlarged > 100


def test_several_pads_are_numbered():
    photo = sorted((CALIBRATION / "CP-2602").glob("*.jpg"))[3]
    duo = draw_closeup(read(photo, "CP-2602", "chlorine-ph-duo"))
    assert duo.shape[1] == 1080
    below = duo[round(1080 * (CARD.height_mm + 6) / (CARD.width_mm + 6)) + 24 :]
    assert (below == 255).all(axis=2).mean() > 0.02  # the discs of the numbers are white


def test_a_photo_that_was_not_read_is_shown_with_its_card_outlined():
    photo = decode_photo(open_photo(SAMPLES / "no-strip.jpg"), reduction=2)
    picture, factor = draw_plain(photo, CARD), 1080 / max(photo.full_size)
    assert max(picture.shape) <= 1080
    corners = scale_points(find_card(photo, CARD).corners_px, factor)
    for x, y in ((corners + np.roll(corners, 1, axis=0)) / 2).astype(int):
        around = picture[y - 4 : y + 5, x - 4 : x + 5]
        assert around.max() > 240  # white within black
        assert around.min() < 40


def test_a_photo_without_a_card_is_shown_as_it_is():
    photo = decode_photo(open_photo(SAMPLES / "no-strip.jpg"), reduction=2)
    bare = replace(photo, pixels=np.full_like(photo.pixels, 90))
    assert (draw_plain(bare, CARD) == 90).all()
