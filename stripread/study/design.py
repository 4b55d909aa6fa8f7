"""The design of a study: which strengths, how many strips of each, under which codes, in which order and conditions.

Strengths lie between the calibrators, so that a study cannot pass by having learned the calibrators by heart. Within
each strength the pairs of phone and light come in turn, as do sessions and people; which strip gets which is drawn at
random, and so is the order in which strips are dipped.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TypeVar

import numpy as np

from stripread.calibrate import plan_dilutions
from stripread.errors import StudyError
from stripread.i18n import Message, Number, Verbatim, joined
from stripread.study.shape import PhotoRole, PlannedPhoto, PlannedStrip, Solution, Strength
from stripread.units import Measured

__all__ = ["FULL", "SHORT", "Conditions", "Form", "design_strengths", "design_strips", "mix_solutions"]

_T = TypeVar("_T")

# Ours: no letter or digit that looks like another one on wet paper.
_SIGNS = "ACDEFHJKLMNPRTWXY3479"
_CODE_LENGTH = 3
_AT_CALIBRATOR = 0.05  # a strength this near to a calibrator, relatively, is moved away from it
_AWAY = 0.92
_ROLES: tuple[PhotoRole, ...] = ("first", "lifted", "other phone", "other light")


@dataclass(frozen=True, slots=True, kw_only=True)
class Form:
    """How many strips a study has of each kind of strength."""

    name: str
    blanks: int
    at_lod: int
    of_each: int

    @property
    def strips(self) -> int:
        """All of them."""
        return self.blanks + self.at_lod + len(_SHARES) * self.of_each


# LOQ, then shares of the top calibrator.
_SHARES: tuple[float | None, ...] = (None, 0.3, 0.6, 0.9)
FULL = Form(name="full", blanks=10, at_lod=5, of_each=6)
SHORT = Form(name="short", blanks=4, at_lod=3, of_each=2)


@dataclass(frozen=True, slots=True, kw_only=True)
class Conditions:
    """Who reads, with which phones, in which lights, in how many sessions; those of the calibration come first."""

    people: tuple[str, ...]
    phones: tuple[str, ...]
    lights: tuple[str, ...]
    sessions: int

    def check(self) -> None:
        """Refuse names that are missing or given twice."""
        for names, least, what in (
            (self.people, 2, Message("two people with names of their own, who both read each strip by eye")),
            (self.phones, 1, Message("one phone or two, each with a name of its own")),
            (self.lights, 1, Message("one light or more, each with a name of its own")),
        ):
            if len(set(names)) != len(names) or len(names) < least or not all(name.strip() for name in names):
                raise StudyError(expected=what, found=Verbatim(", ".join(names) or "-"),
                                 remedy=Message("Name them again."))  # fmt: skip


def design_strengths(
    form: Form, *, lod: float, loq: float, calibrators: Sequence[float], expected_u: Mapping[float, float]
) -> tuple[Strength, ...]:
    """Return the strengths from the blank to the strongest.

    Parameters
    ----------
    lod, loq : float
        As the lot states them.
    calibrators : sequence of float
        Assigned values of the lot's curve.
    expected_u : mapping
        Relative standard uncertainty that the lot states for a strip, by strength; those between are read off in
        logarithms.
    """
    top = max(calibrators)
    values = [_away(loq if share is None else share * top, calibrators) for share in _SHARES]
    if not 0 < lod < values[0] < values[1]:
        raise StudyError(
            expected=Message("a lot whose LOD lies below its LOQ, and that below 0.3 of its top calibrator"),
            found=joined((Number(lod, ".3g"), Number(loq, ".3g"), Number(top, "g"))),
            remedy=Message("Calibrate the lot with weaker levels first."),
        )  # fmt: skip
    known = sorted(expected_u)

    def u_at(value: float) -> float:
        return float(np.interp(math.log(value), np.log(known), [expected_u[k] for k in known]))

    names = ["LOQ" if share is None else f"{share:g}" for share in _SHARES]
    return (
        Strength(name="blank", kind="blank", value=0.0, strips=form.blanks, expected_u=0.0),
        Strength(name="LOD", kind="lod", value=lod, strips=form.at_lod, expected_u=u_at(lod)),
        *(
            Strength(name=name, kind="strength", value=value, strips=form.of_each, expected_u=u_at(value))
            for name, value in zip(names, values, strict=True)
        ),
    )


def _away(value: float, calibrators: Sequence[float]) -> float:
    value = float(f"{value:.3g}")
    while any(c > 0 and abs(math.log(value / c)) < _AT_CALIBRATOR for c in calibrators):
        value = float(f"{_AWAY * value:.3g}")
    return value


def mix_solutions(
    strengths: Sequence[Strength], *, stock: Measured, total_ml: float, pour_u: float, least_ml: float
) -> tuple[Solution, ...]:
    """Return what is to be mixed: intermediate solutions first, then one for each strength.

    Parameters
    ----------
    stock : Measured
        What the second stock is expected to be; the shares hold whatever its assays give.
    total_ml : float
        Volume of each solution: enough to dip all strips of that strength.
    pour_u : float
        Relative standard uncertainty of measuring out a volume.
    """
    plan = plan_dilutions([one.value for one in strengths], standard=Measured(stock.value), total_ml=total_ml,
                          pour_u=pour_u, least_ml=least_ml)  # fmt: skip
    made = []
    for one in plan.intermediates:
        made.append(_solution(one.name, one.take_ml, one.source, one.water_ml, one.strength, stock.value))
    for strength, level in zip(sorted(strengths, key=lambda s: s.value), plan.levels, strict=True):
        made.append(_solution(strength.name, level.take_ml, level.source, level.water_ml, level.strength, stock.value))
    return tuple(made)


def _solution(name: str, take: float, source: str, water: float, strength: Measured, stock: float) -> Solution:
    u = strength.u / strength.value if strength.value > 0 else 0.0
    return Solution(name=name, take_ml=take, source="stock" if source == "standard" else source, water_ml=water,
                    share=strength.value / stock, u_share=u)  # fmt: skip


def design_strips(
    strengths: Sequence[Strength], conditions: Conditions, rng: np.random.Generator
) -> tuple[tuple[PlannedStrip, ...], dict[str, str]]:
    """Return the strips in their order, and the strength of each code, which is to be sealed."""
    conditions.check()
    pairs = [(phone, light) for light in conditions.lights for phone in conditions.phones]
    duties = [(session, person) for session in range(1, conditions.sessions + 1) for person in conditions.people]
    drawn: list[tuple[str, int, str, tuple[PlannedPhoto, ...]]] = []
    for place, strength in enumerate(strengths):
        # The LOD is stated for the phone and light of the calibration, which are named first.
        turns = _in_turn(pairs[:1] if strength.kind == "lod" else pairs, strength.strips, rng)
        times = _in_turn(duties[place % len(duties) :] + duties[: place % len(duties)], strength.strips, rng)
        for (phone, light), (session, person) in zip(turns, times, strict=True):
            photos = _photos(phone, light, conditions, rng)
            drawn.append((strength.name, session, person, photos))
    order = sorted(rng.permutation(len(drawn)), key=lambda i: drawn[int(i)][1])  # stable: random within a session
    codes = _codes(len(drawn), rng)
    strips, strength_of = [], {}
    for code, index in zip(codes, order, strict=True):
        name, session, person, photos = drawn[int(index)]
        strips.append(PlannedStrip(code=code, session=session, person=person, photos=photos))
        strength_of[code] = name
    return tuple(strips), strength_of


def _in_turn(things: Sequence[_T], count: int, rng: np.random.Generator) -> list[_T]:
    """Return so many of the things, each as often as any other but for one, in random order."""
    start = int(rng.integers(len(things)))
    chosen = [things[(start + k) % len(things)] for k in range(count)]
    return [chosen[int(k)] for k in rng.permutation(count)]


def _photos(phone: str, light: str, conditions: Conditions, rng: np.random.Generator) -> tuple[PlannedPhoto, ...]:
    others = [one for one in conditions.phones if one != phone]
    elsewhere = [one for one in conditions.lights if one != light]
    made = [(phone, light), (phone, light)]
    made += [(others[int(rng.integers(len(others)))], light)] if others else []
    made += [(phone, elsewhere[int(rng.integers(len(elsewhere)))])] if elsewhere else []
    roles = [_ROLES[0], _ROLES[1], *([_ROLES[2]] if others else []), *([_ROLES[3]] if elsewhere else [])]
    return tuple(
        PlannedPhoto(number=number, role=role, phone=own, light=where)
        for number, (role, (own, where)) in enumerate(zip(roles, made, strict=True), start=1)
    )


def _codes(count: int, rng: np.random.Generator) -> list[str]:
    codes: list[str] = []
    while len(codes) < count:
        code = "".join(_SIGNS[int(k)] for k in rng.integers(len(_SIGNS), size=_CODE_LENGTH))
        if code not in codes:
            codes.append(code)
    return codes
