"""Printed cards as spectra: paper and four inks by the Yule-Nielsen modified Neugebauer model.

Yule and Nielsen (1951); Neugebauer (1937); Demichel (1924) for the area weights. Shapes of paper and inks are plausible
Gaussians of our own, different for every seed; no real printer was measured.
"""

from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from stripread.colour import on_paper, xyz_to_lab
from stripread.geometry import Float
from stripread.simulate.optics.spectra import WAVELENGTHS, gaussian, observer_weights, reflectance_to_lab

__all__ = ["NOMINAL", "CardPrint", "Printer", "ink_amounts", "make_printer", "print_card"]

_YULE_NIELSEN = 2.0
_HAS = np.array([[i >> ink & 1 for i in range(16)] for ink in range(4)])  # which overprints have an ink
NOMINAL = 0  # seed of the printer for which the ink amounts of the design are worked out


@dataclass(frozen=True, slots=True)
class Printer:
    """Reflectances of the bare paper and of the 16 overprints of cyan, magenta, yellow and black; shape (16, 81)."""

    seed: int
    overprints: Float

    @property
    def paper(self) -> Float:
        """Reflectance of the unprinted paper, shape (81,)."""
        bare: Float = self.overprints[0]
        return bare

    def reflectance(self, amounts: Float) -> Float:
        """Reflectance of ink coverages (..., 4) from 0 to 1; shape (..., 81)."""
        amounts = np.asarray(amounts, dtype=np.float64)
        without_and_with = np.stack([1 - amounts, amounts])
        weights = without_and_with[_HAS[0], ..., 0]  # (16, ...)
        for ink in range(1, 4):
            weights = weights * without_and_with[_HAS[ink], ..., ink]
        weights = np.ascontiguousarray(np.moveaxis(weights, 0, -1))
        mixed: Float = (weights @ self.overprints ** (1 / _YULE_NIELSEN)) ** _YULE_NIELSEN
        return mixed


@lru_cache(maxsize=32)
def make_printer(seed: int) -> Printer:
    """Return a plausible printer; seed `NOMINAL` has no deviations."""
    rng = np.random.default_rng([seed, 71])
    spread = 0.0 if seed == NOMINAL else 1.0

    def vary(value: float, share: float) -> float:
        return value * float(1 + spread * share * rng.normal())

    def shift(value: float, nm: float) -> float:
        return value + float(spread * nm * rng.normal())

    paper = vary(0.87, 0.02) * (1 - 0.10 * gaussian(380, vary(22, 0.2)))
    paper = paper + max(0.0, shift(0.03, 0.02)) * gaussian(440, 16)  # optical brightener, as extra light
    cyan = (
        1.35 * gaussian(shift(640, 6), vary(55, 0.08)) + 0.35 * gaussian(shift(700, 6), 40) + 0.16 * gaussian(400, 45)
    )
    magenta = (
        1.2 * gaussian(shift(548, 4), vary(30, 0.1)) + 0.7 * gaussian(shift(515, 4), 26) + 0.22 * gaussian(400, 45)
    )
    yellow = 1.35 * gaussian(shift(432, 5), vary(38, 0.08)) + 0.3 * gaussian(shift(475, 4), 18)
    black = 1.5 + spread * 0.15 * rng.normal() * (WAVELENGTHS - 580) / 200
    densities = [vary(1.0, 0.06) * curve for curve in (cyan, magenta, yellow, black)]
    overprints = []
    for i in range(16):
        density = np.sum([densities[ink] for ink in range(4) if i >> ink & 1], axis=0) if i else np.zeros(81)
        overprints.append(
            0.012 + (paper - 0.012) * 10.0**-density
        )  # 1.2 % mirrors at the surface and carries no colour
    return Printer(seed, np.array(overprints))


def ink_amounts(lab: Float) -> Float:
    """Coverages (n, 4) by which the nominal printer comes closest to CIELAB (n, 3); black takes the grey part.

    Colours count from the paper, as printer drivers have it; white is left unprinted.
    """
    from scipy.optimize import least_squares

    printer = make_printer(NOMINAL)
    weights = observer_weights()
    paper_lab = reflectance_to_lab(printer.paper)
    found = []
    printed = on_paper(np.asarray(lab, dtype=np.float64), paper_lab)
    for target, wanted in zip(np.asarray(lab, dtype=np.float64), printed, strict=True):
        if target[0] >= 94.0 and np.hypot(*target[1:]) < 4:
            found.append(np.zeros(4))  # white patches are bare paper
            continue
        chroma = float(np.hypot(target[1], target[2]))
        black = float(np.clip(1 - target[0] / 95, 0, 1)) * float(np.clip(1 - chroma / 40, 0.0, 1.0)) * 0.9

        def residual(x: Float, target: Float = wanted, black: float = black) -> Float:

            amounts = np.append(x[:3], x[3])
            penalty = 0.6 * (x[3] - black)
            return np.append(xyz_to_lab(printer.reflectance(amounts) @ weights) - target, penalty)

        fit = least_squares(residual, x0=[0.3, 0.3, 0.3, black + 0.02], bounds=(0.0, 1.0), max_nfev=60)
        found.append(fit.x)
    return np.array(found)


@dataclass(frozen=True, slots=True)
class CardPrint:
    """One printing run: reflectances of patches (n, 81), paper, solid black, the slot's ground; true patch CIELAB."""

    patches: Float
    paper: Float
    black: Float
    ground: Float
    lab: Float


def print_card(design_lab: Float, ground_lab: Float, *, printer_seed: int) -> CardPrint:
    """Print a design's colours (n, 3) and its slot's ground (3,) on a printer whose inks the design does not know."""
    amounts = _amounts(tuple(map(tuple, np.vstack([design_lab, ground_lab]).tolist())))
    printer = make_printer(printer_seed)
    printed = printer.reflectance(amounts)
    black = printer.reflectance(np.array([0.0, 0.0, 0.0, 1.0]))
    return CardPrint(printed[:-1], printer.paper, black, printed[-1], reflectance_to_lab(printed[:-1]))


@lru_cache(maxsize=8)
def _amounts(lab: tuple[tuple[float, ...], ...]) -> Float:
    return ink_amounts(np.array(lab))
