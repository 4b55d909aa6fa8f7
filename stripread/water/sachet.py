"""Sachet files: what a sachet yields, and how fast."""

import math
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from importlib import resources
from itertools import pairwise
from pathlib import Path
from typing import Any

from stripread.errors import SachetFileError
from stripread.i18n import Message, Number, Shown, Verbatim
from stripread.units import Measured

__all__ = ["CurvePoint", "Sachet", "load_sachet", "parse_sachet", "shipped_sachets"]

_KEYS = {"name", "analyte", "example", "source", "yield_mg", "u_yield_mg", "temperature_c", "curve"}


@dataclass(frozen=True, slots=True)
class CurvePoint:
    """Share of the yield that is in the water after some hours, 0 to 1, and its standard uncertainty."""

    hours: float
    share: float
    u_share: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Sachet:
    """A sachet that generates a disinfectant in water.

    Attributes
    ----------
    example : bool
        Its figures are invented, and serve to show how a file looks.
    source : str
        Where the figures come from.
    yield_mg : Measured
        Mass that one sachet brings into the water in the end.
    temperature_c : float or None
        Of the water for which the curve holds.
    curve : tuple of CurvePoint
        From 0 h on, at least two points.
    """

    name: str
    analyte: str
    example: bool
    source: str
    yield_mg: Measured
    temperature_c: float | None
    curve: tuple[CurvePoint, ...]


def shipped_sachets() -> tuple[str, ...]:
    """Names of the sachets that come with the package, sorted."""
    folder = resources.files("stripread.water") / "sachets"
    return tuple(sorted(entry.name.removesuffix(".toml") for entry in folder.iterdir() if entry.name.endswith(".toml")))


def load_sachet(name_or_path: str) -> Sachet:
    """Read a sachet: the name of a shipped one, or the path of a file.

    Raises
    ------
    SachetFileError
        If there is no such file, it is not TOML, or a field is missing, wrong or misspelt (the error names it).
    """
    if name_or_path in shipped_sachets():
        shipped = resources.files("stripread.water") / "sachets" / f"{name_or_path}.toml"
        return parse_sachet(tomllib.loads(shipped.read_text(encoding="utf-8")), where=f"sachet {name_or_path}")
    try:
        data = tomllib.loads(Path(name_or_path).read_text(encoding="utf-8-sig"))
    except FileNotFoundError:
        raise SachetFileError(
            expected=Message(
                "a sachet file or one of %(shipped_sachets)s", shipped_sachets=", ".join(shipped_sachets())
            ),
            found=Message("no file %(name_or_path)s", name_or_path=name_or_path),
            remedy=Message("Check the name, or write a sachet file."),
        ) from None
    except (OSError, ValueError) as error:  # UnicodeDecodeError and TOMLDecodeError are ValueErrors
        raise SachetFileError(
            expected=Message("a sachet file in TOML at %(name_or_path)s", name_or_path=name_or_path),
            found=Verbatim(str(error)),
            remedy=Message("Mend the file."),
        ) from error
    return parse_sachet(data, where=name_or_path)


def parse_sachet(data: Mapping[str, Any], *, where: str) -> Sachet:
    """Return a sachet from the contents of its file (`SachetFileError`)."""
    table = _Table(data, where)
    table.no_other_keys(_KEYS)
    example = data.get("example", False)
    if not isinstance(example, bool):
        raise table.wrong("example", Message("true or false"))
    mass = table.number("yield_mg", above=0.0)
    return Sachet(
        name=table.text("name"),
        analyte=table.text("analyte"),
        example=example,
        source=table.text("source"),
        yield_mg=Measured(mass, table.number("u_yield_mg", least=0.0)),
        temperature_c=table.number("temperature_c", least=0.0) if "temperature_c" in data else None,
        curve=_curve(table),
    )


@dataclass(frozen=True, slots=True)
class _Table:
    """A table of the file that names itself in errors."""

    data: Mapping[str, Any]
    where: str

    def wrong(self, key: str, expected: Shown) -> SachetFileError:
        found = Verbatim(repr(self.data[key])[:200]) if key in self.data else Message("nothing")
        return SachetFileError(
            expected=Message(
                "%(expected)s for %(key)s in %(where)s", expected=expected, key=repr(key), where=self.where
            ),
            found=found,
            remedy=Message("Correct this field."),
        )

    def text(self, key: str) -> str:
        value = self.data.get(key)
        if not isinstance(value, str) or not value.strip():
            raise self.wrong(key, Message("a text"))
        return value.strip()

    def number(self, key: str, *, above: float = -math.inf, least: float = -math.inf, most: float = math.inf) -> float:
        value = self.data.get(key)
        good = isinstance(value, int | float) and not isinstance(value, bool) and math.isfinite(value)
        if not good or not isinstance(value, int | float) or not (value > above and least <= value <= most):
            low, high, over = Number(least, "g"), Number(most, "g"), Number(above, "g")
            if not (math.isfinite(least) and math.isfinite(most)):
                expected = (
                    Message("a number over %(above)s", above=over)
                    if math.isfinite(above)
                    else Message("a number of at least %(least)s", least=low)
                )
            elif math.isfinite(above):
                expected = Message(
                    "a number from %(least)s to %(most)s over %(above)s", least=low, most=high, above=over
                )
            else:
                expected = Message("a number from %(least)s to %(most)s", least=low, most=high)
            raise self.wrong(key, expected)
        return float(value)

    def no_other_keys(self, known: set[str]) -> None:
        for key in self.data:
            if key not in known:
                raise SachetFileError(
                    expected=Message("one of %(known)s in %(where)s", known=", ".join(sorted(known)), where=self.where),
                    found=Verbatim(repr(key)),
                    remedy=Message("Correct or remove this key."),
                )


def _curve(table: _Table) -> tuple[CurvePoint, ...]:
    rows = table.data.get("curve")
    if not isinstance(rows, list) or len(rows) < 2 or not all(isinstance(row, Mapping) for row in rows):
        raise table.wrong("curve", Message("two or more tables [[curve]]"))
    points = []
    for index, row in enumerate(rows):
        inner = _Table(row, f"[[curve]] number {index + 1} of {table.where}")
        inner.no_other_keys({"hours", "share", "u_share"})
        points.append(
            CurvePoint(
                inner.number("hours", least=0.0),
                inner.number("share", least=0.0, most=1.0),
                inner.number("u_share", least=0.0, most=1.0),
            )
        )
    if points[0].hours != 0 or any(right.hours <= left.hours for left, right in pairwise(points)):
        raise table.wrong("curve", Message("hours that begin at 0 and grow from point to point"))
    return tuple(points)
