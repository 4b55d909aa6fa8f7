"""Numbers in a unit that is a plain word, as pH, mV or NTU: typed as amounts are, and never converted."""

import math
import re

from stripread.errors import QuantityError
from stripread.i18n import Message, Shown, Verbatim
from stripread.units.numbers import NUMBER, with_points
from stripread.units.quantities import _ENDS, _U
from stripread.units.uncertain import K95, Measured

__all__ = ["parse_own_unit"]

_VALUE = re.compile(rf"\s*({NUMBER})\s*(.*?)\s*")
_MICRO = str.maketrans({"\N{GREEK SMALL LETTER MU}": "u", "\N{MICRO SIGN}": "u"})  # µ and μ look alike


def parse_own_unit(text: str, unit: str, *, name: Shown, bare: bool = False) -> tuple[Measured, bool]:
    """Read a number with its unit and, if it is there, its uncertainty; tell whether one was there.

    Parameters
    ----------
    text : str
        ``650 mV``, ``650 mV u 5``, ``650 mV ± 10 (k = 2)`` or ``650 mV, 95 % interval 640 to 660``.
    unit : str
        The only unit that may stand there.
    bare : bool
        Whether the number may stand alone, as a pH does.

    Raises
    ------
    QuantityError
        If it is no number, has another unit or none, or its uncertainty is nonsense.
    """
    text = with_points(text)

    def wrong(found: Shown, remedy: Shown) -> QuantityError:
        example = Message("%(name)s as 12.3 %(unit)s", name=name, unit=unit)
        return QuantityError(expected=example, found=found, remedy=remedy)

    body, spread, ends = text, None, None
    if (found := _ENDS.fullmatch(text)) is not None:
        body, ends = found[1], (float(found[2]), float(found[3]))
        if not _is_unit(found[4], unit, bare=True):
            raise wrong(Message("%(text)s, with two units", text=repr(text)), Message("Leave the second unit out."))
    elif (found := _U.fullmatch(text)) is not None:
        if ("±" in text or "+/-" in text) and found[4] is None:
            raise wrong(
                Message("%(text)s, without what the ± means", text=repr(text)),
                Message("Write (k = 1) or (k = 2) behind it, or give the 95 % interval as 270 to 330."),
            )
        body, spread = found[1], found
    value = _VALUE.fullmatch(body)
    if value is None:
        raise wrong(Verbatim(repr(text)), Message("Write a number and then its unit; no sign between thousands."))
    if not _is_unit(value[2], unit, bare=bare):
        raise wrong(Verbatim(repr(text)), Message("Write it in %(unit)s.", unit=unit))
    number = float(value[1])
    if not abs(number) <= 1e12:
        raise wrong(Message("%(text)s, beyond all measure", text=repr(text)), Message("Correct the number."))
    if ends is not None:
        if not ends[0] <= number <= ends[1]:
            raise wrong(
                Message("%(text)s, outside its own interval", text=repr(text)),
                Message("Copy both from the same reading."),
            )
        return Measured(number, (ends[1] - ends[0]) / (2 * K95), ends, -math.inf), True
    if spread is None:
        return Measured(number, 0.0, None, -math.inf), False
    u = float(spread[2]) / int(spread[4] or 1)
    if spread[3].strip() == "%":
        u *= abs(number) / 100
    elif not _is_unit(spread[3], unit, bare=True):
        raise wrong(Message("%(text)s, with two units", text=repr(text)), Message("Leave the second unit out."))
    if not 0 <= u <= 1e12:
        raise wrong(Message("%(text)s, with an uncertainty that is none", text=repr(text)), Message("Correct it."))
    return Measured(number, u, None, -math.inf), True


def _is_unit(typed: str, unit: str, *, bare: bool) -> bool:
    plain = [" ".join(one.translate(_MICRO).casefold().split()) for one in (typed, unit)]
    return plain[0] == plain[1] or (bare and not plain[0])
