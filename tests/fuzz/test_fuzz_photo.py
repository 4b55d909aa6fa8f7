"""Broken photos end quickly in an error of ours or in a photo, never in anything else."""

import contextlib
import io
import time
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from PIL import Image, ImageCms

from stripread.errors import StripReadError
from stripread.photo import decode_photo, open_photo_bytes
from stripread.photo.load import Limits
from tests.listed import each

# Small limits keep a header that was changed to claim millions of pixels from costing time and memory.
LIMITS = Limits(min_pixels=1, max_pixels=1_000_000)
SECONDS_ALLOWED = 2.0  # of the processor; ours: a photo of this size takes a few ms


def seeds() -> dict[str, bytes]:
    rng = np.random.default_rng(4)
    picture = Image.fromarray(rng.integers(0, 256, (6, 8, 3)).astype(np.uint8)).resize(
        (64, 48), Image.Resampling.BICUBIC
    )
    exif = Image.Exif()
    exif[0x010F], exif[0x0112] = "Invented", 6
    exif.get_ifd(0x8769)[0x9003] = "2026:03:04 05:06:07"
    icc = ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()
    made = {"heic": (Path(__file__).parents[1] / "data" / "quadrants_turned.heic").read_bytes()}
    for name, kind, options in (
        ("jpeg", "JPEG", {}),
        ("progressive", "JPEG", {"progressive": True}),
        ("png", "PNG", {}),
        ("webp", "WEBP", {}),
        ("webp_lossless", "WEBP", {"lossless": True}),
        ("tiff", "TIFF", {}),
        ("tiff_lzw", "TIFF", {"compression": "tiff_lzw"}),
        ("tiff_jpeg", "TIFF", {"compression": "jpeg"}),
    ):
        stream = io.BytesIO()
        picture.save(stream, kind, exif=exif, icc_profile=icc, **options)
        made[name] = stream.getvalue()
    return made


SEEDS = seeds()
STARTS = (b"\xff\xd8\xff\xe0", b"\x89PNG\r\n\x1a\n", b"RIFF\0\1\0\0WEBPVP8 ", b"II*\0", b"MM\0*", b"\0\0\0\x18ftypheic")


def check_ends_well(data: bytes) -> None:
    started = time.process_time()
    with contextlib.suppress(StripReadError):
        photo_file = open_photo_bytes(data, "fuzz", limits=LIMITS)
        reduction = 2 if photo_file.format == "jpeg" else 1
        photo = decode_photo(photo_file, reduction=reduction)
        width, height = photo.full_size
        assert photo.pixels.shape == (-(-height // reduction), -(-width // reduction), 3)
        assert photo.decode_table.shape == (65536 if photo.pixels.dtype == np.uint16 else 256, 3)
        assert np.isfinite(photo.linear(slice(0, 2), slice(0, 2))).all()
    assert time.process_time() - started < SECONDS_ALLOWED


@each("seed", SEEDS)
def test_the_seeds_themselves_are_whole(seed: str) -> None:
    photo_file = open_photo_bytes(SEEDS[seed], seed, limits=LIMITS)
    assert decode_photo(photo_file, reduction=1).full_size in ((48, 64), (64, 96))


@pytest.mark.parametrize("seed", SEEDS)
@settings(max_examples=60, derandomize=True, deadline=None, suppress_health_check=list(HealthCheck))
@given(data=st.data())
def test_changed_photos_end_well(seed: str, data: st.DataObject) -> None:
    broken = bytearray(SEEDS[seed])
    # Headers are a small part of the bytes and the richer one: half of the changes go there.
    place = st.one_of(st.integers(0, min(len(broken), 300) - 1), st.integers(0, len(broken) - 1))
    for at, value in data.draw(st.lists(st.tuples(place, st.integers(0, 255)), max_size=12)):
        broken[at] = value
    start = data.draw(place)
    length = data.draw(st.sampled_from([0, 0, 1, 7, 100]))
    match data.draw(st.sampled_from(["keep", "cut", "drop", "repeat"])):
        case "cut":
            del broken[start:]
        case "drop":
            del broken[start : start + length]
        case "repeat":
            broken[start:start] = broken[start : start + length]
    check_ends_well(bytes(broken))


@settings(max_examples=200, derandomize=True, deadline=None)
@given(start=st.sampled_from((b"", *STARTS)), rest=st.binary(max_size=400))
def test_random_bytes_end_well(start: bytes, rest: bytes) -> None:
    check_ends_well(start + rest)


@each("seed", SEEDS)
def test_photos_cut_anywhere_end_well(seed: str) -> None:
    whole = SEEDS[seed]
    for keep in range(0, len(whole), max(1, len(whole) // 60)):
        check_ends_well(whole[:keep])
