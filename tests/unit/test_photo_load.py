"""Photo files made here, in every format, whole and broken."""

import hashlib
import io
import os
import struct
import threading
import time
import zlib
from datetime import UTC, datetime, timedelta, timezone
from pathlib import Path

import cv2
import numpy as np
import pytest
from PIL import Image

from stripread.errors import PhotoTooLargeError, PhotoUnfitError, PhotoUnreadableError
from stripread.measure.pad import coding_covariance
from stripread.photo import PhotoFile, decode_photo, open_photo, open_photo_bytes, suggested_reduction
from stripread.photo.load import Limits
from stripread.photo.profile import DISPLAY_P3_TO_SRGB
from tests.listed import each

ANY_SIZE = Limits(min_pixels=1)
HEIC = Path(__file__).parents[1] / "data" / "quadrants.heic"
KINDS = ["JPEG", "PROGRESSIVE", "PNG", "WEBP", "TIFF", "TIFF_LZW"]
OPTIONS = {
    "JPEG": ("JPEG", {"quality": 95, "subsampling": 0}),
    "PROGRESSIVE": ("JPEG", {"quality": 95, "subsampling": 0, "progressive": True}),
    "PNG": ("PNG", {}),
    "WEBP": ("WEBP", {"lossless": True}),
    "TIFF": ("TIFF", {}),
    "TIFF_LZW": ("TIFF", {"compression": "tiff_lzw"}),
}


def smooth_picture(height: int = 300, width: int = 400) -> np.ndarray:
    rows, columns = np.mgrid[0:height, 0:width]
    channels = (40 + 0.4 * columns, 220 - 0.5 * rows, 60 + 0.2 * rows + 0.3 * columns)
    return np.clip(np.dstack(channels), 0, 255).astype(np.uint8)


def encode(picture: np.ndarray | Image.Image, kind: str, **more: object) -> bytes:
    image = Image.fromarray(picture) if isinstance(picture, np.ndarray) else picture
    format_name, options = OPTIONS[kind]
    stream = io.BytesIO()
    image.save(stream, format_name, **(options | more))
    return stream.getvalue()


def read(data: bytes, reduction: int = 1, name: str = "photo") -> np.ndarray:
    return decode_photo(open_photo_bytes(data, name, limits=ANY_SIZE), reduction=reduction).pixels


def tiff(pixels: np.ndarray, **changed: int) -> bytes:
    """A plain little-endian TIFF of one strip, written from the TIFF 6.0 tables; ``changed`` tags as t262=0."""
    height, width = pixels.shape[:2]
    samples = pixels.shape[2] if pixels.ndim == 3 else 1
    bits = pixels.dtype.itemsize * 8
    data = pixels.astype(pixels.dtype.newbyteorder("<")).tobytes()
    tags = {
        256: width,
        257: height,
        258: bits,
        259: 1,
        262: 2 if samples == 3 else 1,
        273: 0,
        277: samples,
        278: height,
    }
    tags |= {279: len(data), 284: 1} | {int(name[1:]): value for name, value in changed.items()}
    start = 8 + 2 + 12 * len(tags) + 4
    tags[273] = start + 2 * samples
    body = b""
    for tag, value in sorted(tags.items()):
        if tag == 258 and samples > 2:
            body += struct.pack("<HHII", tag, 3, samples, start)
        else:
            body += struct.pack("<HHII", tag, 4, 1, value)
    head = b"II*\0" + struct.pack("<I", 8) + struct.pack("<H", len(tags)) + body + struct.pack("<I", 0)
    return head + struct.pack(f"<{samples}H", *[bits] * samples) + data


# --- what is read


@each("kind", KINDS)
def test_every_format_gives_the_pixels_that_were_stored(kind: str, tmp_path: Path) -> None:
    picture = smooth_picture()
    path = tmp_path / "a.jpg"
    path.write_bytes(encode(picture, kind))
    photo_file = open_photo(path)
    assert photo_file.format == OPTIONS[kind][0].lower()
    assert photo_file.sha256 == hashlib.sha256(path.read_bytes()).hexdigest()
    photo = decode_photo(photo_file, reduction=1)
    assert (photo.name, photo.full_size, photo.taken_at, photo.camera) == ("a.jpg", (400, 300), None, None)
    np.testing.assert_allclose(photo.pixels.astype(int), picture, atol=4 if "JPEG" in OPTIONS[kind] else 0)
    np.testing.assert_array_equal(photo.to_srgb, np.eye(3))


