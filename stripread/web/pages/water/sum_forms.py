"""The forms of the water work's sums: what each tells and asks for, and how it is done."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, cast

from stripread.errors import WrongUsageError
from stripread.i18n import Message
from stripread.report import Answer
from stripread.units import ParsedInputs, parse_number
from stripread.water import COVERS, Disinfectant
from stripread.web.forms import chosen, needed, text, whole
from stripread.web.pages.water.batch_plans import known_sachets, load_known, warmth_of
from stripread.workflow import (
    contact_sum,
    decay_sum,
    demand_sum,
    dose_read,
    hocl_sum,
    line_sum,
    recipe_sum,
    vapour_sum,
    yield_sum,
)

__all__ = ["ROWS", "SUMS", "Filled", "Sum"]

ROWS = 6
_DISINFECTANTS: tuple[Disinfectant, ...] = ("chlorine dioxide", "free chlorine")
_Asked = Mapping[str, Any]


@dataclass(frozen=True, slots=True, kw_only=True)
class _Field:
    """A field of a form; with ``choices`` one to choose from, in ``rows`` one of each row."""

    name: str
    label: Message
    example: str = ""
    needed: bool = False
    choices: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Filled:
    """A form as it came, and the site's folder."""

    typed: ParsedInputs
    asked: Mapping[str, Any]
    folder: Path


@dataclass(frozen=True, slots=True, kw_only=True)
class Sum:
    """A sum: what it tells, what it asks for, and how it is done."""

    title: Message
    why: Message
    fields: tuple[_Field, ...] = ()
    rows: tuple[_Field, ...] = ()
    of_outlets: bool = False  # its rows are filled in with what the outlets were read as
    do: Callable[[Filled], Answer]


def _table(asked: _Asked, *names: str) -> list[tuple[str, ...]]:
    """Return the rows that were filled in."""
    rows = [tuple(text(asked, f"{name}-{place}") for name in names) for place in range(ROWS)]
    found = [row for row in rows if row[-1]]
    if not found:
        raise WrongUsageError(
            expected=Message("at least one reading"), found=Message("none"), remedy=Message("Fill in a row.")
        )
    return found


def _maybe(asked: _Asked, name: str) -> str | None:
    return text(asked, name) or None


def _yield(filled: Filled) -> Answer:
    typed, asked = filled.typed, filled.asked
    return yield_sum(
        typed,
        load_known(known_sachets(filled.folder), asked),
        sachets=whole(asked, "sachets", most=1000) or 1,
        water=typed.measured(needed(asked, "water", Message("the water")), "volume", name=Message("the water")),
        hours=typed.exact(needed(asked, "after", Message("the time")), "time", name=Message("the time")),
        reading=typed.measured(
            needed(asked, "reading", Message("the reading")), "strength", name=Message("the reading")
        ),
        temperature=warmth_of(typed, asked),
    )


def _recipe(filled: Filled) -> Answer:
    typed, asked = filled.typed, filled.asked
    said = needed(asked, "strength", Message("the concentrate"))
    return recipe_sum(
        typed,
        typed.measured(said, "strength", name=Message("the concentrate")),
        add=needed(asked, "add", Message("the concentrate added")),
        water=needed(asked, "water", Message("the water")),
        reading=_maybe(asked, "reading"),
    )


def _decay(filled: Filled) -> Answer:
    typed, asked = filled.typed, filled.asked
    read = [(age, strength) for age, strength in _table(asked, "age", "reading")]
    cover = chosen(asked, "cover", tuple(COVERS), Message("one of %(known)s", known=", ".join(COVERS)))
    limit, at, warm = (_maybe(asked, name) for name in ("limit", "at", "temperature"))
    return decay_sum(typed, read, cover=cover, limit=limit, at=at, temperature=warm)


def _demand(filled: Filled) -> Answer:
    typed, asked = filled.typed, filled.asked
    dose = dose_read(typed, needed(asked, "dose", Message("the reading just after the injector")))
    return demand_sum(typed, dose, [(name or "?", strength) for name, _, strength in _outlets(asked)])


def _line(filled: Filled) -> Answer:
    typed, asked = filled.typed, filled.asked
    return line_sum(typed, _outlets(asked))


def _outlets(asked: _Asked) -> list[tuple[str, str, str]]:
    return [(name, distance, strength) for name, distance, strength in _table(asked, "name", "distance", "reading")]


def _vapour(filled: Filled) -> Answer:
    typed, asked = filled.typed, filled.asked
    strength, warm = (
        needed(asked, "strength", Message("the solution")), needed(asked, "temperature", Message("the temperature"))
    )  # fmt: skip
    return vapour_sum(typed, strength=strength, temperature=warm)


