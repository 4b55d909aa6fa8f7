"""From linear camera RGB to a photo file: sensor noise, the phone's processing, sharpening, 8 bits, JPEG and EXIF."""

import io
from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any, Literal

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image as PillowImage

from stripread.files import write_file
from stripread.simulate.scene.heic import encode_heic
from stripread.simulate.scene.paint import Image

__all__ = [
    "Exif",
    "FileFormat",
    "Noise",
    "PhotoFile",
    "Process",
    "Sharpening",
    "expose",
    "expose_to_file",
    "write_photo",
]

Process = Callable[[Image], Image]
"""The phone's colour processing: linear camera RGB (0 to 1) of shape (rows, columns, 3) to codes of the same shape,
0 to 1, each pixel by itself."""

FileFormat = Literal["jpeg", "png", "webp", "tiff16", "heic"]

_ROWS = 128  # per block, so that no step holds more than one copy of the whole picture


@dataclass(frozen=True, slots=True, kw_only=True)
class Noise:
    """Sensor noise; the sensor saturates at 1, and variance = ``read``^2 + ``shot`` * signal.

    ``shot`` is one over the electrons that fill a pixel: the default is a small pixel's 5000.
    """

    read: float = 0.001
    shot: float = 1 / 5000


@dataclass(frozen=True, slots=True, kw_only=True)
class Sharpening:
    """Unsharp masking of the codes, as phones do: ``amount`` times what a blur of ``radius_px`` takes away."""

    amount: float = 0.0
    radius_px: float = 1.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Exif:
    """What the phone notes; ``orientation`` (1 to 8) is how the pixels are stored, the upright picture stays."""

    make: str = "Demo"
    model: str = "Demo phone"
    taken_at: datetime | None = None
    orientation: int = 1
    exposure_s: float | None = None  # at ISO 100 and F1.8
    flash: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class PhotoFile:
    """How the photo is stored. JPEG has half-size colour (4:2:0), as from phones; ``tiff16`` has 16 bits.

    ``saved_before`` is the quality of a JPEG that it was before, as messengers make of photos. ``quantisation`` is one
    step for all frequencies of a JPEG in place of the tables that its quality stands for.
    """

    format: FileFormat = "jpeg"
    quality: int = 92
    exif: Exif | None = None
    icc_profile: bytes | None = None
    subsampling: str = "4:2:0"
    saved_before: int | None = None
    quantisation: int | None = None


def expose_to_file(
    linear_rgb: Image,
    process: Process,
    path: Path | None = None,
    *,
    seed: int,
    noise: Noise | None = None,
    softness_px: float = 0.0,
    sharpening: Sharpening | None = None,
    file: PhotoFile | None = None,
) -> bytes:
    """Return the photo file of a rendered picture, and write it where a path is given.

    Parameters
    ----------
    linear_rgb : ndarray of float32, shape (rows, columns, 3)
        Light on the sensor; it is left as it is.
    process : callable
        Gets the noisy signal clipped to 0 to 1, as a phone's own processing does, in blocks of rows.
    noise : Noise, optional
        None for none at all.
    softness_px : float
        Standard deviation of a blur before the noise, for what demosaicing softens.

    Raises
    ------
    ValueError
        If EXIF or a profile is wanted in ``tiff16``, which is written without either, or the orientation is not 1 to 8.
    """
    if softness_px > 0:
        linear_rgb = np.asarray(cv2.GaussianBlur(linear_rgb, (0, 0), softness_px), np.float32)
    return write_photo(expose(linear_rgb, process, noise=noise, seed=seed), path, sharpening=sharpening, file=file)


def write_photo(
    codes: Image, path: Path | None = None, *, sharpening: Sharpening | None = None, file: PhotoFile | None = None
) -> bytes:
    """Return the photo file of codes 0 to 1, shape (rows, columns, 3), and write it where a path is given.

    Raises
    ------
    ValueError
        As `expose_to_file`.
    """
    file = file or PhotoFile()
    exif = file.exif
    if file.format == "tiff16" and (exif is not None or file.icc_profile is not None):
        raise ValueError("tiff16 files are written without EXIF and profile")
    if exif is not None and not 1 <= exif.orientation <= 8:
        raise ValueError(f"EXIF orientation {exif.orientation}; 1 to 8 expected")
    pixels = _quantise(codes, sharpening, 65535 if file.format == "tiff16" else 255)
    data = _encode(_stored(pixels, exif.orientation if exif is not None else 1), file)
    if path is not None:
        write_file(path, data)
    return data


