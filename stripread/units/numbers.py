"""Numbers as people type them: with a point or a comma of decimals, or as a fraction, ``2 1/2``.

What could be read in two ways is refused: a comma before three digits may be one of thousands.
"""

import math
import re
import unicodedata
from fractions import Fraction

from stripread.errors import QuantityError
from stripread.i18n import Message, Number, Shown, Verbatim

__all__ = ["NO_THOUSANDS", "NUMBER", "parse_number", "with_points"]

NUMBER = r"[+-]?(?:\d+(?:\.\d*)?|\.\d+)(?:[eE][+-]?\d+)?"  # once `with_points` has been over it
NO_THOUSANDS = Message("Write a number and then its unit; no sign between thousands.")

_SIGNS = "¼½¾⅐⅑⅒⅓⅔⅕⅖⅗⅘⅙⅚⅛⅜⅝⅞"
# 1/2, 2 1/2, 2-1/2: not part of a longer number, a date or a unit.
_FRACTION = re.compile(r"(?<![\w.,/])(?:(\d{1,4})(?: +|-))?(\d{1,3}) ?[/⁄] ?(\d{1,3})(?![\d.,/])")
_SIGN = re.compile(rf"(?<![\w.,/])(?:(\d{{1,4}}) ?)?([{_SIGNS}])(?![\d.,/⁄{_SIGNS}])")
# A comma of decimals, as in 20,5 L. Three digits behind it may be thousands: that is refused.
_COMMA = re.compile(r"(?<=\d),(?=\d{1,2}(?![\d.]))|(?<=\b0),(?=\d)")
_THOUSANDS = re.compile(r"\d[,.'\u2019\u00a0\u202f ]\d{3}(?!\d)")


def with_points(text: str) -> str:
    """Return a text with a point in each number that has a comma of decimals or is a fraction.

    ``20,5 L`` becomes ``20.5 L``, ``2 1/2 gal`` becomes ``2.5 gal``; ``1,500 L`` stays as it is, and is no number then.
    """
    text = text.replace("\N{NO-BREAK SPACE}", " ").replace("\N{NARROW NO-BREAK SPACE}", " ").replace("\t", " ")
    text = text.replace("\N{MINUS SIGN}", "-")
    return _COMMA.sub(".", _FRACTION.sub(_of_fraction, _SIGN.sub(_of_sign, text)))


def parse_number(
    text: str, *, name: Shown, low: float = -math.inf, high: float = math.inf, remedy: Shown | None = None
) -> float:
    """Return a number without a unit, from ``low`` to ``high``.

    Raises
    ------
    QuantityError
        For anything else.
    """
    plain = with_points(text).strip()
    # A comma of thousands is doubted, a point before three digits never is: 0.375.
    found = float(plain) if plain.isascii() and re.fullmatch(NUMBER, plain) else math.nan
    if math.isfinite(found) and low <= found <= high:
        return found + 0.0
    doubtful = not math.isfinite(found) and _THOUSANDS.search(text) is not None
    thousands = Message("Write no sign between thousands, and a point before decimals.")
    raise QuantityError(
        expected=_expected(name, low, high),
        found=Verbatim(repr(text)),
        remedy=thousands if doubtful else remedy or Message("Correct it."),
    )


def _expected(name: Shown, low: float, high: float) -> Message:
    if math.isinf(low) and math.isinf(high):
        return Message("%(what)s, a number", what=name)
    if math.isinf(high):
        return Message("%(what)s, a number of at least %(low)s", what=name, low=Number(low, "g"))
    if math.isinf(low):
        return Message("%(what)s, a number of at most %(high)s", what=name, high=Number(high, "g"))
    return Message(
        "%(what)s, a number from %(low)s to %(high)s", what=name, low=Number(low, "g"), high=Number(high, "g")
    )


def _of_fraction(found: "re.Match[str]") -> str:
    """Return a fraction as a decimal; as it is where it is none: 1/0, 2 3/2."""
    over, under = int(found[2]), int(found[3])
    if under < 2 or (found[1] is not None and over >= under):
        return found[0]
    return repr(float(int(found[1] or 0) + Fraction(over, under)))


def _of_sign(found: "re.Match[str]") -> str:
    return repr(int(found[1] or 0) + unicodedata.numeric(found[2]))
