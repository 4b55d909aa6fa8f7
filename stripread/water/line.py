"""Loss of strength along a line, from outlet to outlet."""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

from stripread.errors import WaterError
from stripread.i18n import Message, Verbatim
from stripread.units import Difference, Measured, difference, propagate
from stripread.water.decay import LossFit, Timed, fit_loss

__all__ = ["LineLoss", "LineStep", "Outlet", "along_line"]

_SURE = 0.05  # chance under which two neighbours differ. Ours: the 95 % of an interval


@dataclass(frozen=True, slots=True, kw_only=True)
class Outlet:
    """A place on the line with its reading; the distance from the injector [m] where it is known."""

    name: str
    reading_mg_per_l: Measured
    distance_m: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class LineStep:
    """From one outlet to the next.

    Attributes
    ----------
    lost_mg_per_l : Measured
    left : Measured
        Share of the first outlet's strength that reaches the next.
    difference : Difference
        Next minus first [mg/L].
    seen : {"falls", "rises", "no difference seen"}
        ``rises`` cannot be loss: look for a wrong place, a wrong strip, or water not yet renewed.
    """

    first: str
    second: str
    lost_mg_per_l: Measured
    left: Measured
    difference: Difference
    seen: str


@dataclass(frozen=True, slots=True, kw_only=True)
class LineLoss:
    """All steps of a line, and where distances are known its loss by the metre."""

    steps: tuple[LineStep, ...]
    fit: LossFit | None


def along_line(outlets: Sequence[Outlet]) -> LineLoss:
    """Return how strength falls along a line; outlets in the order in which the water passes them.

    Raises
    ------
    WaterError
        With fewer than two outlets, or an outlet at 0 before the last.
    """
    if len(outlets) < 2:
        raise WaterError(
            expected=Message("two outlets or more, in the order of the water"),
            found=Verbatim(str(len(outlets))),
            remedy=Message("Name more."),
        )
    distances = [outlet.distance_m for outlet in outlets if outlet.distance_m is not None]
    if len(distances) == len(outlets) and any(b <= a for a, b in pairwise(distances)):
        raise WaterError(
            expected=Message("outlets in the order of the water, each farther than the one before"),
            found=Verbatim(", ".join(f"{d:g} m" for d in distances)),
            remedy=Message("Put them in order."),
        )
    fit = None
    readable = all(o.reading_mg_per_l.u > 0 and o.reading_mg_per_l.value > 0 for o in outlets)
    if len(distances) == len(outlets) and readable:
        fit = fit_loss([Timed(d, o.reading_mg_per_l) for d, o in zip(distances, outlets, strict=True)])
    return LineLoss(steps=tuple(_step(a, b) for a, b in pairwise(outlets)), fit=fit)


def _step(first: Outlet, second: Outlet) -> LineStep:
    before, after = first.reading_mg_per_l, second.reading_mg_per_l
    if before.value <= 0:
        raise WaterError(
            expected=Message("something to lose at %(name)s", name=repr(first.name)),
            found=Message("0 mg/L"),
            remedy=Message("Give a bound: under 0.05 mg/L."),
        )
    apart = difference(before, after)
    seen = "no difference seen"
    if apart.probability < _SURE:
        seen = "falls" if apart.value < 0 else "rises"
    return LineStep(
        first=first.name,
        second=second.name,
        lost_mg_per_l=propagate(lambda a, b: a - b, before, after, floor=float("-inf")),
        left=propagate(lambda a, b: b / a, before, after),
        difference=apart,
        seen=seen,
    )