def expose(linear_rgb: Image, process: Process, *, noise: Noise | None, seed: int) -> Image:
    """Add noise, saturate, process; the picture is left as it is."""
    rng = np.random.default_rng(seed)
    codes = np.empty_like(linear_rgb)
    for top in range(0, len(linear_rgb), _ROWS):
        signal = linear_rgb[top : top + _ROWS]
        if noise is not None:
            spread = np.sqrt(np.float32(noise.read**2) + np.float32(noise.shot) * np.maximum(signal, 0))
            spread *= rng.standard_normal(signal.shape, dtype=np.float32)
            signal = signal + spread
        codes[top : top + _ROWS] = process(np.clip(signal, 0.0, 1.0))
    return codes


def _quantise(codes: Image, sharpening: Sharpening | None, top_code: int) -> NDArray[Any]:
    """Sharpen and round to whole codes, in blocks of rows with the margin that the blur needs."""
    pixels = np.empty(codes.shape, np.uint8 if top_code == 255 else np.uint16)
    margin = 0 if sharpening is None else int(np.ceil(4 * sharpening.radius_px)) + 1
    for top in range(0, len(codes), _ROWS):
        bottom = min(top + _ROWS, len(codes))
        block = codes[top:bottom]
        if sharpening is not None and sharpening.amount:
            start = max(0, top - margin)
            wide = codes[start : bottom + margin]
            soft = cv2.GaussianBlur(wide, (2 * margin - 1, 2 * margin - 1), sharpening.radius_px)
            sharp = cv2.addWeighted(wide, 1 + sharpening.amount, soft, -sharpening.amount, 0)
            block = np.asarray(sharp, np.float32)[top - start : bottom - start]
        pixels[top:bottom] = np.clip(block * top_code + np.float32(0.5), 0, top_code)
    return pixels


def _stored(pixels: NDArray[Any], orientation: int) -> NDArray[Any]:
    """Return the pixels as they must be stored to show upright under an EXIF orientation."""
    stored_from_upright = {
        1: lambda p: p,
        2: lambda p: p[:, ::-1],
        3: lambda p: p[::-1, ::-1],
        4: lambda p: p[::-1],
        5: lambda p: p.swapaxes(0, 1),
        6: lambda p: np.rot90(p),  # shown after a quarter turn clockwise, so stored a quarter turn back
        7: lambda p: p[::-1, ::-1].swapaxes(0, 1),
        8: lambda p: np.rot90(p, -1),
    }
    return np.ascontiguousarray(stored_from_upright[orientation](pixels))


def _encode(pixels: NDArray[Any], file: PhotoFile) -> bytes:
    if file.format == "tiff16":
        _, data = cv2.imencode(".tiff", pixels[..., ::-1])
        return bytes(data)
    if file.saved_before is not None:
        earlier = io.BytesIO()
        PillowImage.fromarray(pixels).save(earlier, format="JPEG", quality=file.saved_before)
        pixels = np.asarray(PillowImage.open(earlier))
    if file.format == "heic":
        return encode_heic(pixels, quality=file.quality)
    options: dict[str, Any] = {}
    if file.exif is not None:
        options["exif"] = _exif_bytes(file.exif)
    if file.icc_profile is not None:
        options["icc_profile"] = file.icc_profile
    if file.format != "png":
        options["quality"] = file.quality
    if file.format == "jpeg":
        options["subsampling"] = file.subsampling
        if file.quantisation is not None:
            del options["quality"]
            options["qtables"] = [[file.quantisation] * 64] * 2
    buffer = io.BytesIO()
    PillowImage.fromarray(pixels).save(buffer, format=file.format.upper(), **options)
    return buffer.getvalue()


def _exif_bytes(exif: Exif) -> bytes:
    """Return the EXIF block. Tag numbers: Exif 2.32 (CIPA DC-008), tables 4 and 7."""
    block = PillowImage.Exif()
    block[0x010F], block[0x0110], block[0x0112] = exif.make, exif.model, exif.orientation
    details = block.get_ifd(0x8769)
    if exif.exposure_s is not None:
        # 0x829A ExposureTime, 0x829D FNumber, 0x8827 ISO, 0x9209 Flash
        details[0x829A], details[0x829D], details[0x8827] = exif.exposure_s, 1.8, 100
        details[0x9209] = int(exif.flash)
    if exif.taken_at is not None:
        details[0x9003] = exif.taken_at.strftime("%Y:%m:%d %H:%M:%S")  # DateTimeOriginal
        if exif.taken_at.tzinfo is not None:
            zone = exif.taken_at.strftime("%z")
            details[0x9011] = f"{zone[:3]}:{zone[3:5]}"  # OffsetTimeOriginal
    return block.tobytes()
