"""What a photo's header says: its format by content, size, profile and notes. No pixel is decoded here."""

import io
import threading
import warnings
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Literal

from PIL import Image, JpegImagePlugin, PngImagePlugin, TiffImagePlugin, WebPImagePlugin

from stripread.i18n import Message
from stripread.photo.exif import PhotoNotes, read_exif

__all__ = ["Format", "Header", "Primaries", "read_header", "recognise_format", "recognise_other"]

Format = Literal["jpeg", "png", "webp", "tiff", "heic"]
Primaries = Literal["srgb", "display_p3"]

_PLUGINS: dict[str, type[Any]] = {
    "jpeg": JpegImagePlugin.JpegImageFile,
    "png": PngImagePlugin.PngImageFile,
    "webp": WebPImagePlugin.WebPImageFile,
    "tiff": TiffImagePlugin.TiffImageFile,
}
_GREY_MODES = {"1", "L", "LA", "La", "I;16", "I;16B", "I;16L", "LA;16"}
_COLOUR_MODES = {"RGB", "RGBA", "RGBX", "RGBa", "P", "PA", "YCbCr"}
_HEVC_BRANDS = {b"heic", b"heix", b"heim", b"heis", b"hevc", b"hevx", b"hevm", b"hevs"}
_AVIF_BRANDS = {b"avif", b"avis"}
_HEIF_BRANDS = _HEVC_BRANDS | {b"mif1", b"msf1"}
_OTHERS = (
    (b"GIF8", Message("a GIF picture")),
    (b"%PDF", Message("a PDF document")),
    (b"PK\x03\x04", Message("a ZIP archive or office document")),
    (b"\x1f\x8b", Message("a gzip archive")),
    (b"\x00\x00\x01\x00", Message("an icon")),
    (b"\xff\x0a", Message("a JPEG XL picture")),
    (b"\x00\x00\x00\x0cJXL ", Message("a JPEG XL picture")),
    (b"\x00\x00\x00\x0cjP  ", Message("a JPEG 2000 picture")),
    (b"8BPS", Message("a layered picture of an image editor")),
)
_NO_TEXT = bytes(set(range(32)) - set(b"\t\n\f\r\x1b"))

# Python keeps one list of warning filters for all threads; two threads that change it at once could leave it changed.
_WARNINGS_LOCK = threading.Lock()


@dataclass(frozen=True, slots=True, kw_only=True)
class Header:
    """The header of a photo.

    ``code_steps`` are those in which a JPEG keeps an area's mean brightness and mean colour differences, in codes;
    ``orientation`` is what is still to be undone after decoding, ``bits`` are per channel of the decoded picture, and
    ``refusal`` says what it is where the picture is whole but of a kind whose codes are no colours of a photo.
    """

    stored_size: tuple[int, int]
    notes: PhotoNotes
    orientation: int
    bits: int = 8
    icc: bytes | None = None
    primaries: Primaries = "srgb"
    refusal: Message | None = None
    code_steps: tuple[float, float] = (0.0, 0.0)


def recognise_format(data: bytes) -> Format | None:
    """Return the format of a photo by its first bytes, None if it is none that can be read."""
    if data.startswith(b"\xff\xd8\xff"):
        return "jpeg"
    if data.startswith(b"\x89PNG\r\n\x1a\n"):
        return "png"
    if data[:4] == b"RIFF" and data[8:12] == b"WEBP":
        return "webp"
    if data[:4] in (b"II*\0", b"MM\0*"):
        return "tiff"
    brands = _brands(data)
    if brands & _HEVC_BRANDS or (brands & _HEIF_BRANDS and not brands & _AVIF_BRANDS):
        return "heic"
    return None


def recognise_other(data: bytes) -> Message:
    """Say what bytes that are no photo seem to be."""
    for start, kind in _OTHERS:
        if data.startswith(start):
            return kind
    if data[:2] == b"BM" and data[6:10] == bytes(4):
        return Message("a BMP picture")
    brands = _brands(data)
    if brands:
        return Message("an AVIF picture") if brands & _AVIF_BRANDS else Message("a video")
    start = data[:1024]
    if start.translate(None, _NO_TEXT) == start:
        return Message("an SVG drawing") if b"<svg" in start else Message("text")
    return Message("something that is no picture")


