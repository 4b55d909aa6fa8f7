"""A sample that was diluted before the strip was dipped: what was typed, the factor back to it, and its words.

Mass balance, C1 V1 = C2 V2: what is in the part taken is in the whole that it is made up to, so the sample is whole
over part times as strong as what the strip was dipped into. Water that takes disinfectant itself breaks the balance,
and the result is then too low.
"""

import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

from stripread.errors import QuantityError
from stripread.i18n import Joined, Message, Number, Shown, Verbatim
from stripread.units import ASSUMED_U, Measured, parse_quantity, propagate
from stripread.water.injection import Ratio

__all__ = ["MOST_FACTOR", "SampleDilution", "dilution_of_payload", "in_sample", "parse_dilution", "typed_dilution"]

MOST_FACTOR = 1000.0
_LEAST_FACTOR, _MOST_U = 1.1, 0.30  # ours: less is no dilution, and a factor known no better tells nothing
_NUMBER, _PARTS = r"\d+(?:[.,]\d+)?", r"(?:\s+part(?:e?s|e)?)?"
_RATIO = re.compile(
    rf"\s*(?P<part>{_NUMBER}){_PARTS}\s+"
    rf"(?:(?:in|en)\s+(?P<whole>{_NUMBER}){_PARTS}(?:\s+of\s+the\s+whole)?"
    rf"|(?:to|a)\s+(?P<water>{_NUMBER}){_PARTS}(?:\s+of\s+water)?)"
    rf"(?:\s+u\s*=?\s*(?P<u>{_NUMBER})\s*%)?\s*",
    re.IGNORECASE,
)
_BARE = re.compile(rf"\s*({_NUMBER})\s*:\s*({_NUMBER})\s*")
_MADE_UP = re.compile(r"\s+(?:made\s+up\s+to|to|hasta)\s+", re.IGNORECASE)
_PLUS = re.compile(r"\s*\+(?!/)\s*")
_OWN_U = re.compile(r"\su\s*=?\s*\d|±|\+/-")


@dataclass(frozen=True, slots=True, kw_only=True)
class SampleDilution:
    """How a sample was diluted.

    Attributes
    ----------
    ratio : Ratio
        1 part of the sample in N of the whole, or to N of water, as it was typed.
    relative_u : float
        Relative standard uncertainty of the factor (k = 1).
    typed : str
        What was typed.
    assumed : bool
        Whether the marks of the measures were taken as good to 2 %, as none said how good they are.
    """

    ratio: Ratio
    relative_u: float
    typed: str
    assumed: bool = False

    @property
    def factor(self) -> float:
        """How many times as strong the sample is as what the strip was dipped into."""
        return 1 / self.ratio.share

    @property
    def words(self) -> Message:
        """Both conventions, the factor and how well it is known."""
        said = Message(
            "1 part in %(whole)s of the whole = 1 part to %(water)s of water; factor %(factor)s, u %(u)s %%",
            whole=Number(self.factor, ".4g"),
            water=Number(self.factor - 1, ".4g"),
            factor=Number(self.factor, ".4g"),
            u=Number(100 * self.relative_u, ".2g"),
        )
        if not self.assumed:
            return said
        mark = Number(100 * ASSUMED_U["volume"], "g")
        return Message("%(dilution)s (%(mark)s %% for each mark read by eye)", dilution=said, mark=mark)

    def as_payload(self) -> dict[str, Any]:
        """Return what the record keeps of it; ``u`` is of the factor."""
        return {
            "convention": self.ratio.convention,
            "n": self.ratio.n,
            "factor": self.factor,
            "u": self.relative_u * self.factor,
            "assumed": self.assumed,
            "typed": self.typed,
        }


def dilution_of_payload(said: Mapping[str, Any] | None) -> SampleDilution | None:
    """Return what `SampleDilution.as_payload` was made of; None for a sample that was dipped into as it was."""
    if said is None:
        return None
    ratio = Ratio(said["n"], said["convention"])
    return SampleDilution(
        ratio=ratio, relative_u=said["u"] / said["factor"], typed=said["typed"], assumed=said["assumed"]
    )


def in_sample(value: float, dilution: SampleDilution | None, write: Callable[[float], Number]) -> Shown:
    """Write a number of the strip as one of the sample: ``500 × 10 = 5000``; as it is where nothing was diluted."""
    if dilution is None:
        return write(value)
    factor = Number(dilution.factor, ".4g")
    return Joined((write(value), Verbatim("×"), factor, Verbatim("="), write(value * dilution.factor)))


def typed_dilution(part: str, whole: str) -> str:
    """Return two fields, the part taken and what it was made up to, as `parse_dilution` reads them."""
    bare = all(re.fullmatch(rf"\s*{_NUMBER}\s*", text) for text in (part, whole))
    return f"{part.strip()} {'in' if bare else 'to'} {whole.strip()}"


