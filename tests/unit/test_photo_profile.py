"""Colour profiles built here from the tables of ICC.1:2010, against LittleCMS and by hand."""

import io
import struct
import zlib

import cv2
import numpy as np
import pytest
from PIL import Image, ImageCms

from stripread.photo import Photo, decode_photo, open_photo_bytes
from stripread.photo.load import Limits
from stripread.photo.profile import light_of_profile, srgb_light
from tests.listed import each

# Colorants adapted to D50 (columns red, green, blue): Display P3, and a wide print-shop space of gamma 2.2.
P3 = ((0.51512, 0.29198, 0.15710), (0.24120, 0.69225, 0.06657), (-0.00105, 0.04189, 0.78407))
WIDE = ((0.60974, 0.20528, 0.14919), (0.31111, 0.62567, 0.06322), (0.01947, 0.06087, 0.74457))


def fixed(*values: float) -> bytes:
    return struct.pack(f">{len(values)}i", *(round(v * 65536) for v in values))


def xyz(*values: float) -> bytes:
    return b"XYZ \0\0\0\0" + fixed(*values)


def para(kind: int, *values: float) -> bytes:
    return b"para\0\0\0\0" + struct.pack(">HH", kind, 0) + fixed(*values)


def curv(*values: int) -> bytes:
    return b"curv\0\0\0\0" + struct.pack(f">I{len(values)}H", len(values), *values)


def text(words: str) -> bytes:
    encoded = words.encode("utf-16-be")
    return b"mluc\0\0\0\0" + struct.pack(">II2s2sII", 1, 12, b"en", b"US", len(encoded), 28) + encoded


def profile(tags: dict[bytes, bytes], *, space: bytes = b"RGB ", connection: bytes = b"XYZ ") -> bytes:
    tags = {b"desc": text("test"), b"cprt": text("none"), b"wtpt": xyz(0.9642, 1.0, 0.8249)} | tags
    table, body, at = b"", b"", 132 + 12 * len(tags)
    for name, tag in tags.items():
        tag += bytes(-len(tag) % 4)
        table += struct.pack(">4sII", name, at, len(tag))
        body, at = body + tag, at + len(tag)
    header = struct.pack(">I4xI4s4s4s", at, 0x04200000, b"mntr", space, connection)
    header += struct.pack(">6H4s", 2026, 1, 1, 0, 0, 0, b"acsp") + bytes(28) + fixed(0.9642, 1.0, 0.8249)
    return header.ljust(128, b"\0") + struct.pack(">I", len(tags)) + table + body


def rgb_profile(colorants: tuple[tuple[float, ...], ...], *curves: bytes) -> bytes:
    red, green, blue = curves if len(curves) == 3 else curves * 3
    columns = [xyz(*(row[i] for row in colorants)) for i in range(3)]
    return profile(
        {b"rXYZ": columns[0], b"gXYZ": columns[1], b"bXYZ": columns[2], b"rTRC": red, b"gTRC": green, b"bTRC": blue}
    )


SRGB_PARA = para(3, 2.4, 1 / 1.055, 0.055 / 1.055, 1 / 12.92, 0.04045)
SAMPLED = curv(*(round(65535 * (i / 1023) ** 1.8) for i in range(1024)))


def picture() -> np.ndarray:
    """Colours of every kind that stay within sRGB in all the spaces tested: greys and muted colours."""
    rng = np.random.default_rng(3)
    muted = 128 + rng.integers(-30, 31, (200, 300, 3))
    muted[:20] = np.linspace(0, 255, 300)[None, :, None]
    return muted.astype(np.uint8)


def photo_with(icc: bytes | None, pixels: np.ndarray | None = None, kind: str = "PNG") -> Photo:
    stream = io.BytesIO()
    Image.fromarray(picture() if pixels is None else pixels).save(stream, kind, icc_profile=icc)
    return decode_photo(open_photo_bytes(stream.getvalue(), "a", limits=Limits(min_pixels=1)), reduction=1)


def encode_srgb(light: np.ndarray) -> np.ndarray:
    light = np.clip(light, 0, 1)
    return 255 * np.where(light <= 0.0031308, 12.92 * light, 1.055 * light ** (1 / 2.4) - 0.055)


