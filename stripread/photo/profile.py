"""From an embedded colour profile to the light its codes stand for: one curve per channel and one matrix.

Phones embed matrix profiles (sRGB, Display P3): three curves to linear light, then a matrix to CIE XYZ. Those are read
here exactly. Profiles made of look-up tables are left to LittleCMS, which works on the pixels themselves.
"""

import io
import struct
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from stripread.geometry import Float

__all__ = ["DISPLAY_P3_TO_SRGB", "LightOfCodes", "convert_to_srgb", "light_of_profile", "srgb_decode", "srgb_light"]

# Linear sRGB to XYZ, adapted to the D50 of ICC profiles with the Bradford method; Lindbloom's published values.
_SRGB_TO_XYZ_D50 = np.array(
    [
        [0.4360747, 0.3850649, 0.1430804],
        [0.2225045, 0.7168786, 0.0606169],
        [0.0139322, 0.0971045, 0.7141733],
    ]
)
_D50 = _SRGB_TO_XYZ_D50.sum(axis=1)

# Display P3 has sRGB's white and curve; primaries of SMPTE RP 431-2. Checked in the tests against colour-science.
DISPLAY_P3_TO_SRGB = np.array(
    [
        [1.2249401762805598, -0.2249401762805598, 0.0],
        [-0.0420569547096881, 1.0420569547096881, 0.0],
        [-0.0196375545903344, -0.0786360455506319, 1.0982736001409663],
    ]
)

# Ours. A profile's white may miss D50 by this much in X, Y or Z; rounding to the 1/65536 of a profile stays under 1e-3,
# a matrix that was not adapted to D50 misses by 0.26 in Z.
_WHITE_TOLERANCE = 0.02
# Ours. LittleCMS's sRGB profile misses the matrix above by 3.7e-4, from rounding: such a profile means sRGB, and a
# plain identity spares the multiplication. 5e-4 of full light is a tenth of a code at middle grey.
_IDENTITY_TOLERANCE = 5e-4


@dataclass(frozen=True, slots=True)
class LightOfCodes:
    """What the codes of a picture stand for.

    Attributes
    ----------
    decode_table : ndarray of float32, shape (codes, 3)
        Linear light of each code and channel, 0 to 1.
    to_srgb : ndarray, shape (3, 3)
        From the profile's linear RGB to linear sRGB.
    """

    decode_table: NDArray[np.float32]
    to_srgb: Float


class _BrokenProfileError(Exception):
    """The profile cannot be what it says; never leaves this module."""


def srgb_decode(encoded: Float) -> Float:
    """Linear light of encoded sRGB values, both 0 to 1 (IEC 61966-2-1:1999)."""
    encoded = np.asarray(encoded, dtype=np.float64)
    light: Float = np.where(encoded <= 0.04045, encoded / 12.92, ((encoded + 0.055) / 1.055) ** 2.4)
    return light


@lru_cache(maxsize=4)
def srgb_light(codes: int, *, primaries: str = "srgb") -> LightOfCodes:
    """Return the light of 256 or 65536 codes by sRGB's curve, in ``srgb`` or ``display_p3`` primaries."""
    curve = srgb_decode(np.linspace(0.0, 1.0, codes))
    return _frozen([curve] * 3, DISPLAY_P3_TO_SRGB if primaries == "display_p3" else np.eye(3))


@lru_cache(maxsize=16)
def light_of_profile(icc: bytes, *, codes: int) -> LightOfCodes | None:
    """Return the light of the codes by an ICC profile, None where only look-up tables tell it.

    A broken profile is taken as absent, hence as sRGB: so do viewers, and the card corrects what is left.

    Parameters
    ----------
    icc : bytes
        The profile as embedded.
    codes : int
        256 or 65536.

    References
    ----------
    .. [1] ICC.1:2010 (ISO 15076-1), clauses 7.2 (header), 8.3 (which tags), 10.5 curv, 10.15 para, 10.27 XYZ.
    """
    try:
        tags = _read_tags(icc)
        steps = np.linspace(0.0, 1.0, codes)
        if icc[16:20] == b"GRAY":
            return _frozen([_read_curve(tags[b"kTRC"], steps)] * 3, np.eye(3))
        if any(tag in tags for tag in (b"A2B0", b"A2B1", b"A2B2")):
            return None  # clause 8.3: where present, they go before the matrix
        curves = [_read_curve(tags[tag], steps) for tag in (b"rTRC", b"gTRC", b"bTRC")]
        matrix = np.column_stack([_read_xyz(tags[tag]) for tag in (b"rXYZ", b"gXYZ", b"bXYZ")])
        if np.abs(matrix.sum(axis=1) - _D50).max() > _WHITE_TOLERANCE or abs(np.linalg.det(matrix)) < 1e-3:
            raise _BrokenProfileError
    except (_BrokenProfileError, KeyError, struct.error):
        return srgb_light(codes)
    to_srgb = np.linalg.solve(_SRGB_TO_XYZ_D50, matrix)
    return _frozen(curves, np.eye(3) if np.abs(to_srgb - np.eye(3)).max() < _IDENTITY_TOLERANCE else to_srgb)


