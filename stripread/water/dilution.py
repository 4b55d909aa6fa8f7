"""Stock from concentrate: volumes for a wanted strength, topping up, and what a tank can hold.

Mass balance throughout: what goes in is in there, volumes add (true of dilute solutions), nothing gasses off while
mixing. So a plan's strength is the most that it can give.
"""

import math
from dataclasses import dataclass
from typing import Literal

from stripread.errors import WaterError
from stripread.i18n import Message, Number
from stripread.units import Measured, propagate

__all__ = ["Dilution", "TopUp", "dilute", "fill_tank", "mix", "plan", "top_up"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Dilution:
    """A stock to be made: water first, then the concentrate.

    Attributes
    ----------
    water_l, concentrate_l : float
        What to measure out.
    total_l : float
    strength_mg_per_l : Measured
        What it gives; its uncertainty is that of the concentrate and of measuring out.
    """

    water_l: float
    concentrate_l: float
    total_l: float
    strength_mg_per_l: Measured


@dataclass(frozen=True, slots=True, kw_only=True)
class TopUp:
    """A stock to be brought to another strength.

    Attributes
    ----------
    remove_l : float
        To be drawn off first, where the tank would not hold it all; else 0.
    add_l : float
        What to add.
    add : {"concentrate", "water", "nothing"}
    total_l : float
        In the tank afterwards.
    strength_mg_per_l : Measured
    """

    remove_l: float
    add_l: float
    add: Literal["concentrate", "water", "nothing"]
    total_l: float
    strength_mg_per_l: Measured


def mix(*parts: tuple[Measured, Measured]) -> Measured:
    """Return the strength of parts poured together, each a volume [L] and a strength [mg/L]: sum C V over sum V.

    It is never over what the strongest part can have.
    """

    def balance(*numbers: float) -> float:
        volumes, strengths = numbers[::2], numbers[1::2]
        return sum(v * c for v, c in zip(volumes, strengths, strict=True)) / sum(volumes)

    most = max(math.inf if (high := strength.interval[1]) is None else high for _, strength in parts)
    return propagate(balance, *(one for part in parts for one in part), ceiling=most)


def dilute(
    concentrate_mg_per_l: Measured,
    *,
    wanted_mg_per_l: float,
    total_l: float,
    pour_u: float,
    available_l: float | None = None,
    tank_l: float | None = None,
) -> Dilution:
    """Return the volumes for a stock: V_concentrate = V_total C_wanted / C_concentrate.

    Parameters
    ----------
    pour_u : float
        Relative standard uncertainty of measuring out a volume.
    available_l, tank_l : float or None
        Concentrate that there is, and what the tank holds; None where it does not matter.

    Raises
    ------
    WaterError
        If the concentrate is too weak or too little, or the tank too small.
    """
    _not_weaker(concentrate_mg_per_l, wanted_mg_per_l)
    if tank_l is not None and total_l > tank_l:
        raise WaterError(
            expected=Message("at most the %(tank_l)s L that the tank holds", tank_l=Number(tank_l, ".3g")),
            found=Message("%(total_l)s L to be made", total_l=Number(total_l, ".3g")),
            remedy=Message("Make less; `stripread water tank` says how to fill the tank."),
        )
    concentrate_l = total_l * wanted_mg_per_l / concentrate_mg_per_l.value
    if available_l is not None and concentrate_l > available_l:
        most = available_l * concentrate_mg_per_l.value / wanted_mg_per_l
        raise WaterError(
            expected=Message("%(concentrate_l)s L of concentrate", concentrate_l=Number(concentrate_l, ".3g")),
            found=Message("only %(available_l)s L", available_l=Number(available_l, ".3g")),
            remedy=Message("Make at most %(most)s L of stock, or generate more concentrate.", most=Number(most, ".3g")),
        )
    return plan(concentrate_mg_per_l, concentrate_l, max(total_l - concentrate_l, 0.0), pour_u)


def fill_tank(
    concentrate_mg_per_l: Measured, *, wanted_mg_per_l: float, tank_l: float, available_l: float, pour_u: float
) -> Dilution:
    """Return the most stock of a wanted strength that tank and concentrate allow (`WaterError`)."""
    _not_weaker(concentrate_mg_per_l, wanted_mg_per_l)
    total_l = min(tank_l, available_l * concentrate_mg_per_l.value / wanted_mg_per_l)
    concentrate_l = total_l * wanted_mg_per_l / concentrate_mg_per_l.value
    return plan(concentrate_mg_per_l, concentrate_l, max(total_l - concentrate_l, 0.0), pour_u)


def top_up(
    stock_mg_per_l: Measured,
    *,
    stock_l: Measured,
    wanted_mg_per_l: float,
    concentrate_mg_per_l: Measured | None,
    pour_u: float,
    tank_l: float | None = None,
) -> TopUp:
    """Return what brings a stock to a wanted strength: concentrate for a weak one, water for a strong one.

    With x L of concentrate on V L of stock, C_stock V + C_concentrate x = C_wanted (V + x). Where V + x is more than
    the tank holds, stock is drawn off first, so that the tank T is full afterwards: x = T (C_wanted - C_stock) /
    (C_concentrate - C_stock). Adding water is the same with a strength of 0.

    Raises
    ------
    WaterError
        If a weak stock is to be raised without concentrate, or with one that is not stronger than what is wanted; or
        the tank holds less than what is in it.
    """
    have, litres = stock_mg_per_l.value, stock_l.value
    if tank_l is not None and litres > tank_l:
        raise WaterError(
            expected=Message("at most the %(tank_l)s L that the tank holds", tank_l=Number(tank_l, ".3g")),
            found=Message("%(litres)s L in it", litres=Number(litres, ".3g")),
            remedy=Message("Correct one."),
        )
    if have == wanted_mg_per_l:
        return TopUp(remove_l=0.0, add_l=0.0, add="nothing", total_l=litres, strength_mg_per_l=stock_mg_per_l)
    add: Literal["concentrate", "water"] = "concentrate" if have < wanted_mg_per_l else "water"
    added = Measured(0.0)
    if add == "concentrate":
        if concentrate_mg_per_l is None:
            raise WaterError(
                expected=Message(
                    "a concentrate, to raise a stock of %(have)s mg/L to %(wanted_mg_per_l)s mg/L",
                    have=Number(have, ".3g"),
                    wanted_mg_per_l=Number(wanted_mg_per_l, ".3g"),
                ),
                found=Message("none"),
                remedy=Message("Name its strength."),
            )
        added = concentrate_mg_per_l
        if added.value <= wanted_mg_per_l:
            _not_weaker(added, wanted_mg_per_l, strictly=True)
    add_l = litres * (wanted_mg_per_l - have) / (added.value - wanted_mg_per_l)
    remove_l = 0.0
    if tank_l is not None and litres + add_l > tank_l:
        add_l = tank_l * (wanted_mg_per_l - have) / (added.value - have)
        remove_l = litres + add_l - tank_l
    kept = propagate(lambda v, out: v - out, stock_l, Measured(remove_l, pour_u * remove_l))
    return TopUp(
        remove_l=remove_l,
        add_l=add_l,
        add=add,
        total_l=kept.value + add_l,
        strength_mg_per_l=mix((kept, stock_mg_per_l), (Measured(add_l, pour_u * add_l), added)),
    )


def plan(concentrate: Measured, concentrate_l: float, water_l: float, pour_u: float) -> Dilution:
    """Return what volumes give that are measured out with a relative standard uncertainty."""
    concentrate_part = Measured(concentrate_l, pour_u * concentrate_l)
    water_part = Measured(water_l, pour_u * water_l)
    return Dilution(
        water_l=water_l,
        concentrate_l=concentrate_l,
        total_l=concentrate_l + water_l,
        strength_mg_per_l=mix((concentrate_part, concentrate), (water_part, Measured(0.0))),
    )


def _not_weaker(concentrate: Measured, wanted: float, *, strictly: bool = False) -> None:
    if concentrate.value < wanted or (strictly and concentrate.value == wanted):
        raise WaterError(
            expected=Message("a concentrate stronger than the %(wanted)s mg/L wanted", wanted=Number(wanted, ".3g")),
            found=Message("%(strength)s mg/L", strength=Number(concentrate.value, ".3g")),
            remedy=Message("Wish for a weaker stock, or generate a stronger concentrate."),
        )
