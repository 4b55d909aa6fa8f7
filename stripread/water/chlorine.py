"""Free chlorine: how much of it is hypochlorous acid, the form that disinfects."""

from dataclasses import dataclass

from stripread.errors import WaterError
from stripread.i18n import Message, Number
from stripread.units import Measured, propagate

__all__ = ["PH_U", "Hypochlorous", "hocl_pka", "hocl_share", "hypochlorous"]

PH_U = 0.1  # standard uncertainty of a pH where none is given. Ours: the demo lot's pH pad reads to 0.08
_PKA_U = 0.02  # ours: published values at 25 C lie from 7.50 to 7.54


@dataclass(frozen=True, slots=True, kw_only=True)
class Hypochlorous:
    """Free chlorine split by pH.

    Attributes
    ----------
    pka : float
    share : Measured
        Of free chlorine that is HOCl, 0 to 1.
    hocl_mg_per_l : Measured or None
        As Cl2, in the free chlorine that was given.
    """

    pka: float
    share: Measured
    hocl_mg_per_l: Measured | None


def hocl_pka(temperature_c: float) -> float:
    """Return the pKa of hypochlorous acid: 3000.00 / T - 10.0686 + 0.0253 T, T in kelvin.

    References
    ----------
    .. [1] J. C. Morris, J. Phys. Chem. 70 (1966) 3798 (5 to 35 C; from memory, not verified). At 25 C it gives
       7.54 and the shares at pH 7 and 8 that UC ANR (Chlorination) states.
    """
    kelvin = temperature_c + 273.15
    return 3000.00 / kelvin - 10.0686 + 0.0253 * kelvin


def hocl_share(ph: float, pka: float) -> float:
    """Return the share of free chlorine that is HOCl and not OCl-: 1 / (1 + 10^(pH - pKa)).

    Of dilute water: no activities, and no chlorine bound to cyanuric acid or ammonium.
    """
    share: float = 1 / (1 + 10 ** (ph - pka))  # of arrays as well
    return share


def hypochlorous(
    ph: Measured, temperature_c: Measured, *, free_chlorine_mg_per_l: Measured | None = None
) -> Hypochlorous:
    """Return how much of free chlorine is HOCl.

    Raises
    ------
    WaterError
        Outside pH 5 to 10, where free chlorine is something else as well, or 0 to 40 C.
    """
    if not (5 <= ph.value <= 10 and 0 <= temperature_c.value <= 40):
        raise WaterError(
            expected=Message("a pH from 5 to 10 and water of 0 to 40 C"),
            found=Message(
                "pH %(ph)s at %(temperature)s C",
                ph=Number(ph.value, "g"),
                temperature=Number(temperature_c.value, ".3g"),
            ),
            remedy=Message("Correct them."),
        )
    off = Measured(0.0, _PKA_U, floor=float("-inf"))
    share = propagate(lambda p, t, d: hocl_share(p, hocl_pka(t) + d), ph, temperature_c, off, ceiling=1.0)
    amount = None
    if free_chlorine_mg_per_l is not None:
        amount = propagate(
            lambda p, t, d, c: c * hocl_share(p, hocl_pka(t) + d), ph, temperature_c, off, free_chlorine_mg_per_l
        )
    return Hypochlorous(pka=hocl_pka(temperature_c.value), share=share, hocl_mg_per_l=amount)