def convert_to_srgb(pixels: NDArray[Any], icc: bytes) -> NDArray[np.uint8]:
    """Return 8-bit sRGB pixels of a picture whose profile is made of look-up tables; unchanged if it is broken."""
    from PIL import Image, ImageCms

    if pixels.dtype == np.uint16:  # LittleCMS under Pillow has no colour of 16 bits
        pixels = ((pixels.astype(np.uint32) + 128) // 257).astype(np.uint8)
    try:
        converted = ImageCms.profileToProfile(
            Image.fromarray(pixels),
            ImageCms.ImageCmsProfile(io.BytesIO(icc)),
            ImageCms.createProfile("sRGB"),
            renderingIntent=ImageCms.Intent.RELATIVE_COLORIMETRIC,
        )
    except (ImageCms.PyCMSError, OSError, ValueError):
        return pixels
    return np.array(converted)


def _frozen(curves: list[Float], to_srgb: Float) -> LightOfCodes:
    table = np.column_stack(curves).astype(np.float32)
    matrix = np.array(to_srgb, dtype=np.float64)
    table.setflags(write=False)  # shared by every photo with this profile
    matrix.setflags(write=False)
    return LightOfCodes(table, matrix)


def _read_tags(icc: bytes) -> dict[bytes, bytes]:
    if icc[36:40] != b"acsp" or icc[16:20] not in (b"RGB ", b"GRAY"):
        raise _BrokenProfileError
    (count,) = struct.unpack_from(">I", icc, 128)
    if not 0 < count <= 200:  # ours; real profiles have ten to thirty
        raise _BrokenProfileError
    entries = (struct.unpack_from(">4sII", icc, 132 + 12 * i) for i in range(count))
    return {name: icc[start : start + length] for name, start, length in entries}


def _read_xyz(tag: bytes) -> Float:
    if tag[:4] != b"XYZ ":
        raise _BrokenProfileError
    return np.array(struct.unpack_from(">3i", tag, 8)) / 65536.0


def _read_curve(tag: bytes, steps: Float) -> Float:
    """Linear light, 0 to 1, of encoded ``steps``."""
    if tag[:4] == b"curv":
        curve = _sampled_curve(tag, steps)
    elif tag[:4] == b"para":
        curve = _parametric_curve(tag, steps)
    else:
        raise _BrokenProfileError
    # Ours: a curve that falls, or whose white is dark, is no camera's.
    if not np.isfinite(curve).all() or (np.diff(curve) < -1e-6).any() or curve[-1] < 0.5:
        raise _BrokenProfileError
    clipped: Float = np.clip(curve, 0.0, 1.0)
    return clipped


def _sampled_curve(tag: bytes, steps: Float) -> Float:
    (count,) = struct.unpack_from(">I", tag, 8)
    if count == 0:
        return steps
    if count == 1:
        (gamma,) = struct.unpack_from(">H", tag, 12)
        power: Float = steps ** (gamma / 256.0)
        return power
    if count > (len(tag) - 12) // 2:
        raise _BrokenProfileError
    samples = np.frombuffer(tag, dtype=">u2", count=count, offset=12) / 65535.0
    return np.interp(steps, np.linspace(0.0, 1.0, count), samples)


def _parametric_curve(tag: bytes, steps: Float) -> Float:
    (kind,) = struct.unpack_from(">H", tag, 8)
    if kind > 4:
        raise _BrokenProfileError
    values = [v / 65536.0 for v in struct.unpack_from(f">{(1, 3, 4, 5, 7)[kind]}i", tag, 12)]
    gamma, a, b, c, d, e, f = values + [0.0] * (7 - len(values))
    if kind == 0:
        a = 1.0
    elif kind in (1, 2):  # one power above -b/a, the constant c (0 for kind 1) below
        if a == 0:
            raise _BrokenProfileError
        c, d, e, f = 0.0, -b / a, c, c
    with np.errstate(all="ignore"):
        power = np.maximum(a * steps + b, 0.0) ** gamma + e
        curve: Float = np.where(steps >= d, power, c * steps + f)
    return curve
