"""Reflectance spectra on one grid: their colour, and what lamps, cameras and dyes there may be.

`make_views` and `make_dyes` draw plausible spectra at run time from simple families: what a learned correction expects
before it has seen the photo. Their shapes are ours, wide on purpose. Measured lamp spectra among them are those CIE
lamps that the simulator's seen part has; no measured camera is used.
"""

from functools import lru_cache

import numpy as np

from stripread.colour.lab import colour_science, d50_white
from stripread.geometry import Float

__all__ = ["GRID_NM", "LARGEST_DISAGREEMENT", "make_dyes", "make_views", "observer", "on_grid", "spectra_to_xyz"]

GRID_NM: Float = np.arange(380.0, 781.0, 5.0)  # resolves the lines of fluorescent lamps well enough
# Mean CIEDE2000 between measured CIELAB and that of the spectra. Ours: tables for the sums differ by 0.1, instruments
# scatter by 0.3; the spectra of another printer of the simulator's seen part lie 1.07 or more away.
LARGEST_DISAGREEMENT = 0.8
_VIEWS, _DYES = 1200, 6000  # drawn of each; five times as many dyes make the seen part no better
_TUBES = ("FL1", "FL4", "FL8", "FL10", "FL12", "FL3.7", "FL3.12")
_LINES_NM = ((405.0, 6.0), (436.0, 6.0), (545.0, 7.0), (578.0, 7.0), (611.0, 7.0))  # mercury and narrow phosphors


def on_grid(wavelengths_nm: Float, spectra: Float) -> Float:
    """Interpolate smooth spectra (n, k) to the grid, shape (n, 81); held constant beyond their ends.

    A cubic spline, as wavelengths may stand 10 or 20 nm apart.
    """
    from scipy.interpolate import CubicSpline

    inside = np.clip(GRID_NM, wavelengths_nm[0], wavelengths_nm[-1])
    result: Float = np.clip(CubicSpline(wavelengths_nm, spectra, axis=1)(inside), 0.0, None)
    return result


@lru_cache(maxsize=1)
def observer() -> Float:
    """D50 times the CIE 1931 2 degree observer, shape (81, 3); the perfect reflector has the XYZ of D50."""
    colour = colour_science()
    matching = _resampled(colour.MSDS_CMFS["CIE 1931 2 Degree Standard Observer"])
    weights = matching * _resampled(colour.SDS_ILLUMINANTS["D50"])
    scaled: Float = weights / weights.sum(axis=0) * d50_white()
    scaled.flags.writeable = False
    return scaled


def spectra_to_xyz(reflectance: Float) -> Float:
    """XYZ (D50, 2 degree, Y = 1 for the perfect reflector) of reflectances (..., 81)."""
    xyz: Float = reflectance @ observer()
    return xyz


def _resampled(distribution) -> Float:  # type: ignore[no-untyped-def]  # colour-science has no types
    """Columns of a distribution of colour-science on the grid, shape (81, columns)."""
    values = np.asarray(distribution.values, np.float64).reshape(len(distribution.wavelengths), -1)
    return np.stack([np.interp(GRID_NM, distribution.wavelengths, column) for column in values.T], axis=1)


def _bell(centre: Float | float, width: Float | float) -> Float:
    """Bell curves of unit height, a row for each centre and standard deviation. [nm]."""
    centre, width = np.broadcast_arrays(np.atleast_1d(centre), np.atleast_1d(width))
    curve: Float = np.exp(-0.5 * ((GRID_NM - centre[:, None]) / width[:, None]) ** 2)
    return curve


@lru_cache(maxsize=1)
def make_views() -> Float:
    """Draw what lamps and cameras make of a reflectance: lamp times sensitivity, shape (views, 81, 3)."""
    rng = np.random.default_rng(20)
    views: Float = _draw_lamps(rng, _VIEWS)[..., None] * _draw_cameras(rng, _VIEWS)
    views.flags.writeable = False
    return views


