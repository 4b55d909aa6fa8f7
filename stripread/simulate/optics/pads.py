"""Indicator pads as spectra: dye on a white carrier by Kubelka and Munk (1931), K/S additive in the dye.

Bands are inventions of our own: a pink with two bands, a violet, a brown, and a yellow-blue acid-base pair. Their
amounts saturate with concentration.
"""

from dataclasses import dataclass

import numpy as np

from stripread.geometry import Float
from stripread.simulate.optics.spectra import WAVELENGTHS, gaussian

__all__ = ["PADS", "PadChemistry", "pad_reflectance", "plastic_reflectance"]


@dataclass(frozen=True, slots=True)
class PadChemistry:
    """How a pad colours.

    ``blank`` and ``full`` are K/S spectra (81,) at no and at full reaction; the reacted share at concentration c is
    c**h / (c**h + half**h), and a bleached share c**4 / (c**4 + bleach**4) of the dye is lost again.
    """

    blank: Float
    full: Float
    half: float
    hill: float
    bleach: float | None = None

    def reacted(self, concentration: float) -> float:
        """Share of the dye that shows, 0 to 1."""
        if concentration <= 0:
            return 0.0
        share = 1.0 / (1.0 + (self.half / concentration) ** self.hill)
        return float(share if self.bleach is None else share / (1 + (concentration / self.bleach) ** 4))


_CARRIER = 0.016 + 0.030 * gaussian(380, 45)  # slightly cream

PADS: dict[str, PadChemistry] = {
    "pink": PadChemistry(
        _CARRIER, _CARRIER + 0.50 * (gaussian(512, 24) + gaussian(553, 20)) + 0.02, half=4.0, hill=1.0, bleach=60.0
    ),
    "violet": PadChemistry(
        _CARRIER + 0.01, _CARRIER + 6.0 * gaussian(565, 50) + 2.0 * gaussian(615, 45) + 0.6 * gaussian(500, 50),
        half=2500.0, hill=1.0,
    ),
    "brown": PadChemistry(
        _CARRIER, _CARRIER + 4.0 * gaussian(400, 70) + 1.2 * gaussian(500, 70) + 0.12, half=12.0, hill=1.0
    ),
    "yellow-blue": PadChemistry(
        _CARRIER + 2.2 * gaussian(428, 36), _CARRIER + 2.6 * gaussian(617, 40) + 0.3 * gaussian(400, 25),
        half=7.1, hill=16.3,  # pKa 7.1: d(share)/d(pH) = ln(10)/4 at half, hence hill = ln(10) x 7.1
    ),
}  # fmt: skip


def pad_reflectance(
    chemistry: PadChemistry, concentration: float, *, dye_factor: float = 1.0, blank_factor: float = 1.0
) -> Float:
    """Reflectance (81,) of a pad; the factors are one strip's departure from its lot (dye amount, carrier's tint)."""
    share = chemistry.reacted(concentration)
    absorbed = chemistry.blank * blank_factor + dye_factor * share * (chemistry.full - chemistry.blank)
    absorbed = np.maximum(absorbed, 0.0)  # more dye than reacts can leave no less than none of the other form
    reflectance: Float = 1 + absorbed - np.sqrt(absorbed**2 + 2 * absorbed)
    return reflectance


def plastic_reflectance() -> Float:
    """White plastic of the strip, shape (81,)."""
    reflectance: Float = 0.86 - 0.10 * np.exp(-(WAVELENGTHS - 380) / 18) + 0.01 * gaussian(450, 30)
    return reflectance
