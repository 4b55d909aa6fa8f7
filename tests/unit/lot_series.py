"""Invented curves and the dilution series that strips of them would give."""

from functools import cache

import numpy as np

from stripread.calibrate.pad import calibrate_pad
from stripread.lot import Calibrator, Curve, PadCalibration, Scatter, path_lab


def parameters(half: float, hill: float, *coefficients: list[float]) -> np.ndarray:
    return np.array([np.log(half), np.log(hill), *np.ravel(coefficients)])


PINK = parameters(3.0, 1.0, [95, 0, 3], [-30, 45, -6])
VIOLET = parameters(150.0, 1.2, [92, -1, 8], [-60, 40, -60], [10, -15, 10])
PH = parameters(7.2, 14.0, [75, 10, 60], [-25, 45, -40])
PINK_LEVELS = (0, 0.1, 0.25, 0.5, 1, 2, 3)
VIOLET_LEVELS = (0, 10, 25, 50, 100, 200, 300)
PH_LEVELS = (6, 6.5, 7, 7.5, 8, 8.5)
PIXELS = 0.1**2 * np.eye(3)


def known_curve(path: np.ndarray, *, top: float, low: float = 0.0, u: float = 0.1, scatter=(0.03, 0.3, 1000)) -> Curve:
    """A curve whose CIELAB at low is uncertain by ``u`` in each channel, and nothing else of it."""
    covariance = np.zeros((len(path), len(path)))
    covariance[2:5, 2:5] = u**2 * np.eye(3)
    return Curve(path, covariance, low, top, Scatter(*scatter))


def strips_of(curve: Curve, concentration: float, count: int, rng: np.random.Generator) -> np.ndarray:
    """Colours (count, 3) of strips dipped in a concentration: scattered along the curve and in colour."""
    seeming = concentration * (1 + curve.scatter.relative * rng.standard_normal(count))
    return path_lab(curve.parameters, seeming) + curve.scatter.colour * rng.standard_normal((count, 3))


def calibrator(concentration: float, lab, replicate: int = 1, *, u: float = 0.0, beyond: bool = False, photo=None):
    return Calibrator(
        photo=photo or f"{concentration:g}_{replicate}.jpg",
        photo_sha256="0" * 64,
        camera=None,
        concentration=float(concentration),
        u_concentration=u,
        replicate=str(replicate),
        lab=(float(lab[0]), float(lab[1]), float(lab[2])),
        beyond=beyond,
        left_out=False,
    )


def series(path: np.ndarray, levels, *, seed: int = 1, strips: int = 3, relative: float = 0.03, u: float = 0.01):
    """Strips at each level, dilutions uncertain by ``u`` relative."""
    rng = np.random.default_rng(seed)
    curve = Curve(path, np.zeros((len(path), len(path))), levels[0], levels[-1], Scatter(relative, 0.3, 1))
    found = []
    for level in levels:
        made = level * (1 + u * rng.standard_normal())
        for k, lab in enumerate(strips_of(curve, made, strips, rng)):
            found.append(calibrator(level, lab, k + 1, u=u * level))
    return found


def calibrate(calibrators, *, blank: bool = True, u_pixels: np.ndarray = PIXELS) -> PadCalibration:
    """A lot's pad; one that was calibrated before is not calibrated again."""
    return _calibrated(tuple(calibrators), blank, tuple(map(tuple, u_pixels)))


@cache
def _calibrated(calibrators, blank, u_pixels) -> PadCalibration:
    return calibrate_pad(calibrators, pad="A", analyte="test", unit="mg/L", blank=blank, u_pixels=np.array(u_pixels))
