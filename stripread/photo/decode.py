"""The decoders: bytes of a known format to RGB pixels, and pixels turned upright."""

import io
from functools import lru_cache
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from stripread.photo.header import Format

__all__ = ["decode_pixels", "turn_upright"]

# Ours. A copy that broke off may leave its last blocks as zeros. JPEG and PNG show it by their missing end, these two
# have none; 4096 is a block of common file systems, and no compressed picture ends in that many zeros.
_NEVER_WRITTEN = bytes(4096)
# Of the largest photo that is decoded at half its size, 30 megapixels.
_LARGEST_REDUCED_BYTES = 3 * 30_000_000 // 4


def decode_pixels(data: bytes, kind: Format, *, bits: int, reduction: int) -> NDArray[Any] | None:
    """Return RGB pixels of shape (rows, columns, 3), uint8 or uint16, None if the picture is damaged or cut off.

    JPEG, PNG and WebP come as stored; TIFF and HEIC are turned upright by their decoders. JPEG alone is reduced.
    Not noticed: a JPEG whose coded pixels are damaged in the middle (libjpeg only warns on stderr and goes on), and a
    plain TIFF with pixels overwritten; neither carries a checksum.
    """
    if kind in ("webp", "heic") and data.endswith(_NEVER_WRITTEN):
        return None
    if kind == "heic":
        return _decode_heic(data)
    if kind == "tiff" and bits == 8:
        return _decode_tiff(data)
    if kind == "jpeg":
        return _decode_jpeg(data, reduction)
    if kind == "png" and data.rfind(b"IEND") < 0:
        return None
    # Not IMREAD_COLOR_RGB: OpenCV 4.11 and 5.0 return memory never written for a 16-bit TIFF then.
    pixels = _imdecode(data, cv2.IMREAD_COLOR_BGR | cv2.IMREAD_ANYDEPTH | cv2.IMREAD_IGNORE_ORIENTATION)
    return None if pixels is None else np.asarray(cv2.cvtColor(pixels, cv2.COLOR_BGR2RGB, dst=pixels))


def _decode_jpeg(data: bytes, reduction: int) -> NDArray[Any] | None:
    if not _jpeg_has_end(data):
        return None
    # A reduced colour picture in RGB is asked for by the flag of a grey one: that of a colour one means BGR.
    size = {1: 0, 2: cv2.IMREAD_REDUCED_GRAYSCALE_2, 4: cv2.IMREAD_REDUCED_GRAYSCALE_4}[reduction]
    return _imdecode(data, cv2.IMREAD_COLOR_RGB | cv2.IMREAD_IGNORE_ORIENTATION | size)


@lru_cache(maxsize=1)
def _keep_freed_memory() -> None:
    """Have the C library keep a decoded photo's memory for the next one.

    Given back to the system, it returns page by page and zeroed, which takes a third of the time of decoding. By
    itself glibc keeps twice the size of the largest block of up to 32 MiB that was freed (mallopt(3), the dynamic
    M_MMAP_THRESHOLD and M_TRIM_THRESHOLD), and OpenCV holds a photo twice for a moment, which is just too much. So
    one larger block is freed, of which nothing was used. Other C libraries take no notice.
    """
    np.empty(_LARGEST_REDUCED_BYTES, np.uint8)


def _imdecode(data: bytes, flags: int) -> NDArray[Any] | None:
    _keep_freed_memory()
    # OpenCV reports on stderr what is reported here as an error. Its log level is one for all threads, hence it is
    # never set back.
    if hasattr(cv2, "setLogLevel"):
        cv2.setLogLevel(0)
    else:
        cv2.utils.logging.setLogLevel(cv2.utils.logging.LOG_LEVEL_SILENT)
    try:
        pixels: NDArray[Any] | None = cv2.imdecode(np.frombuffer(data, np.uint8), flags)
    except cv2.error:
        return None
    return pixels if pixels is not None and pixels.dtype in (np.uint8, np.uint16) else None


def _jpeg_has_end(data: bytes) -> bool:
    """Whether the first picture's end marker is there, whatever a phone appended behind it.

    Its bytes, FF D9, cannot occur in the coded pixels (ITU-T T.81, F.1.2.3: each FF is followed by 00), but may in a
    preview within the header, which is why the segments before the pixels are stepped over.
    """
    at = 2
    while at + 4 <= len(data):
        if data[at] != 0xFF or data[at + 1] in (0x00, 0xFF):
            at += 1
        elif data[at + 1] == 0xDA:  # start of scan
            return data.rfind(b"\xff\xd9", at) >= 0
        else:
            at += 2 + int.from_bytes(data[at + 2 : at + 4], "big")
    return False


def _decode_tiff(data: bytes) -> NDArray[np.uint8] | None:
    """Decode an 8-bit TIFF by Pillow, upright: OpenCV turns tiled ones wrongly and multiplies by the transparency."""
    from PIL import TiffImagePlugin

    try:
        with TiffImagePlugin.TiffImageFile(io.BytesIO(data)) as image:
            image.load()
            picture = image.convert("RGBA") if image.mode == "RGBa" else image
            return np.array(picture.convert("RGB"))
    except Exception:  # a decoder on foreign bytes: whatever it trips over, the picture is damaged
        return None


def _decode_heic(data: bytes) -> NDArray[np.uint8] | None:
    import pi_heif

    try:
        pixels = np.array(pi_heif.open_heif(data, convert_hdr_to_8bit=True))
    except Exception:  # as above
        return None
    if pixels.ndim == 2:
        pixels = pixels[..., None]
    return np.repeat(pixels[..., :1], 3, axis=2) if pixels.shape[2] < 3 else np.ascontiguousarray(pixels[..., :3])


def turn_upright(pixels: NDArray[Any], orientation: int) -> NDArray[Any]:
    """Undo an EXIF orientation (Exif 2.2, JEITA CP-3451, 4.6.4 A)."""
    if orientation in (5, 7):
        pixels = cv2.transpose(pixels)
    turn = {3: cv2.ROTATE_180, 6: cv2.ROTATE_90_CLOCKWISE, 7: cv2.ROTATE_180, 8: cv2.ROTATE_90_COUNTERCLOCKWISE}
    mirror = {2: 1, 4: 0}
    if orientation in turn:
        pixels = cv2.rotate(pixels, turn[orientation])
    elif orientation in mirror:
        pixels = cv2.flip(pixels, mirror[orientation])
    return pixels