@each(
    "icc",
    [
        rgb_profile(P3, SRGB_PARA),
        rgb_profile(WIDE, curv(563)),
        rgb_profile(WIDE, SAMPLED),
        rgb_profile(P3, para(0, 2.2), para(1, 2.0, 0.9, 0.1), curv()),
        rgb_profile(P3, para(2, 1.8, 0.9, 0.05, 0.02), para(4, 2.4, 0.948, 0.052, 0.077, 0.04, 0.0, 0.0), SRGB_PARA),
        ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes(),
    ],
)
def test_matrix_profile_gives_what_littlecms_gives(icc: bytes) -> None:
    photo = photo_with(icc)
    np.testing.assert_array_equal(photo.pixels, picture())  # codes stay as stored
    ours = encode_srgb(photo.linear(slice(None), slice(None)).astype(np.float64))
    theirs = ImageCms.profileToProfile(
        Image.fromarray(picture()),
        ImageCms.ImageCmsProfile(io.BytesIO(icc)),
        ImageCms.createProfile("sRGB"),
        renderingIntent=ImageCms.Intent.RELATIVE_COLORIMETRIC,
    )
    # LittleCMS works in 8-bit steps here: half a code of rounding, and as much again of its own.
    np.testing.assert_allclose(ours, np.array(theirs), atol=1.0)
    assert np.abs(ours - np.array(theirs)).mean() < 0.35


def test_display_p3_red_lies_outside_srgb() -> None:
    photo = photo_with(rgb_profile(P3, SRGB_PARA), np.full((4, 4, 3), (255, 0, 0), np.uint8))
    # Published conversion of P3's red (CSS Color 4, sample code): 1.2249, -0.0420, -0.0196; 2e-3 for P3's five digits.
    np.testing.assert_allclose(photo.linear(slice(0, 1), slice(0, 1))[0, 0], (1.2249, -0.0420, -0.0196), atol=2e-3)


@each("kind", ["JPEG", "PNG", "WEBP", "TIFF"])
def test_profile_is_found_in_every_format(kind: str) -> None:
    photo = photo_with(rgb_profile(WIDE, curv(563)), kind=kind)
    assert photo.decode_table[128] == pytest.approx([(128 / 255) ** (563 / 256)] * 3, rel=1e-6)
    assert np.abs(photo.to_srgb - np.eye(3)).max() > 0.1


def test_profile_keeps_white_white() -> None:
    for icc in (rgb_profile(P3, SRGB_PARA), rgb_profile(WIDE, curv(563))):
        light = light_of_profile(icc, codes=256)
        assert light is not None
        np.testing.assert_allclose(light.to_srgb @ np.ones(3), 1.0, atol=2e-3)


def test_profile_of_srgb_is_a_plain_identity() -> None:
    light = light_of_profile(ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes(), codes=256)
    assert light is not None
    np.testing.assert_array_equal(light.to_srgb, np.eye(3))
    np.testing.assert_allclose(light.decode_table, srgb_light(256).decode_table, atol=1e-5)


def test_sixteen_bit_picture_gets_a_table_of_sixteen_bits() -> None:
    data = cv2.imencode(".png", np.full((20, 20, 3), 40000, np.uint16))[1].tobytes()
    icc = rgb_profile(WIDE, curv(563))
    body = b"iCCPx\0\0" + zlib.compress(icc)
    chunk = struct.pack(">I", len(body) - 4) + body + struct.pack(">I", zlib.crc32(body))
    photo = decode_photo(open_photo_bytes(data[:33] + chunk + data[33:], "a", limits=Limits(min_pixels=1)), reduction=1)
    assert photo.decode_table.shape == (65536, 3)
    assert photo.decode_table[photo.pixels[0, 0, 0], 0] == pytest.approx((40000 / 65535) ** (563 / 256), rel=1e-6)


def test_grey_profile_gives_its_curve() -> None:
    icc = profile({b"kTRC": curv(2 * 256)}, space=b"GRAY")
    photo = photo_with(icc, picture()[..., 0])
    assert photo.decode_table[128] == pytest.approx([(128 / 255) ** 2] * 3, rel=1e-6)
    np.testing.assert_array_equal(photo.to_srgb, np.eye(3))


