"""Phones: spectral sensitivities, and what a phone does to its colours before it writes the file."""

from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from stripread.colour import colour_science, lab_to_xyz
from stripread.geometry import Float
from stripread.simulate.optics.inks import make_printer
from stripread.simulate.optics.spectra import WAVELENGTHS, gaussian, reflectance_to_lab

__all__ = [
    "Phone",
    "develop_photo",
    "flash_power",
    "make_phone",
    "on_sensor",
    "packaged_cameras",
    "read_cameras",
    "sensitivities",
]

_STRETCH = 8192  # pixel values at a time, so that they stay in the processor's cache


def sensitivities(seed: int) -> Float:
    """Plausible sensitivities of a phone's sensor behind its filters, shape (81, 3), each with a maximum of 1.

    Ours. Of 60 seeds the peaks lie at 590 to 620, 520 to 550 and 445 to 470 nm; those of the 18 cameras measured in
    rawtoaces-data at 590 to 600, 510 to 536 and 460 to 470 nm (nine in ten). Their green and blue bands are wider:
    102 and 84 nm at half the height (median), where these have 84 and 60.
    """
    rng = np.random.default_rng([seed, 13])

    def n(mean: float, spread: float) -> float:
        return float(rng.normal(mean, spread))

    red = (
        gaussian(n(602, 6), n(27, 3))
        + max(0, n(0.35, 0.1)) * gaussian(n(635, 6), 22)
        + max(0, n(0.07, 0.03)) * gaussian(n(530, 8), 25)
        + max(0, n(0.04, 0.02)) * gaussian(430, 20)
    )
    green = (
        gaussian(n(533, 5), n(34, 3))
        + max(0, n(0.12, 0.05)) * gaussian(n(575, 8), 22)
        + max(0, n(0.06, 0.03)) * gaussian(450, 22)
    )
    blue = (
        gaussian(n(458, 5), n(25, 3))
        + max(0, n(0.08, 0.04)) * gaussian(n(515, 8), 18)
        + max(0, n(0.02, 0.01)) * gaussian(600, 25)
    )
    cut = 1 / (1 + np.exp(-(WAVELENGTHS - n(412, 4)) / 5)) / (1 + np.exp((WAVELENGTHS - n(672, 8)) / 9))
    curves = np.stack([red, green, blue], axis=1) * cut[:, None]
    scaled: Float = curves / curves.max(axis=0)
    return scaled


@lru_cache(maxsize=4)
def read_cameras(path: Path) -> dict[str, Float]:
    """Measured sensitivities from a table with columns ``wavelength_nm`` and ``NAME:R``, ``NAME:G``, ``NAME:B``."""
    rows = [line for line in path.read_text(encoding="utf-8").splitlines() if line and not line.startswith("#")]
    header = rows[0].split(",")
    values = np.array([[float(v) for v in row.split(",")] for row in rows[1:]])
    cameras = {}
    for name in sorted({h.rsplit(":", 1)[0] for h in header[1:]}):
        columns = [header.index(f"{name}:{channel}") for channel in "RGB"]
        curves = np.stack([np.interp(WAVELENGTHS, values[:, 0], values[:, c]) for c in columns], axis=1)
        cameras[name] = curves / curves.max(axis=0)
    return cameras


@lru_cache(maxsize=1)
def packaged_cameras() -> dict[str, Float]:
    """Measured sensitivities that colour-science ships."""
    table = colour_science().MSDS_CAMERA_SENSITIVITIES
    return {
        name: np.stack([np.interp(WAVELENGTHS, c.wavelengths, c.values[:, i]) for i in range(3)], axis=1)
        for name, c in table.items()
    }


@dataclass(frozen=True, slots=True, kw_only=True)
class Phone:
    """A sensor and its maker's habits.

    ``contrast`` bends the tone curve to an S, ``shoulder`` rolls highlights off, ``saturation`` is the boost in the
    colour matrix, ``balance_error`` the relative error of the white balance on red and blue; ``flash`` is the spectral
    power of its flash, mean 1, shape (81,).
    """

    name: str
    sensor: Float
    contrast: float
    shoulder: float
    saturation: float
    balance_error: tuple[float, float]
    flash: Float


def make_phone(seed: int, *, sensor: Float | None = None, name: str | None = None) -> Phone:
    """Return a plausible phone; with ``sensor`` its sensitivities are those given."""
    rng = np.random.default_rng([seed, 29])
    return Phone(
        name=name or f"Model {seed}",
        sensor=sensitivities(seed) if sensor is None else sensor,
        contrast=float(rng.uniform(0.0, 0.5)),
        shoulder=float(rng.uniform(0.0, 0.6)),
        saturation=float(rng.uniform(1.0, 1.2)),
        balance_error=(float(rng.normal(0, 0.04)), float(rng.normal(0, 0.04))),
        flash=flash_power(seed),
    )


