"""What every answer says that makes, plans or keeps a strong solution."""

from dataclasses import replace

from stripread.check import CAUTION
from stripread.i18n import Shown
from stripread.report.answer import Answer
from stripread.units import Measured
from stripread.water import explosion_caution

__all__ = ["strong", "strong_cautions"]


def strong_cautions(*strengths: Measured, temperature_c: Measured | None = None) -> tuple[Shown, ...]:
    """Return the cautions of solutions [mg/L]: of explosion where one is so strong, and of their gas."""
    told = (explosion_caution(strength, temperature_c) for strength in strengths)
    return (*[caution for caution in told if caution is not None][:1], CAUTION)


def strong(answer: Answer, *strengths: Measured, temperature_c: Measured | None = None) -> Answer:
    """Return an answer about solutions [mg/L] with their cautions; one that may explode needs attention."""
    cautions = strong_cautions(*strengths, temperature_c=temperature_c)
    return replace(answer, sign=answer.sign if len(cautions) == 1 else "▲", cautions=(*cautions, *answer.cautions))
