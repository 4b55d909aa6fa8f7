"""The eight EXIF orientations (Exif 2.2, JEITA CP-3451, tag 274) through real files."""

import io
from pathlib import Path

import numpy as np
from PIL import Image

from stripread.photo import decode_photo, open_photo_bytes
from stripread.photo.load import Limits
from tests.listed import each

ANY_SIZE = Limits(min_pixels=1)

# Exif 2.2, table of tag 274: where the stored row 0 and the stored column 0 lie in the scene.
SIDES = {
    1: ("top", "left"),
    2: ("top", "right"),
    3: ("bottom", "right"),
    4: ("bottom", "left"),
    5: ("left", "top"),
    6: ("right", "top"),
    7: ("right", "bottom"),
    8: ("left", "bottom"),
}
# The scene: 96 wide, 64 high, one colour a quadrant.
SCENE = {
    ("top", "left"): (200, 30, 30),
    ("top", "right"): (30, 200, 30),
    ("bottom", "left"): (30, 30, 200),
    ("bottom", "right"): (200, 200, 30),
}
OPPOSITE = {"top": "bottom", "bottom": "top", "left": "right", "right": "left"}


def stored_picture(orientation: int) -> np.ndarray:
    """What a camera stores of the scene, built from the table alone."""
    row_side, column_side = SIDES[orientation]
    height, width = (64, 96) if row_side in ("top", "bottom") else (96, 64)
    picture = np.zeros((height, width, 3), np.uint8)
    for far_row in (False, True):
        for far_column in (False, True):
            sides = {OPPOSITE[row_side] if far_row else row_side, OPPOSITE[column_side] if far_column else column_side}
            colour = next(c for key, c in SCENE.items() if set(key) == sides)
            rows = slice(height // 2, None) if far_row else slice(0, height // 2)
            columns = slice(width // 2, None) if far_column else slice(0, width // 2)
            picture[rows, columns] = colour
    return picture


def encode(picture: np.ndarray, kind: str, orientation: int) -> bytes:
    exif = Image.Exif()
    exif[274] = orientation
    stream = io.BytesIO()
    options = {"JPEG": {"quality": 95}, "WEBP": {"lossless": True}}.get(kind, {})
    Image.fromarray(picture).save(stream, kind, exif=exif, **options)
    return stream.getvalue()


def check_upright(pixels: np.ndarray, *, atol: int) -> None:
    height, width = pixels.shape[:2]
    assert pixels.flags.c_contiguous
    for (row_side, column_side), colour in SCENE.items():
        row = height // 4 if row_side == "top" else 3 * height // 4
        column = width // 4 if column_side == "left" else 3 * width // 4
        np.testing.assert_allclose(pixels[row, column].astype(int), colour, atol=atol)


@each("orientation", SIDES)
@each("kind", ["JPEG", "PNG", "WEBP", "TIFF"])
def test_photo_is_upright_whatever_its_orientation(kind: str, orientation: int) -> None:
    photo_file = open_photo_bytes(encode(stored_picture(orientation), kind, orientation), "a", limits=ANY_SIZE)
    assert photo_file.full_size == (96, 64)
    photo = decode_photo(photo_file, reduction=1)
    assert photo.pixels.shape == (64, 96, 3)
    assert photo.full_size == (96, 64)
    check_upright(photo.pixels, atol=3 if kind == "JPEG" else 0)  # 3: what JPEG at quality 95 does to a flat area


@each("orientation", SIDES)
@each("reduction", [2, 4])
def test_reduced_photo_is_upright_and_keeps_its_full_size(orientation: int, reduction: int) -> None:
    photo_file = open_photo_bytes(encode(stored_picture(orientation), "JPEG", orientation), "a", limits=ANY_SIZE)
    photo = decode_photo(photo_file, reduction=reduction)
    assert photo.pixels.shape == (64 // reduction, 96 // reduction, 3)
    assert photo.full_size == (96, 64)
    check_upright(photo.pixels, atol=3)


@each("orientation", [0, 9, 65535])
def test_reserved_orientations_count_as_upright(orientation: int) -> None:
    photo_file = open_photo_bytes(encode(stored_picture(1), "JPEG", orientation), "a", limits=ANY_SIZE)
    check_upright(decode_photo(photo_file, reduction=1).pixels, atol=3)


def test_heic_that_carries_rotation_and_exif_orientation_is_turned_once() -> None:
    """Its property irot turns it by 90 degrees clockwise; EXIF orientation 6 says the same again."""
    data = (Path(__file__).parents[1] / "data" / "quadrants_turned.heic").read_bytes()
    assert b"irot" in data
    photo_file = open_photo_bytes(data, "a.heic", limits=ANY_SIZE)
    assert photo_file.full_size == (64, 96)
    pixels = decode_photo(photo_file, reduction=1).pixels
    assert pixels.shape == (96, 64, 3)
    # The stored scene turned clockwise: what was bottom left comes to the top left.
    turned = {(24, 16): (30, 30, 200), (24, 48): (200, 30, 30), (72, 16): (200, 200, 30), (72, 48): (30, 200, 30)}
    for place, colour in turned.items():
        np.testing.assert_allclose(pixels[place].astype(int), colour, atol=3)