def read_header(kind: Format, data: bytes) -> Header:
    """Read the header of a photo of a known format; any exception means that it is broken."""
    # Pillow warns of broken notes, which then simply are missing.
    with _WARNINGS_LOCK, warnings.catch_warnings():
        warnings.simplefilter("ignore")
        return _read_heic(data) if kind == "heic" else _read_by_pillow(kind, data)


def _brands(data: bytes) -> set[bytes]:
    """Return the brands of a file of the ISO base media family (ISO/IEC 14496-12, 4.3), none for other files."""
    if data[4:8] != b"ftyp":
        return set()
    end = min(int.from_bytes(data[:4], "big"), 256)
    return {data[8:12]} | {data[at : at + 4] for at in range(16, end - 3, 4)}


def _read_by_pillow(kind: str, data: bytes) -> Header:
    # The plugin itself, not Image.open: that would guess again, and has a limit of its own on pixels.
    with _PLUGINS[kind](io.BytesIO(data)) as image:
        size, notes, bits = image.size, _read_notes(image, kind), 8
        whole = image.mode in _GREY_MODES | _COLOUR_MODES
        refusal = None if whole else Message("a picture of mode %(mode)s", mode=image.mode)
        if kind == "png":
            bits = 16 if data[24] == 16 else 8
        if kind == "tiff":
            # Older and newer Pillow differ in whether ``size`` is upright. The decoders' result is.
            size = (int(image.tag_v2[256]), int(image.tag_v2[257]))
            size = size[::-1] if notes.orientation >= 5 else size
            bits = 16 if max(image.tag_v2.get(258, (1,))) > 8 else 8
            refusal = refusal or _refuse_tiff(image.tag_v2, bits)
        icc = image.info.get("icc_profile")
        if not isinstance(icc, bytes) or (icc[16:20] == b"GRAY") > (image.mode in _GREY_MODES):
            icc = None
        return Header(
            stored_size=size,
            notes=notes,
            orientation=1 if kind == "tiff" else notes.orientation,
            bits=bits,
            icc=icc or None,
            refusal=refusal,
            code_steps=_code_steps(getattr(image, "quantization", None) or {}),
        )


def _code_steps(tables: Mapping[int, Sequence[int]]) -> tuple[float, float]:
    """Return the steps of the mean of an 8 x 8 block: an eighth of the first quantiser (ITU-T T.81, A.3.3, A.3.4)."""
    if not tables:
        return 0.0, 0.0
    first = [tables[key][0] / 8 for key in sorted(tables)]
    return first[0], first[min(1, len(first) - 1)]


def _read_notes(image: Any, kind: str) -> PhotoNotes:
    """Read EXIF from the header alone: Pillow's ``getexif`` would decode a PNG to look for EXIF behind the pixels."""
    try:
        if kind == "tiff":
            return read_exif(image.getexif())
        exif = Image.Exif()
        exif.load(image.info.get("exif") or b"")
    except Exception:  # a parser on foreign bytes: whatever it trips over, there is no EXIF
        return PhotoNotes()
    return read_exif(exif)


def _refuse_tiff(tags: Any, bits: int) -> Message | None:
    if 50706 in tags:  # DNGVersion: what looks like the picture is a preview
        return Message("a camera's raw file (DNG)")
    whole = max(tags.get(339, (1,))) == 1
    if bits == 16 and not (tags.get(262) in (1, 2) and tags.get(284, 1) == 1 and whole):
        return Message("a 16-bit TIFF that is stored inverted, by planes or with a sign")
    return None


def _read_heic(data: bytes) -> Header:
    import pi_heif

    image = pi_heif.open_heif(data, convert_hdr_to_8bit=True)
    # Code points of ISO/IEC 23091-2: primaries 12 are Display P3's; curves 16 and 18 are PQ and HLG.
    numbers = image.info.get("nclx_profile") or {}
    icc = image.info.get("icc_profile")
    hdr = icc is None and numbers.get("transfer_characteristics") in (16, 18)
    return Header(
        stored_size=image.size,
        notes=_read_notes(image, "heic"),
        orientation=1,
        icc=icc or None,
        primaries="display_p3" if numbers.get("color_primaries") == 12 else "srgb",
        refusal=Message("an HDR picture (PQ or HLG)") if hdr else None,
    )
