"""Gas over a solution: what Henry's law puts into still air above it, held against limits for breathing.

A caution with a number, never a clearance: the law tells of a closed headspace at rest. Over an open tank the air holds
less for as long as it moves, and more than anyone has measured wherever it does not.
"""

import math
from dataclasses import dataclass

from stripread.errors import WaterError
from stripread.i18n import Message, Number
from stripread.units import Measured, propagate, upper_end

__all__ = [
    "GAS_DENSITY_TO_AIR",
    "LIMITS",
    "AirLimit",
    "Vapour",
    "air_over_water_ppm",
    "explosion_caution",
    "henry_pa",
    "vapour_over",
]

MOLAR_MASS_G_PER_MOL = 67.45  # of chlorine dioxide; from the atomic weights (67.448 with Cl 35.45 and O 15.999)
GAS_DENSITY_TO_AIR = 2.33  # NIOSH Pocket Guide, RGasD; 67.45 / 28.96
_WATER_G_PER_MOL = 18.015
_ATMOSPHERE_PA = 101_325.0
_A, _B_K = 27.162984914807705, -3467.3542913591723
_OF_SOURCES = Measured(1.0, 0.13, (0.90, 1.42))
"""The gas by other sources over that by the constant used, 95 % ends. Values of Henry's constant at 25 C lie from about
0.7e-2 to 1.0e-2 mol/(m3 Pa) in Sander's compilation and the NIST WebBook (from memory, single entries not verified):
the one used, 0.99e-2, is near the end of least gas, and 0.7e-2 is 1.42 times as much. Below, entries agree to 5 %
(k = 1, ours). The published solubility (3.01 g/L at 25 C, NIOSH; 34.5 mm Hg from memory, not verified) gives 2.6 % more
gas."""

EXPLOSIVE_GAS_PPM = (
    100_000.0  # 10 % by volume in air (EPA 815-R-99-014, chapter 4: from memory, not verified). A warning figure
)
EXPLOSIVE_SOLUTION_MG_PER_L = 10_000.0  # about 1 % weight by volume at most (WHO CICAD 37)
_WARM_C = 30.0  # of a solution whose temperature nobody told. Ours


@dataclass(frozen=True, slots=True)
class AirLimit:
    """A limit for the air that is breathed [ppm by volume], what it means, and its source."""

    name: str
    ppm: float
    meaning: str
    source: str


LIMITS: tuple[AirLimit, ...] = (
    AirLimit("TWA", 0.1, "mean of an 8 hour working day", "OSHA, 29 CFR 1910.1000 Table Z-1; NIOSH REL"),
    AirLimit("STEL", 0.3, "mean of 15 minutes", "NIOSH REL"),
    AirLimit("IDLH", 5.0, "immediately dangerous to life or health", "NIOSH IDLH, May 1994"),
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Vapour:
    """What may gather in still air over a solution.

    Attributes
    ----------
    air_ppm : Measured
        Chlorine dioxide in air at equilibrium [ppm by volume, at 101.325 kPa].
    air_mg_per_m3 : Measured
    times_limit : tuple of (AirLimit, Measured)
        How many times each limit that is.
    reaches_limit_mg_per_l : tuple of (AirLimit, float)
        The strength of solution, at this temperature, whose still air holds just the limit.
    explosive : bool
        Solution or gas comes to half of what is told of explosions.
    """

    air_ppm: Measured
    air_mg_per_m3: Measured
    times_limit: tuple[tuple[AirLimit, Measured], ...]
    reaches_limit_mg_per_l: tuple[tuple[AirLimit, float], ...]
    explosive: bool


def henry_pa(temperature_c: float) -> float:
    """Return Henry's constant of chlorine dioxide in water, partial pressure over mole fraction [Pa].

    ln(K / Pa) = A + B / T with A = 27.162984914807705 and B = -3467.3542913591723 K.

    References
    ----------
    .. [1] R. Sander, Compilation of Henry's law constants for water as solvent, Atmos. Chem. Phys. 15 (2015) 4399; the
       numbers as the ``thermo`` package tabulates them (5.573e6 Pa at 25 C, or 1.006 mol/(L atm)).
    """
    pascal: float = math.e ** (_A + _B_K / (temperature_c + 273.15))  # of arrays as well
    return pascal


def air_over_water_ppm(strength_mg_per_l: float, temperature_c: float) -> float:
    """Return the equilibrium gas over a dilute solution [ppm by volume]: p = K x, x the mole fraction.

    The solution's density is taken as that of water at 25 C, 997 g/L: right to 0.5 % from 0 to 40 C.
    """
    mole_fraction = strength_mg_per_l / 1000 / MOLAR_MASS_G_PER_MOL / (997.05 / _WATER_G_PER_MOL)
    return henry_pa(temperature_c) * mole_fraction / _ATMOSPHERE_PA * 1e6


def vapour_over(strength_mg_per_l: Measured, temperature_c: Measured) -> Vapour:
    """Return what may gather in still air over a solution.

    Raises
    ------
    WaterError
        Outside 0 to 40 C, where the constant is not known well.
    """
    if not 0 <= temperature_c.value <= 40:
        raise WaterError(
            expected=Message("a solution of 0 to 40 C"),
            found=Message("%(temperature)s C", temperature=Number(temperature_c.value, ".3g")),
            remedy=Message("Correct it. Warm solution gives off more gas: let it cool, covered."),
        )
    ppm = propagate(lambda c, t, k: k * air_over_water_ppm(c, t), strength_mg_per_l, temperature_c, _OF_SOURCES)
    kelvin = temperature_c.value + 273.15
    per_ppm = MOLAR_MASS_G_PER_MOL * 1000 * _ATMOSPHERE_PA / (8.314463 * kelvin) * 1e-6  # ideal gas; mg/m3 in one ppm
    one_mg = air_over_water_ppm(1.0, temperature_c.value)
    return Vapour(
        air_ppm=ppm,
        air_mg_per_m3=ppm.scaled(per_ppm),
        times_limit=tuple((limit, ppm.scaled(1 / limit.ppm)) for limit in LIMITS),
        reaches_limit_mg_per_l=tuple((limit, limit.ppm / one_mg) for limit in LIMITS),
        explosive=explosion_caution(strength_mg_per_l, temperature_c) is not None,
    )


def explosion_caution(strength_mg_per_l: Measured, temperature_c: Measured | None = None) -> Message | None:
    """Return what is to be said where a solution or the gas over it comes to half of what is told of explosions.

    For whatever makes, plans or keeps a solution. It goes by the upper ends of strength and warmth.

    Parameters
    ----------
    temperature_c : Measured or None
        Of the solution; None where nobody told: then it is taken for as warm as a greenhouse gets.
    """
    most = _upper(strength_mg_per_l)
    warmth = _WARM_C if temperature_c is None else min(max(_upper(temperature_c), 0.0), 40.0)
    if max(most / EXPLOSIVE_SOLUTION_MG_PER_L, air_over_water_ppm(most, warmth) / EXPLOSIVE_GAS_PPM) <= 0.5:
        return None
    return Message(
        "EXPLOSION: gas over about %(limit)s %% of the air, or solution over about 1 %%, can explode. Do not make or "
        "keep so strong a solution: this one may have %(strength)s mg/L.",
        limit=Number(EXPLOSIVE_GAS_PPM / 10_000, "g"),
        strength=upper_end(most),
    )


def _upper(number: Measured) -> float:
    high = number.interval[1]
    return number.value if high is None else high
