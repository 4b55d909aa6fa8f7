"""How warmth changes rates: of a sachet's generation and of a stock's loss, by Arrhenius' law.

k(T) = k(T0) exp(-E / R (1 / T - 1 / T0)). Nobody measured E for what is in a sachet or a tank here, so it is wide; a
temperature that nobody told may be that of any season.
"""

import math

from stripread.errors import WaterError
from stripread.geometry import Float
from stripread.i18n import Message, Number
from stripread.units import Measured

__all__ = ["ACTIVATION_KJ_PER_MOL", "ANY_SEASON_C", "REFERENCE_C", "check_liquid", "rate_factor", "season_width"]

ACTIVATION_KJ_PER_MOL = Measured(50.0, 20.0)
"""Ours: the rule of thumb that a reaction in water doubles its rate with 10 C is 53 kJ/mol at 20 C; u lets it grow by a
factor of 1.5 to 2.6. No published value for sachets or tanks was at hand."""
REFERENCE_C = 20.0  # of covers' half-lives, and of a sachet's curve that tells no temperature of its own
ANY_SEASON_C = Measured(20.0, 7.5, floor=-math.inf)
"""Of water whose temperature nobody told: 95 % from 5 C, an unheated tank in winter, to 35 C. Ours."""
_GAS_KJ = 8.314463e-3  # kJ/(mol K)


def rate_factor(
    temperature_c: Float | float, reference_c: Float | float, activation_kj: Float | float
) -> Float | float:
    """Return how many times as fast it goes at a temperature as at the reference; of arrays as well."""
    inverse = 1 / (temperature_c + 273.15) - 1 / (reference_c + 273.15)
    factor: Float | float = math.e ** (-activation_kj / _GAS_KJ * inverse)
    return factor


def season_width(u_c: float) -> float:
    """Return the standard deviation of ln k that a temperature's uncertainty [C] about the reference makes."""
    return ACTIVATION_KJ_PER_MOL.value / _GAS_KJ / (REFERENCE_C + 273.15) ** 2 * u_c


def check_liquid(temperature_c: Measured) -> None:
    """Refuse what is no water that anyone doses (`WaterError`)."""
    if not 0 <= temperature_c.value <= 40:
        raise WaterError(
            expected=Message("water of 0 to 40 C"),
            found=Message("%(temperature)s C", temperature=Number(temperature_c.value, ".3g")),
            remedy=Message("Correct it."),
        )