def test_heic_gives_its_colours_time_and_camera() -> None:
    photo_file = open_photo(HEIC, limits=ANY_SIZE)
    assert (photo_file.format, photo_file.full_size, photo_file.camera) == ("heic", (96, 64), "Invented Phone 1")
    assert photo_file.taken_at == datetime(2026, 3, 4, 5, 6, 7, tzinfo=timezone(timedelta(hours=2)))
    pixels = decode_photo(photo_file, reduction=1).pixels
    np.testing.assert_allclose(pixels[16, 24].astype(int), (200, 30, 30), atol=3)
    np.testing.assert_allclose(pixels[48, 72].astype(int), (200, 200, 30), atol=3)


def test_heic_whose_primaries_are_display_p3_by_number_is_read_as_such() -> None:
    data = HEIC.read_bytes()
    assert data.count(b"nclx\0\x01") == 1
    plain = decode_photo(open_photo_bytes(data, "a", limits=ANY_SIZE), reduction=1)
    wide = decode_photo(open_photo_bytes(data.replace(b"nclx\0\x01", b"nclx\0\x0c"), "a", limits=ANY_SIZE), reduction=1)
    np.testing.assert_array_equal(plain.to_srgb, np.eye(3))
    np.testing.assert_array_equal(wide.to_srgb, DISPLAY_P3_TO_SRGB)
    np.testing.assert_array_equal(wide.decode_table, plain.decode_table)


