"""Invented curves and the dilution series that strips of them would give."""

from functools import cache

import numpy as np

from stripread.calibrate.pad import calibrate_pad
from stripread.lot import KUBELKA_MUNK, Calibrator, Curve, PadCalibration, Scatter, absorption_of
from stripread.lot.path import POLYNOMIAL, Path


def parameters(half: float, hill: float, *coefficients: list[float]) -> np.ndarray:
    return np.array([np.log(half), np.log(hill), *np.ravel(coefficients)])


def dye(half: float, hill: float, blank: list[float], full: list[float], bend: float = 0.0) -> np.ndarray:
    """A Kubelka-Munk path between the CIELAB of a blank and of all the dye reacted."""
    before, after = absorption_of(np.array([blank, full]))
    return parameters(half, hill, before, (1 - bend) * (after - before), bend * (after - before))


PINK = dye(3.0, 1.0, [95, 0, 3], [65, 45, -3])
VIOLET = dye(150.0, 1.0, [92, -1, 8], [42, 24, -42], 0.1)
PH = dye(7.2, 14.0, [75, 10, 60], [50, 55, 20])
# Lots of before have polynomials in CIELAB.
OLD_PINK = parameters(3.0, 1.0, [95, 0, 3], [-30, 45, -6])
OLD_VIOLET = parameters(150.0, 1.2, [92, -1, 8], [-60, 40, -60], [10, -15, 10])
OLD_PH = parameters(7.2, 14.0, [75, 10, 60], [-25, 45, -40])
PINK_LEVELS = (0, 0.1, 0.25, 0.5, 1, 2, 3)
VIOLET_LEVELS = (0, 10, 25, 50, 100, 200, 300)
PH_LEVELS = (6, 6.5, 7, 7.5, 8, 8.5)
PIXELS = 0.1**2 * np.eye(3)


def known_curve(
    path: np.ndarray,
    *,
    top: float,
    low: float = 0.0,
    u: float = 0.1,
    scatter=(0.03, 0.3, 1000),
    form: Path = KUBELKA_MUNK,
) -> Curve:
    """A curve whose CIELAB is uncertain by ``u`` in each channel, everywhere alike, and nothing else of it."""
    parameters, here = form.shifted(path, 3)
    covariance = np.zeros((len(parameters), len(parameters)))
    covariance[here, here] = u**2 * np.eye(3)
    return Curve(parameters, covariance, low, top, Scatter(*scatter), form)


def strips_of(curve: Curve, concentration: float, count: int, rng: np.random.Generator) -> np.ndarray:
    """Colours (count, 3) of strips dipped in a concentration: scattered along the curve and in colour.

    A dye's amount scatters; where there is none, the concentration that a strip seems to have.
    """
    by = curve.scatter.relative * rng.standard_normal(count)
    if curve.path is POLYNOMIAL or curve.low > 0:
        labs = curve.lab(concentration * (1 + by))
    else:
        factors = np.ones((count, len(curve.parameters)))
        factors[:, 5:11] += by[:, None]
        labs = np.concatenate([curve.path.lab(f * curve.parameters, np.array([concentration])) for f in factors])
    return labs + curve.scatter.colour * rng.standard_normal((count, 3))


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
    nothing = np.zeros((len(path), len(path)))
    curve = Curve(path, nothing, levels[0], levels[-1], Scatter(relative, 0.3, 1), KUBELKA_MUNK)
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