def parse_dilution(text: str) -> SampleDilution:
    """Read how a sample was diluted.

    Parameters
    ----------
    text : str
        ``1 part in 10`` (of the whole) or ``1 part to 9`` (of water), ``50 mL to 500 mL`` (made up to them) or
        ``50 mL + 450 mL``. Behind volumes their standard uncertainties, ``50 mL u 0.5 mL``, behind parts that of the
        factor in percent, ``u 2 %``; where there is none, each mark is taken as good to 2 % (`units.ASSUMED_U`).

    Raises
    ------
    QuantityError
        If it is none of these, says ``1:10`` and so may mean either, or gives a factor that is no sensible dilution.
    """
    if (bare := _BARE.fullmatch(text)) is not None:
        raise _wrong(text, _both_ways(bare[1], bare[2]))
    if (ratio := _RATIO.fullmatch(text)) is not None:
        return _checked(_of_parts(text, ratio), text)
    for pattern, made_up in ((_PLUS, False), (_MADE_UP, True)):
        measures = pattern.split(text.strip())
        if len(measures) == 2:
            return _checked(_of_volumes(text, measures, made_up=made_up), text)
    raise _wrong(text, Message("Say how much of the sample was taken, and what it was made up to."))


def _of_parts(text: str, found: "re.Match[str]") -> SampleDilution:
    part, whole, water, u = (_plain(found[name]) for name in ("part", "whole", "water", "u"))
    other = whole or water or 0.0
    if not part:
        raise _wrong(text, Message("It must be over 0: correct the number."))
    ratio = Ratio(other / part, "to" if whole is None else "in")
    if u is not None:
        return SampleDilution(ratio=ratio, relative_u=u / 100, typed=text.strip())
    marks = (Measured(number, ASSUMED_U["volume"] * number) for number in (part, other))
    return _of_measures(text, *marks, ratio=ratio, assumed=True)


def _plain(number: str | None) -> float | None:
    return None if number is None else float(number.replace(",", "."))


def _of_volumes(text: str, measures: list[str], *, made_up: bool) -> SampleDilution:
    names = (
        Message("the part taken"),
        Message("what it was made up to") if made_up else Message("the water added"),
    )
    part, other = (parse_quantity(one, "volume", name=name) for one, name in zip(measures, names, strict=True))
    ratio = Ratio(other.measured.value / part.measured.value, "in" if made_up else "to")
    assumed = not all(_OWN_U.search(one) for one in measures)
    return _of_measures(text, part.measured, other.measured, ratio=ratio, assumed=assumed)


def _of_measures(text: str, part: Measured, other: Measured, *, ratio: Ratio, assumed: bool) -> SampleDilution:
    more = 0.0 if ratio.convention == "in" else 1.0
    factor = propagate(lambda taken, rest: more + rest / taken, part, other)
    relative_u = factor.u / factor.value if factor.value > 0 else 0.0
    return SampleDilution(ratio=ratio, relative_u=relative_u, typed=text.strip(), assumed=assumed)


def _checked(dilution: SampleDilution, text: str) -> SampleDilution:
    if not dilution.ratio.n > 0 or not _LEAST_FACTOR <= dilution.factor <= MOST_FACTOR:
        share = Number(dilution.factor if dilution.ratio.n > 0 else 0.0, ".3g")
        raise QuantityError(
            expected=Message(
                "a sample diluted by a factor from %(least)s to %(most)s",
                least=Number(_LEAST_FACTOR, "g"),
                most=Number(MOST_FACTOR, "g"),
            ),
            found=Message("%(text)s, a factor of %(factor)s", text=repr(text), factor=share),
            remedy=Message("Look which number is the part taken, and which is what it was made up to."),
        )
    if dilution.relative_u > _MOST_U:
        raise QuantityError(
            expected=Message("a factor known to %(most)s %% or better", most=Number(100 * _MOST_U, "g")),
            found=Message("%(text)s, known to %(u)s %%", text=repr(text), u=Number(100 * dilution.relative_u, ".2g")),
            remedy=Message("Dilute again with a syringe, pipette or cylinder that fits the part taken."),
        )
    return dilution


def _both_ways(part: str, other: str) -> Message:
    return Message(
        '%(part)s:%(other)s means two things: write "%(part)s part in %(other)s" if it was made up to %(other)s in '
        'all, or "%(part)s part to %(other)s" if %(other)s of water were added.',
        part=part,
        other=other,
    )


def _wrong(text: str, remedy: Shown) -> QuantityError:
    return QuantityError(
        expected=Message('a dilution as "1 part in 10", "1 part to 9", "50 mL to 500 mL" or "50 mL + 450 mL"'),
        found=Verbatim(repr(text)),
        remedy=remedy,
    )