def _draw_lamps(rng: np.random.Generator, count: int) -> Float:
    """Draw daylight, daylight under leaves, incandescent lamps, white LEDs and tubes; shape (count, 81), mean 1."""
    colour = colour_science()
    tubes = np.stack([_resampled(colour.SDS_ILLUMINANTS[name])[:, 0] for name in _TUBES])
    tubes /= tubes.mean(axis=1, keepdims=True)
    skies = np.stack([
        _resampled(colour.sd_CIE_illuminant_D_series(colour.temperature.CCT_to_xy_CIE_D(kelvin)))[:, 0]
        for kelvin in np.linspace(4200, 9500, 20)
    ])  # fmt: skip
    skies /= skies.mean(axis=1, keepdims=True)

    def sky() -> Float:
        chosen: Float = skies[rng.integers(len(skies))]
        return chosen

    def canopy() -> Float:
        # Ours, no leaf was measured: a tenth or two of the green comes through and little else of the visible.
        leaf = 0.05 + rng.uniform(0.1, 0.25) * _bell(rng.normal(552, 4), rng.normal(28, 3))[0]
        beyond = 0.3 / (1 + np.exp(-(GRID_NM - 715) / 9))
        power: Float = sky() * (0.35 + 1.3 * (leaf + beyond))
        return power

    def incandescent() -> Float:
        power: Float = GRID_NM**-5.0 / np.expm1(1.4388e7 / (GRID_NM * rng.uniform(2300, 3500)))  # Planck
        return power

    def led() -> Float:
        power: Float = rng.uniform(0.2, 1.6) * _bell(rng.uniform(438, 465), rng.uniform(8, 13))[0]
        power = power + _bell(rng.uniform(540, 600), rng.uniform(42, 62))[0]
        if rng.random() < 0.5:
            power = power + rng.uniform(0.1, 0.9) * _bell(rng.uniform(605, 640), rng.uniform(20, 45))[0]
        if rng.random() < 0.2:
            power = power + rng.uniform(0.3, 1.2) * _bell(rng.uniform(405, 425), 9.0)[0]
        return power

    def tube() -> Float:
        power: Float = rng.dirichlet(np.full(len(tubes), 0.35)) @ tubes
        for centre, width in _LINES_NM:
            power = power * np.clip(1 + 0.35 * rng.normal() * _bell(centre, width)[0], 0.2, None)
        return power

    families = (sky, canopy, incandescent, led, tube)
    lamps = np.empty((count, len(GRID_NM)))
    for i, family in enumerate(rng.choice(len(families), count, p=[0.2, 0.1, 0.12, 0.3, 0.28])):
        power = families[family]()
        lamps[i] = power / power.mean() * np.exp(0.15 * rng.normal() * (GRID_NM - 580) / 200)
    result: Float = lamps / lamps.mean(axis=1, keepdims=True)
    return result


def _draw_cameras(rng: np.random.Generator, count: int) -> Float:
    """Draw sensitivities behind their filters, shape (count, 81, 3).

    Ours; how they lie beside measured cameras: `simulate.optics.cameras.sensitivities`, about which these scatter more.
    """

    def n(mean: float, spread: float) -> Float:
        drawn: Float = rng.normal(mean, spread, count)
        return drawn

    def share(mean: float, spread: float) -> Float:
        return np.maximum(n(mean, spread), 0.0)[:, None]

    red = (
        _bell(n(602, 8), n(28, 4)) + share(0.35, 0.15) * _bell(n(635, 8), n(22, 3))
        + share(0.07, 0.04) * _bell(n(530, 10), n(25, 4)) + share(0.04, 0.03) * _bell(n(430, 10), n(20, 3))
    )  # fmt: skip
    green = (
        _bell(n(533, 7), n(35, 4)) + share(0.12, 0.08) * _bell(n(575, 10), n(22, 3))
        + share(0.06, 0.04) * _bell(n(450, 12), n(22, 3))
    )  # fmt: skip
    blue = (
        _bell(n(458, 7), n(26, 3.5)) + share(0.08, 0.06) * _bell(n(515, 10), n(18, 3))
        + share(0.02, 0.015) * _bell(n(600, 15), n(25, 4))
    )  # fmt: skip
    violet_edge = 1 / (1 + np.exp(-(GRID_NM - n(410, 7)[:, None]) / n(6, 1)[:, None]))
    red_edge = 1 / (1 + np.exp((GRID_NM - n(675, 12)[:, None]) / n(10, 2)[:, None]))
    return np.stack([red, green, blue], axis=-1) * (violet_edge * red_edge)[..., None]


@lru_cache(maxsize=1)
def make_dyes() -> Float:
    """Reflectances of white carriers with up to three absorption bands anywhere, faint to deep, shape (dyes, 81).

    Dye on a carrier by Kubelka and Munk (1931): K/S adds up, R = 1 + K/S - sqrt((K/S)**2 + 2 K/S).
    """
    rng = np.random.default_rng(21)

    def column(low: float, high: float) -> Float:
        drawn: Float = rng.uniform(low, high, (_DYES, 1))
        return drawn

    absorbed = column(0.005, 0.04) + column(0.0, 0.06) * _bell(rng.uniform(370, 400, _DYES), rng.uniform(30, 60, _DYES))
    amount = np.exp(column(np.log(0.004), np.log(6.0)))
    for _ in range(3):
        strength = np.exp(rng.normal(0, 0.8, (_DYES, 1))) * (rng.random((_DYES, 1)) < 0.7)
        widths = np.exp(rng.normal(np.log(38), 0.35, _DYES))  # most dyes in solution have bands of 60 to 130 nm at half
        absorbed = absorbed + amount * strength * _bell(rng.uniform(400, 660, _DYES), widths)
    reflectance: Float = 1 + absorbed - np.sqrt(absorbed**2 + 2 * absorbed)
    reflectance.flags.writeable = False
    return reflectance