def _hocl(filled: Filled) -> Answer:
    typed, asked = filled.typed, filled.asked
    ph = parse_number(needed(asked, "ph", Message("the pH")), name=Message("the pH"), low=0, high=14)
    warm = needed(asked, "temperature", Message("the temperature"))
    return hocl_sum(typed, ph=ph, u_ph=None, temperature=warm, chlorine=_maybe(asked, "chlorine"))


def _contact(filled: Filled) -> Answer:
    typed, asked = filled.typed, filled.asked
    kind = chosen(asked, "disinfectant", _DISINFECTANTS, Message("a disinfectant of the list")) or _DISINFECTANTS[0]
    strength, time = (
        needed(asked, "strength", Message("the strength")), needed(asked, "time", Message("the time"))
    )  # fmt: skip
    return contact_sum(typed, strength=strength, time=time, disinfectant=cast(Disinfectant, kind))


_NAME = _Field(name="name", label=Message("Outlet"), example="bench 1")
_DISTANCE = _Field(name="distance", label=Message("Distance from the injector"), example="10 m")
_READ = _Field(name="reading", label=Message("Reading"), example="0.42 mg/L u 0.04")
_WARM = _Field(name="temperature", label=Message("Temperature of the water"), example="20 C, 68 F", needed=True)
SUMS = {
    "line": Sum(
        title=Message("What is lost along a line"),
        why=Message("From outlet to outlet, in the order of the water."),
        rows=(_NAME, _DISTANCE, _READ),
        of_outlets=True,
        do=_line,
    ),
    "demand": Sum(
        title=Message("What water and pipes take"),
        why=Message("From readings just after the injector and of the outlets: dose for the one that takes most."),
        fields=(
            _Field(
                name="dose", label=Message("Reading just after the injector"), example="0.8 mg/L u 0.06", needed=True
            ),
        ),
        rows=(_NAME, _DISTANCE, _READ),
        of_outlets=True,
        do=_demand,
    ),
    "decay": Sum(
        title=Message("How long a stock keeps"),
        why=Message("From readings of one stock at its ages: half-life, and when it falls under its limit."),
        fields=(
            _Field(name="cover", label=Message("How the tank is covered"), choices=tuple(COVERS)),
            _Field(name="limit", label=Message("Least strength that is of use"), example="180 mg/L"),
            _Field(name="at", label=Message("Strength expected at this age"), example="48 h"),
            replace(_WARM, needed=False),
        ),
        rows=(
            _Field(name="age", label=Message("Age of the stock"), example="24 h"),
            replace(_READ, example="192 mg/L u 10"),
        ),
        do=_decay,
    ),
    "recipe": Sum(
        title=Message("Recipe against reading"),
        why=Message("What a mixture must be by mass balance, and whether a reading of it can be right."),
        fields=(
            _Field(name="strength", label=Message("Strength of the concentrate"), example="420 mg/L", needed=True),
            _Field(name="add", label=Message("How much concentrate is added"), example="20 L, 5 gal", needed=True),
            _Field(name="water", label=Message("To how much water"), example="34 L, 9 gal", needed=True),
            _Field(name="reading", label=Message("What the mixture was read as"), example="220 mg/L u 11"),
        ),
        do=_recipe,
    ),
    "yield": Sum(
        title=Message("What a sachet gave"),
        why=Message("By a reading of its concentrate; a sachet that gives little may be old or damp."),
        fields=(
            _Field(name="water", label=Message("Water for the sachets"), example="20 L, 5 gal", needed=True),
            _Field(name="sachets", label=Message("Number of sachets"), example="1"),
            _Field(name="after", label=Message("How long they were in it"), example="12 h", needed=True),
            _Field(name="reading", label=Message("Reading"), example="420 mg/L u 20", needed=True),
            replace(_WARM, needed=False),
        ),
        do=_yield,
    ),
    "contact": Sum(
        title=Message("Concentration times time (CT)"),
        why=Message("Beside what was published for plant pathogens."),
        fields=(
            _Field(name="strength", label=Message("Strength at the end of the contact"), example="2 mg/L", needed=True),
            _Field(name="time", label=Message("How long the water was in contact"), example="10 min", needed=True),
            _Field(name="disinfectant", label=Message("Disinfectant"), choices=_DISINFECTANTS),
        ),
        do=_contact,
    ),
    "hocl": Sum(
        title=Message("The share of free chlorine that disinfects"),
        why=Message("HOCl, by pH and temperature."),
        fields=(
            _Field(name="ph", label=Message("pH"), example="7.4", needed=True),
            _WARM,
            _Field(name="chlorine", label=Message("Free chlorine"), example="2 mg/L"),
        ),
        do=_hocl,
    ),
    "vapour": Sum(
        title=Message("Gas over a solution"),
        why=Message("A warning of chlorine dioxide in still air; never a clearance."),
        fields=(
            _Field(name="strength", label=Message("Strength of the solution"), example="420 mg/L", needed=True),
            _WARM,
        ),
        do=_vapour,
    ),
}
