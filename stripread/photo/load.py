"""A photo file to an upright picture, within limits that are checked before any pixel is decoded.

What the bytes are decides, not the name of the file.
"""

import hashlib
import stat
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from typing import Literal

import numpy as np

from stripread.errors import PhotoFormatError, PhotoTooLargeError, PhotoTooSmallError, PhotoUnreadableError
from stripread.i18n import Message, Number
from stripread.photo.decode import decode_pixels, turn_upright
from stripread.photo.header import Format, Header, Primaries, read_header, recognise_format, recognise_other
from stripread.photo.photo import Photo
from stripread.photo.profile import convert_to_srgb, light_of_profile, srgb_light

__all__ = ["Limits", "PhotoFile", "decode_photo", "open_photo", "open_photo_bytes", "suggested_reduction"]

_FORMATS = Message("a photo (JPEG, PNG, WebP, TIFF or HEIC)")
_SEND_ORIGINAL = Message("Send the file as the phone's camera stored it.")
_COPY_AGAIN = Message(
    "The file is damaged or was cut off on its way: copy it again from the phone, or retake the photo."
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Limits:
    """What a photo file may be. All of it is ours, judged on phones of 2 to 50 megapixels.

    Attributes
    ----------
    max_bytes : int
        A 50-megapixel JPEG or HEIC takes 10 to 30 MB; 64 MiB leaves room for a motion photo's video.
    max_pixels : int
        Twice the 50 megapixels asked for; 300 MB decoded at full size.
    min_pixels : int
        About 400 x 250: on fewer, a pad of a card that fills the picture covers hardly 20 pixels across. It turns
        away thumbnails and icons; whether a pad is large enough is judged where it is measured.
    """

    max_bytes: int = 64 * 2**20
    max_pixels: int = 100_000_000
    min_pixels: int = 100_000


@dataclass(frozen=True, slots=True, kw_only=True)
class PhotoFile:
    """A photo's bytes and what their header says; nothing is decoded yet.

    Attributes
    ----------
    stored_size, full_size : tuple of int
        Width and height as the decoder gives them, and upright. [px]
    orientation : int
        EXIF orientation still to be undone after decoding. 1 for TIFF and HEIC, whose decoders turn the picture
        themselves (ISO/IEC 23008-12: a HEIC's own rotation counts, its EXIF orientation only repeats it).
    bits : int
        Bits a channel of the decoded picture: 8 or 16.
    exposure : float or None
        By EXIF, time [s] x ISO / f-number squared.
    flash : bool or None
        Whether the flash fired, by EXIF.
    code_steps : tuple of float
        Steps in which a JPEG keeps an area's mean brightness and mean colour differences, in codes; 0 in other formats.
    icc : bytes or None
        The embedded colour profile.
    primaries : str
        Where there is no profile, ``srgb``, or ``display_p3`` if a HEIC says so by number (ISO/IEC 23091-2).
    """

    name: str
    data: bytes = field(repr=False)
    sha256: str
    format: Format
    stored_size: tuple[int, int]
    full_size: tuple[int, int]
    orientation: int
    bits: int
    taken_at: datetime | None
    camera: str | None
    exposure: float | None = None
    flash: bool | None = None
    code_steps: tuple[float, float] = (0.0, 0.0)
    icc: bytes | None = field(repr=False)
    primaries: Primaries = "srgb"


def open_photo(path: Path, *, limits: Limits | None = None) -> PhotoFile:
    """Read a photo file and its header.

    Raises
    ------
    PhotoUnreadableError
        If there is no such file, it cannot be read, or it is no photo of a known format.
    PhotoTooLargeError, PhotoTooSmallError, PhotoFormatError
        If it exceeds the limits, or has fewer pixels than they ask for.
    """
    limits = limits or Limits()
    try:
        status = path.stat()
        if not stat.S_ISREG(status.st_mode):
            found = (
                Message("a folder, %(name)s", name=path.name)
                if stat.S_ISDIR(status.st_mode)
                else Message("%(name)s, which is no plain file", name=path.name)
            )
            raise PhotoUnreadableError(
                expected=Message("a photo file"), found=found, remedy=Message("Name the photo itself.")
            )
        if status.st_size > limits.max_bytes:
            raise _too_many_bytes(path.name, status.st_size, limits)
        with path.open("rb") as stream:
            data = stream.read(status.st_size + 1)
    except (OSError, ValueError) as error:  # ValueError: a name that no file can have
        reason = (isinstance(error, OSError) and error.strerror) or str(error)
        raise PhotoUnreadableError(
            expected=Message("a photo file that can be read"),
            found=Message("%(reason)s (%(path)s)", reason=reason, path=path),
            remedy=Message("Check the name and the permissions of the file."),
        ) from error
    return open_photo_bytes(data, path.name, limits=limits)


def open_photo_bytes(data: bytes, name: str, *, limits: Limits | None = None) -> PhotoFile:
    """Read the header of a photo that is already in memory, such as an upload. Raises as ``open_photo`` does."""
    limits = limits or Limits()
    if not data:
        raise PhotoUnreadableError(
            expected=_FORMATS, found=Message("an empty file, %(name)s", name=name), remedy=_COPY_AGAIN
        )
    if len(data) > limits.max_bytes:
        raise _too_many_bytes(name, len(data), limits)
    kind = recognise_format(data)
    if kind is None:
        raise PhotoUnreadableError(
            expected=_FORMATS,
            found=Message("%(found)s in %(name)s", found=recognise_other(data), name=name),
            remedy=_SEND_ORIGINAL,
        )
    try:
        header = read_header(kind, data)
    except Exception as error:  # parsers on foreign bytes: whatever they trip over, the header is broken
        raise PhotoUnreadableError(
            expected=_FORMATS,
            found=Message("a damaged or cut-off %(kind)s file, %(name)s", kind=kind, name=name),
            remedy=_COPY_AGAIN,
        ) from error
    _check_header(header, name, limits)
    width, height = header.stored_size
    turned = header.orientation >= 5
    return PhotoFile(
        name=name,
        data=data,
        sha256=hashlib.sha256(data).hexdigest(),
        format=kind,
        stored_size=(width, height),
        full_size=(height, width) if turned else (width, height),
        orientation=header.orientation,
        bits=header.bits,
        taken_at=header.notes.taken_at,
        camera=header.notes.camera,
        exposure=header.notes.exposure,
        flash=header.notes.flash,
        code_steps=header.code_steps,
        icc=header.icc,
        primaries=header.primaries,
    )


def _check_header(header: Header, name: str, limits: Limits) -> None:
    width, height = header.stored_size
    if width * height > limits.max_pixels:
        raise PhotoTooLargeError(
            expected=Message("at most %(most)s megapixels", most=Number(limits.max_pixels / 1e6, "g")),
            found=Message("%(width)s x %(height)s pixels in %(name)s", width=width, height=height, name=name),
            remedy=Message("Send a photo of the phone's usual size, not a panorama or a scan."),
        )
    if width * height < limits.min_pixels:
        raise PhotoTooSmallError(
            expected=Message("at least %(least)s megapixels", least=Number(limits.min_pixels / 1e6, "g")),
            found=Message("%(width)s x %(height)s pixels in %(name)s", width=width, height=height, name=name),
            remedy=Message("Send the photo itself, not its preview."),
        )
    if header.refusal:
        raise PhotoFormatError(
            expected=Message("a photo in RGB colours or grey"),
            found=Message("%(found)s in %(name)s", found=header.refusal, name=name),
            remedy=_SEND_ORIGINAL,
        )


def _too_many_bytes(name: str, size: int, limits: Limits) -> PhotoTooLargeError:
    return PhotoTooLargeError(
        expected=Message("at most %(most)s MiB", most=Number(limits.max_bytes / 2**20, "g")),
        found=Message("%(size)s MiB in %(name)s", size=Number(size / 2**20, ".1f"), name=name),
        remedy=Message("Send a single photo, not a video or an archive."),
    )


def suggested_reduction(photo_file: PhotoFile) -> Literal[1, 2, 4]:
    """Return how far the photo may be reduced while decoding: half from 8 megapixels, a quarter from 30; JPEG only.

    Ours, judged on synthetic 12- and 48-megapixel JPEGs: patch means of the reduced picture differ by 0.03 of 255 on
    average (half) and 0.07 (a quarter) from those at full size. Where a picture is to be turned and its sides are not
    multiples of the reduction, it stays at full size: turning would shift its pixels by a part of a reduced one.
    """
    width, height = photo_file.stored_size
    megapixels = width * height / 1e6
    if photo_file.format == "jpeg":
        for reduction, least in ((4, 30.0), (2, 8.0)):
            fits = photo_file.orientation == 1 or (width % reduction == 0 and height % reduction == 0)
            if megapixels >= least and fits:
                return 4 if reduction == 4 else 2
    return 1


def decode_photo(photo_file: PhotoFile, *, reduction: int) -> Photo:
    """Decode a photo, turned upright.

    Grey is repeated over the three channels. Transparency is dropped: the colour stored beneath it counts. Of several
    pages or frames the first is taken.

    Parameters
    ----------
    photo_file : PhotoFile
        From ``open_photo``.
    reduction : int
        1, or for JPEG also 2 or 4: full-size pixels per decoded pixel along a side.

    Raises
    ------
    PhotoUnreadableError
        If the picture is damaged or cut off.
    """
    if reduction not in (1, 2, 4) or (reduction > 1 and photo_file.format != "jpeg"):
        raise ValueError(f"reduction {reduction} for {photo_file.format}: 1, or 2 or 4 for jpeg")
    pixels = decode_pixels(photo_file.data, photo_file.format, bits=photo_file.bits, reduction=reduction)
    width, height = photo_file.stored_size
    if pixels is None or pixels.shape != (-(-height // reduction), -(-width // reduction), 3):
        raise PhotoUnreadableError(
            expected=Message("a whole picture of %(width)s x %(height)s pixels", width=width, height=height),
            found=Message(
                "a damaged or cut-off %(format)s file, %(name)s", format=photo_file.format, name=photo_file.name
            ),
            remedy=_COPY_AGAIN,
        )
    codes = 65536 if pixels.dtype == np.uint16 else 256
    light = srgb_light(codes, primaries=photo_file.primaries)
    if photo_file.icc is not None:
        by_profile = light_of_profile(photo_file.icc, codes=codes)
        if by_profile is None:
            pixels = convert_to_srgb(pixels, photo_file.icc)
            by_profile = srgb_light(256)
        light = by_profile
    return Photo(
        name=photo_file.name,
        sha256=photo_file.sha256,
        format=photo_file.format,
        pixels=turn_upright(pixels, photo_file.orientation),
        reduction=reduction,
        full_size=photo_file.full_size,
        decode_table=light.decode_table,
        to_srgb=light.to_srgb,
        taken_at=photo_file.taken_at,
        camera=photo_file.camera,
        code_steps=photo_file.code_steps,
    )