def flash_power(seed: int) -> Float:
    """Return the spectral power of a phone's flash, mean 1, shape (81,): a blue chip under a yellow and a red phosphor.

    Ours: of 200 seeds nine in ten lie from 3650 to 5430 K (McCamy's formula), with the blue peak near 450 nm as in the
    white LEDs of colour-science, LED-B1 to LED-B5. Every phone seed has its own.
    """
    rng = np.random.default_rng([seed, 53])
    chip = rng.uniform(0.5, 1.0) * gaussian(rng.uniform(446, 458), rng.uniform(8, 11))
    yellow = gaussian(rng.uniform(545, 575), rng.uniform(48, 58))
    red = rng.uniform(0, 0.35) * gaussian(rng.uniform(610, 640), rng.uniform(30, 45))
    power = chip + yellow + red
    scaled: Float = power / power.mean()
    return scaled


@lru_cache(maxsize=1)
def _matrix_reflectances() -> Float:
    """Colours by which a maker fits the colour matrix: random ink mixtures of the nominal printer, shape (60, 81)."""
    amounts = np.random.default_rng(5).uniform(0, 1, (60, 4)) * [1, 1, 1, 0.4]
    return make_printer(0).reflectance(amounts)


def develop_photo(
    phone: Phone, light: Float, *, exposure: float, quick: bool = False
) -> Callable[[NDArray[np.float32]], NDArray[np.float32]]:
    """Return the phone's processing for a scene under ``light`` (81,): camera RGB (..., 3) to encoded sRGB 0 to 1.

    White balance (with its error), a colour matrix that the maker fitted for this light on colours of its own, gain so
    that a perfect white lands at ``exposure`` of linear full scale, clipping, tone curve, sRGB encoding. ``quick``
    reads the curve from a fine table; what it gives may differ by a hundredth of an 8-bit code.
    """
    white = light @ phone.sensor
    balance = white[1] / white * np.array([1 + phone.balance_error[0], 1.0, 1 + phone.balance_error[1]])
    samples = _matrix_reflectances()
    seen = samples @ (light[:, None] * phone.sensor) / white

    colour = colour_science()
    wanted = colour.XYZ_to_RGB(
        lab_to_xyz(reflectance_to_lab(samples)), "sRGB",
        colour.CCS_ILLUMINANTS["CIE 1931 2 Degree Standard Observer"]["D50"],
        chromatic_adaptation_transform="Bradford", apply_cctf_encoding=False,
    )  # fmt: skip
    # White-preserving least squares: rows sum to one.
    matrix = np.empty((3, 3))
    for row in range(3):
        free = np.linalg.lstsq(seen[:, 1:] - seen[:, :1], wanted[:, row] - seen[:, 0], rcond=None)[0]
        matrix[row] = [1 - free.sum(), *free]
    grey = np.array([0.2126, 0.7152, 0.0722])
    boost = phone.saturation * np.eye(3) + (1 - phone.saturation) * np.tile(grey, (3, 1))
    combined = (boost @ matrix * balance * (exposure / white[1])).T.astype(np.float32)
    curve = _tone_table(phone.contrast, phone.shoulder)

    # Steps even in the square root: fine where the curve is steep.
    table = np.interp(np.linspace(0, 1, 65536) ** 2, *curve).astype(np.float32) if quick else None

    def process(raw: NDArray[np.float32]) -> NDArray[np.float32]:
        linear = np.clip(raw @ combined, 0.0, 1.0)
        if table is not None:
            root: NDArray[np.float32] = table[np.rint(np.sqrt(linear) * np.float32(65535)).astype(np.uint16)]
            return root
        return _interpolated(linear, *curve)

    return process


def _interpolated(linear: NDArray[np.float32], places: Float, values: Float) -> NDArray[np.float32]:
    """Give what ``np.interp`` does, to the bit, ten times as fast: `_tone_table`'s places are even in the square root.

    ``np.interp`` searches the table for each pixel, and neighbours differ by their noise.
    """
    last = len(places) - 1
    slopes = np.append(np.diff(values) / np.diff(places), 0.0)
    after = np.append(places[1:], np.inf)
    flat, encoded = linear.ravel(), np.empty(linear.size, np.float32)
    for start in range(0, flat.size, _STRETCH):
        light = flat[start : start + _STRETCH].astype(np.float64)
        place = (np.sqrt(light) * last).astype(np.intp)
        place += light >= after.take(place)  # where a square root was rounded over a place of the table
        place -= light < places.take(place)
        light -= places.take(place)
        light *= slopes.take(place)
        light += values.take(place)
        encoded[start : start + _STRETCH] = light
    return encoded.reshape(linear.shape)


def _tone_table(contrast: float, shoulder: float) -> tuple[Float, Float]:
    """Tone curve from linear light to encoded value, both 0 to 1: highlights rolled off, sRGB encoding, S-shape."""
    linear = np.linspace(0, 1, 4096) ** 2.0
    rolled = (1 - shoulder) * linear + shoulder * (1 - np.exp(-2.0 * linear)) / (1 - np.exp(-2.0))
    encoded = np.where(rolled <= 0.0031308, 12.92 * rolled, 1.055 * rolled ** (1 / 2.4) - 0.055)
    bent = encoded + contrast * encoded * (1 - encoded) * (encoded - 0.4)
    return linear, bent


def on_sensor(phone: Phone, light: Float, reflectance: Float) -> Float:
    """Camera RGB (..., 3) of reflectances (..., 81) under ``light`` (81,), before any processing."""
    rgb: Float = reflectance @ (light[:, None] * phone.sensor)
    return rgb