@each("reduction", [2, 4])
def test_reduced_jpeg_is_the_mean_of_the_full_one(reduction: int) -> None:
    data = encode(smooth_picture(), "JPEG")
    full, small = read(data), read(data, reduction)
    blocks = full.reshape(300 // reduction, reduction, 400 // reduction, reduction, 3).mean(axis=(1, 3))
    np.testing.assert_allclose(small, blocks, atol=3)
    assert small.mean() == pytest.approx(full.mean(), abs=0.3)


def test_reduced_jpeg_of_odd_sides_rounds_up() -> None:
    data = encode(smooth_picture(301, 403), "JPEG")
    assert read(data, 2).shape == (151, 202, 3)
    assert read(data, 4).shape == (76, 101, 3)


def test_reducing_another_format_than_jpeg_is_a_programming_error() -> None:
    with pytest.raises(ValueError, match="reduction 2 for png"):
        read(encode(smooth_picture(), "PNG"), 2)


@each("kind", ["PNG", "TIFF", "JPEG"])
def test_grey_is_repeated_over_three_channels(kind: str) -> None:
    grey = smooth_picture()[..., 0]
    pixels = read(encode(grey, kind))
    np.testing.assert_allclose(pixels.astype(int), np.dstack([grey] * 3), atol=2 if kind == "JPEG" else 0)


@each("kind", ["PNG", "TIFF", "WEBP"])
def test_transparency_is_dropped_and_the_colour_beneath_kept(kind: str) -> None:
    picture = smooth_picture()
    image = Image.fromarray(picture)
    image.putalpha(128)
    np.testing.assert_array_equal(read(encode(image, kind, **({"exact": True} if kind == "WEBP" else {}))), picture)


@each("kind", ["PNG", "TIFF"])
def test_palette_becomes_colours(kind: str) -> None:
    image = Image.fromarray(smooth_picture()).quantize(64)
    np.testing.assert_array_equal(read(encode(image, kind)), np.array(image.convert("RGB")))


@each("channels", [1, 3])
@each("container", ["png", "tiff"])
def test_sixteen_bits_are_kept(container: str, channels: int) -> None:
    picture = np.random.default_rng(5).integers(0, 65536, (40, 61, 3)).astype(np.uint16)
    stored = picture if channels == 3 else picture[..., 0]
    bgr = stored[..., ::-1] if channels == 3 else stored
    data = cv2.imencode(".png", bgr)[1].tobytes() if container == "png" else tiff(stored)
    photo = decode_photo(open_photo_bytes(data, "a", limits=ANY_SIZE), reduction=1)
    assert photo.pixels.dtype == np.uint16
    np.testing.assert_array_equal(photo.pixels, picture if channels == 3 else np.dstack([stored] * 3))
    assert photo.decode_table.shape == (65536, 3)


@each("orientation", [1, 3, 6, 7])
def test_sixteen_bit_tiff_is_turned_once(orientation: int) -> None:
    upright = np.random.default_rng(6).integers(0, 65536, (40, 61, 3)).astype(np.uint16)
    undo = {1: upright, 3: upright[::-1, ::-1], 6: np.rot90(upright), 7: np.rot90(upright, 2).transpose(1, 0, 2)}
    photo_file = open_photo_bytes(tiff(np.ascontiguousarray(undo[orientation]), t274=orientation), "a", limits=ANY_SIZE)
    assert photo_file.full_size == (61, 40)
    np.testing.assert_array_equal(decode_photo(photo_file, reduction=1).pixels, upright)


def test_first_page_of_a_tiff_is_taken() -> None:
    picture = smooth_picture()
    data = encode(picture, "TIFF", save_all=True, append_images=[Image.new("RGB", (50, 50))])
    np.testing.assert_array_equal(read(data), picture)


# --- what EXIF says


def exif_of(**tags: object) -> Image.Exif:
    exif = Image.Exif()
    for name, tag in (("make", 0x010F), ("model", 0x0110)):
        if name in tags:
            exif[tag] = tags[name]
    details = {tag: tags[name] for name, tag in (("time", 0x9003), ("offset", 0x9011)) if name in tags}
    if details:
        exif[0x8769] = details
    return exif


def opened(exif: Image.Exif | bytes) -> PhotoFile:
    return open_photo_bytes(encode(smooth_picture(), "JPEG", exif=exif), "a")


def test_time_without_a_zone_stays_without_one() -> None:
    taken_at = opened(exif_of(time="2026:03:04 05:06:07")).taken_at
    assert taken_at is not None
    assert (taken_at.isoformat(), taken_at.tzinfo) == ("2026-03-04T05:06:07", None)


def test_time_with_a_zone_keeps_it() -> None:
    taken_at = opened(exif_of(time="2026:03:04 05:06:07", offset="-03:30")).taken_at
    assert taken_at is not None
    assert taken_at.isoformat() == "2026-03-04T05:06:07-03:30"
    assert opened(exif_of(time="2026:03:04 05:06:07", offset="Z")).taken_at == datetime(2026, 3, 4, 5, 6, 7, tzinfo=UTC)


@each("when", ["0000:00:00 00:00:00", "    :  :     :  :  ", "2026:13:45 99:99:99", "yesterday", ""])
def test_impossible_time_counts_as_none(when: str) -> None:
    assert opened(exif_of(time=when)).taken_at is None


def test_broken_zone_leaves_the_time() -> None:
    taken_at = opened(exif_of(time="2026:03:04 05:06:07", offset="   :  ")).taken_at
    assert taken_at is not None
    assert taken_at.tzinfo is None


@each(
    ("make", "model", "camera"),
    [
        ("Invented", "Phone 1", "Invented Phone 1"),
        ("Invented", "Invented Phone 1", "Invented Phone 1"),
        ("Invented\0\0", "  Phone\n1 ", "Invented Phone1"),
        ("", "", None),
        ("x" * 5000, "y", "x" * 80),
    ],
)
def test_camera_is_make_and_model(make: str, model: str, camera: str | None) -> None:
    assert opened(exif_of(make=make, model=model)).camera == camera


@each(
    "broken",
    [
        b"Exif\0\0",
        b"Exif\0\0MM\0*\xff\xff\xff\xff",
        b"Exif\0\0II*\0\x08\0\0\0\xff\xff" + b"\x12\x01\x03\0" * 40,
        b"Exif\0\0" + bytes(range(256)),
        b"Exif\0\0II*\0\x08\0\0\0\x01\0\x69\x87\x04\0\x01\0\0\0\x08\0\0\0\0\0\0\0",  # an IFD that points at itself
    ],
)
def test_broken_exif_counts_as_none(broken: bytes) -> None:
    photo_file = opened(broken)
    assert (photo_file.orientation, photo_file.taken_at, photo_file.camera) == (1, None, None)


# --- what is refused


# Not a plain TIFF with zeros: they are valid pixels there.
CUTS = [(kind, tail) for kind in [*KINDS, "HEIC"] for tail in ("missing", "zeros") if (kind, tail) != ("TIFF", "zeros")]


@each(("kind", "tail"), CUTS)
@each("share", [0.3, 0.6, 0.95])
def test_cut_off_photo_is_refused(kind: str, share: float, tail: str, capfd: pytest.CaptureFixture[str]) -> None:
    noise = np.random.default_rng(2).integers(-20, 20, (300, 400, 3))
    picture = (smooth_picture() + noise).clip(0, 255).astype(np.uint8)
    data = HEIC.read_bytes() if kind == "HEIC" else encode(picture, kind)
    keep = int(len(data) * share)
    # At least two blocks of zeros: the HEIC of the tests is smaller than one.
    broken = data[:keep] + (bytes(max(len(data) - keep, 8192)) if tail == "zeros" else b"")
    with pytest.raises(PhotoUnreadableError) as caught:
        read(broken, name="cut.x")
    assert "cut.x" in str(caught.value)
    assert "copy it again" in str(caught.value.remedy)
    assert capfd.readouterr().err == ""


@each("reduction", [1, 2, 4])
@each("kind", ["JPEG", "PROGRESSIVE"])
def test_jpeg_without_its_last_byte_is_refused(kind: str, reduction: int) -> None:
    with pytest.raises(PhotoUnreadableError):
        read(encode(smooth_picture(), kind)[:-1], reduction)


def test_preview_in_the_header_does_not_pass_for_the_end_of_a_cut_jpeg() -> None:
    data = encode(smooth_picture(), "JPEG", exif=b"Exif\0\0" + encode(smooth_picture(30, 40), "JPEG"))
    np.testing.assert_array_equal(read(data), read(encode(smooth_picture(), "JPEG")))
    with pytest.raises(PhotoUnreadableError):
        read(data[:-400])


@each("trailer", [b"\0" * 500, b"\0\0\0\x18ftypmp42" + bytes(range(256)) * 20, b"second"])
def test_jpeg_with_something_behind_its_end_is_whole(trailer: bytes) -> None:
    data = encode(smooth_picture(), "JPEG")
    behind = encode(smooth_picture(30, 40), "JPEG") if trailer == b"second" else trailer
    np.testing.assert_array_equal(read(data + behind), read(data))


def pillow_bytes(kind: str) -> bytes:
    stream = io.BytesIO()
    Image.fromarray(smooth_picture()).save(stream, kind)
    return stream.getvalue()


@each(
    ("data", "said"),
    [
        (pillow_bytes("GIF"), "GIF"),
        (pillow_bytes("BMP"), "BMP"),
        (pillow_bytes("ICO"), "icon"),
        (b"%PDF-1.7\n%\xe2\xe3\xcf\xd3\n", "PDF"),
        (b"PK\x03\x04" + bytes(30), "ZIP"),
        (b"<?xml version='1.0'?><svg xmlns='http://www.w3.org/2000/svg'/>", "SVG"),
        ("Grüße aus dem Gewächshaus".encode(), "text"),
        (b"\0\0\0\x1cftypavif\0\0\0\0avifmif1miaf", "AVIF"),
        (b"\0\0\0\x18ftypisom\0\0\0\0isommp42", "video"),
        (bytes(range(256)), "no picture"),
        (b"\xff\xd8\xff", "damaged"),
        (b"\x89PNG\r\n\x1a\n", "damaged"),
        (b"\0\0\0\x18ftypheic\0\0\0\0mif1heic", "damaged"),
    ],
)
def test_other_content_under_a_photo_name_is_refused_by_what_it_is(data: bytes, said: str, tmp_path: Path) -> None:
    path = tmp_path / "photo.jpg"
    path.write_bytes(data)
    with pytest.raises(PhotoUnreadableError) as caught:
        open_photo(path)
    assert said in str(caught.value.found)
    assert "photo.jpg" in str(caught.value.found)


def test_what_is_no_readable_file_is_refused(tmp_path: Path) -> None:
    empty = tmp_path / "empty.jpg"
    empty.touch()
    pipe = tmp_path / "pipe.jpg"
    os.mkfifo(pipe)
    cases = (
        (tmp_path, "a folder"),
        (tmp_path / "none.jpg", "No such file"),
        (empty, "empty"),
        (empty / "below.jpg", "Not a directory"),
        (pipe, "no plain file"),
        (Path("a\0b"), "null"),
    )
    for path, said in cases:
        with pytest.raises(PhotoUnreadableError, match=said):
            open_photo(path)


def test_file_without_permission_is_refused(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "a.jpg"
    path.write_bytes(encode(smooth_picture(), "JPEG"))

    def deny(self: Path, mode: str) -> None:  # root may read anything, so the refusal is played
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(Path, "open", deny)
    with pytest.raises(PhotoUnreadableError, match="Permission denied"):
        open_photo(path)


def test_too_many_bytes_are_refused_before_they_are_read(tmp_path: Path) -> None:
    path = tmp_path / "huge.jpg"
    with path.open("wb") as stream:
        stream.truncate(2**34)  # sparse
    started = time.process_time()
    with pytest.raises(PhotoTooLargeError, match=r"64 MiB.*16384\.0 MiB in huge\.jpg"):
        open_photo(path)
    assert time.process_time() - started < 1.0
    with pytest.raises(PhotoTooLargeError):
        open_photo_bytes(bytes(101), "upload", limits=Limits(max_bytes=100))


def png_claiming(width: int, height: int) -> bytes:
    def chunk(name: bytes, body: bytes) -> bytes:
        return struct.pack(">I", len(body)) + name + body + struct.pack(">I", zlib.crc32(name + body))

    header = struct.pack(">IIBBBBB", width, height, 8, 2, 0, 0, 0)
    pixels = zlib.compress(bytes(1000))
    return b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", header) + chunk(b"IDAT", pixels) + chunk(b"IEND", b"")


def jpeg_claiming(width: int, height: int) -> bytes:
    data = bytearray(encode(smooth_picture(), "JPEG"))
    at = data.find(b"\xff\xc0")
    data[at + 5 : at + 9] = struct.pack(">HH", height, width)
    return bytes(data)


@each(
    "bomb",
    [
        png_claiming(2_000_000, 2_000_000),
        png_claiming(12_000, 12_000),
        jpeg_claiming(65_500, 65_500),
        tiff(smooth_picture(), t256=90_000, t257=90_000),
    ],
)
def test_decompression_bombs_are_refused_by_their_header(bomb: bytes) -> None:
    with pytest.raises(PhotoTooLargeError, match="at most 100 megapixels"):
        open_photo_bytes(bomb, "bomb")


def test_header_that_claims_more_than_is_there_is_refused() -> None:
    with pytest.raises(PhotoUnreadableError):
        read(png_claiming(4000, 40))
    with pytest.raises(PhotoUnreadableError):
        read(tiff(smooth_picture(), t257=3000, t278=3000))


def test_preview_is_refused_as_too_small() -> None:
    with pytest.raises(PhotoUnfitError, match="160 x 120"):
        open_photo_bytes(encode(smooth_picture(120, 160), "JPEG"), "a")


@each(
    ("data", "said"),
    [
        (encode(Image.fromarray(smooth_picture()).convert("CMYK"), "JPEG"), "CMYK"),
        (encode(Image.fromarray(smooth_picture()).convert("CMYK"), "TIFF"), "CMYK"),
        (encode(Image.fromarray(smooth_picture()).convert("LAB"), "TIFF"), "LAB"),
        (encode(Image.fromarray(smooth_picture()[..., 0].astype(np.float32)), "TIFF"), "mode F"),
        (tiff(smooth_picture(), t50706=1), "raw"),
        (tiff(smooth_picture()[..., 0].astype(np.uint16), t262=0), "inverted"),
        (HEIC.read_bytes().replace(b"nclx\0\x01\0\x0d", b"nclx\0\x09\0\x10"), "HDR"),
    ],
)
def test_codes_that_are_no_colours_of_a_photo_are_refused(data: bytes, said: str) -> None:
    with pytest.raises(PhotoUnfitError, match=said):
        open_photo_bytes(data, "a", limits=ANY_SIZE)


# --- how far it may be reduced


@each(
    ("size", "format_name", "orientation", "reduction"),
    [
        ((1600, 1200), "jpeg", 1, 1),
        ((3264, 2448), "jpeg", 1, 1),  # 7.99 megapixels
        ((4000, 3000), "jpeg", 6, 2),
        ((8000, 6000), "jpeg", 3, 4),
        ((4001, 3000), "jpeg", 1, 2),
        ((4001, 3000), "jpeg", 3, 1),
        ((8002, 6000), "jpeg", 6, 2),
        ((8000, 6000), "heic", 1, 1),
        ((4000, 3000), "png", 1, 1),
    ],
)
def test_suggested_reduction(size: tuple[int, int], format_name: str, orientation: int, reduction: int) -> None:
    photo_file = PhotoFile(
        name="a", data=b"", sha256="", format=format_name, stored_size=size, full_size=size, orientation=orientation,
        bits=8, taken_at=None, camera=None, icc=None,
    )  # fmt: skip
    assert suggested_reduction(photo_file) == reduction


@each("size", [(1600, 1250), (8660, 5774)])
def test_photos_from_2_to_50_megapixels_are_read(size: tuple[int, int]) -> None:
    photo_file = open_photo_bytes(encode(Image.new("RGB", size, (90, 120, 150)), "JPEG", subsampling=2), "a")
    photo = decode_photo(photo_file, reduction=suggested_reduction(photo_file))
    assert photo.full_size == size
    np.testing.assert_allclose(photo.pixels[5, 5].astype(int), (90, 120, 150), atol=2)


def test_photos_are_read_in_threads_at_once() -> None:
    # Broken EXIF makes Pillow warn, and a warning is an error in these tests.
    data = {
        "JPEG": encode(smooth_picture(), "JPEG", exif=b"Exif\0\0II*\0\x08\0\0\0\xff\xff" + bytes(30)),
        "TIFF": tiff(smooth_picture(), t305=2**20),
    }
    expected = {kind: read(data[kind]) for kind in data}
    wrong: list[str] = []

    def work() -> None:
        for _ in range(10):
            wrong.extend(kind for kind in data if not np.array_equal(read(data[kind]), expected[kind]))

    threads = [threading.Thread(target=work) for _ in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert wrong == []


def test_exposure_needs_all_three_settings(tmp_path: Path) -> None:
    def exposure(settings: dict[int, object]) -> float | None:
        exif = Image.Exif()
        exif.get_ifd(0x8769).update(settings)
        Image.new("RGB", (500, 400)).save(tmp_path / "photo.jpg", exif=exif.tobytes())
        return open_photo(tmp_path / "photo.jpg").exposure

    whole = {0x829A: 0.01, 0x829D: 2.0, 0x8827: 200}
    assert exposure(whole) == pytest.approx(0.5)
    for tag in whole:
        assert exposure({k: v for k, v in whole.items() if k != tag}) is None
    assert exposure({**whole, 0x829D: 0.0}) is None


@each(("luma", "chroma"), [(8, 24), (1, 1)])
def test_the_steps_of_a_jpegs_mean_colours_are_an_eighth_of_its_first_quantisers(luma, chroma):
    out = io.BytesIO()
    tables = [[luma] + [16] * 63, [chroma] + [32] * 63]
    Image.new("RGB", (64, 64), (200, 150, 160)).save(out, "JPEG", qtables=tables)
    assert open_photo_bytes(out.getvalue(), "x.jpg", limits=ANY_SIZE).code_steps == (luma / 8, chroma / 8)


def test_a_png_has_no_such_steps():
    out = io.BytesIO()
    Image.new("RGB", (64, 64)).save(out, "PNG")
    assert open_photo_bytes(out.getvalue(), "x.png", limits=ANY_SIZE).code_steps == (0.0, 0.0)


@each(("quality", "noise"), [(75, 0.0), (75, 1.0), (92, 0.0), (92, 0.3), (92, 3.0)])
def test_what_a_jpeg_really_rounds_is_what_is_stated(quality, noise):
    """Areas of many colours under uneven light: their mean errors have the stated standard deviation, to a third.

    Brightness in full, colour differences of two by two pixels, as phones do.
    """
    rng = np.random.default_rng(4)
    places = np.column_stack([np.ones(96 * 96), np.repeat(np.arange(96), 96), np.tile(np.arange(96), 96)])
    along = np.linalg.pinv(places)
    errors, stated = [], []
    for index in range(40):
        light = 1 + (0.0, 0.02, 0.06)[index % 3] * np.linspace(-0.5, 0.5, 96)[None, :, None]
        codes = 255 * (rng.uniform(0.3, 0.7, 3) * light * np.ones((96, 1, 1))) ** (1 / 2.2)
        codes = codes + noise * rng.standard_normal(codes.shape)
        out = io.BytesIO()
        Image.fromarray(np.round(codes).astype(np.uint8)).save(out, "JPEG", quality=quality, subsampling=2)
        seen = Image.open(out)
        steps = tuple(seen.quantization[table][0] / 8 for table in (0, 1))
        linear = (np.asarray(seen, np.float64) / 255) ** 2.2
        mean, slope = linear.mean(axis=(0, 1)), 2.2 * linear.mean(axis=(0, 1)) ** 0.55 / 255
        flat = linear.reshape(-1, 3)
        apart = flat - places @ (along @ flat)
        blocks = apart.reshape(4, 24, 4, 24, 3).mean(axis=(1, 3)).reshape(16, 3)
        errors.append((mean - ((codes / 255) ** 2.2).mean(axis=(0, 1))) / slope)
        stated.append(
            np.diag(coding_covariance(mean, steps, pixels=np.cov(apart.T), blocks=np.cov(blocks.T))) / slope**2
        )
    found, said = np.sqrt(np.mean(np.square(errors))), np.sqrt(np.mean(stated))
    assert 0.67 * found < said < 1.6 * found