def lut_profile() -> bytes:
    """A look-up table (lut8, ICC.1:2010 10.9) that turns light upside down, through CIELAB: L* from 100 down to 0."""
    ramp = bytes(range(256))
    grid = b"".join(bytes([255 - 85 * (r + g + b), 128, 128]) for r in (0, 1) for g in (0, 1) for b in (0, 1))
    lut = b"mft1\0\0\0\0" + bytes([3, 3, 2, 0]) + fixed(1, 0, 0, 0, 1, 0, 0, 0, 1) + ramp * 3 + grid + ramp * 3
    return profile({b"A2B0": lut}, connection=b"Lab ")


@each("depth", [8, 16])
def test_profile_of_look_up_tables_changes_the_pixels(depth: int) -> None:
    icc = lut_profile()
    stored = np.repeat(np.arange(256, dtype=np.uint8)[None, :, None], 3, axis=2).repeat(20, axis=0)
    if depth == 8:
        photo = photo_with(icc, stored)
    else:
        data = cv2.imencode(".png", stored.astype(np.uint16) * 257)[1].tobytes()
        body = b"iCCPx\0\0" + zlib.compress(icc)
        chunk = struct.pack(">I", len(body) - 4) + body + struct.pack(">I", zlib.crc32(body))
        data = data[:33] + chunk + data[33:]
        photo = decode_photo(open_photo_bytes(data, "a", limits=Limits(min_pixels=1)), reduction=1)
    assert photo.pixels.dtype == np.uint8
    light = photo.linear(slice(0, 1), slice(None))[0, :, 1].astype(np.float64)
    lightness = 100 * (1 - np.arange(256) / 255)
    expected = np.where(lightness > 8, ((lightness + 16) / 116) ** 3, lightness * 27 / 24389)  # CIE 15
    np.testing.assert_allclose(encode_srgb(light), encode_srgb(expected), atol=1.5)  # 8-bit steps in and out
    np.testing.assert_array_equal(photo.to_srgb, np.eye(3))


@each(
    "broken",
    [
        b"\0" * 10,
        b"not a profile " * 30,
        rgb_profile(P3, SRGB_PARA)[:200],
        rgb_profile(P3, SRGB_PARA)[:-30],
        rgb_profile(P3, b"junk" + bytes(20)),
        rgb_profile(P3, para(9, 1.0)),
        rgb_profile(P3, para(1, 2.0, 0.0, 0.5)),
        rgb_profile(P3, para(0, -1.0)),
        rgb_profile(P3, curv(*range(65535, 0, -1000))),
        rgb_profile(P3, curv(0, 0, 0)),
        rgb_profile(P3, b"curv\0\0\0\0" + struct.pack(">I", 2**31) + bytes(40)),
        rgb_profile(((0.0,) * 3,) * 3, SRGB_PARA),
        rgb_profile(((0.32,) * 3, (0.333,) * 3, (0.275,) * 3), SRGB_PARA),
        rgb_profile(((0.41, 0.36, 0.18), (0.21, 0.72, 0.07), (0.02, 0.12, 0.95)), SRGB_PARA),
        profile({b"kTRC": curv(512)}, space=b"GRAY"),
        profile({}, space=b"CMYK"),
        profile({}),
        profile({b"A2B0": b"mft1" + bytes(30)}, connection=b"Lab "),
    ],
)
@each("kind", ["JPEG", "PNG"])
def test_broken_profile_counts_as_srgb(broken: bytes, kind: str) -> None:
    """Colours keep to sRGB; that goes for a profile of grey or CMYK in a photo of RGB colours, too."""
    photo, plain = photo_with(broken, kind=kind), photo_with(None, kind=kind)
    np.testing.assert_array_equal(photo.pixels, plain.pixels)
    np.testing.assert_array_equal(photo.decode_table, plain.decode_table)
    np.testing.assert_array_equal(photo.to_srgb, np.eye(3))


def test_every_cut_and_changed_byte_of_a_profile_ends_in_a_table() -> None:
    rng = np.random.default_rng(8)
    whole = rgb_profile(P3, SRGB_PARA, SAMPLED[:200], curv(563))
    for at in range(0, len(whole), 3):
        changed = bytearray(whole)
        changed[at] = rng.integers(256)
        for icc in (whole[:at], bytes(changed)):
            light = light_of_profile(icc, codes=256)
            if light is not None:
                assert np.isfinite(light.decode_table).all()
                assert np.isfinite(light.to_srgb).all()
