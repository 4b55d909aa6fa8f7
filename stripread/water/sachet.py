"""Sachet files: what a sachet yields, and how fast."""

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from importlib import resources
from itertools import pairwise
from pathlib import Path
from typing import Any

from stripread.errors import SachetFileError
from stripread.files import TomlTable, read_toml
from stripread.i18n import Message
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
        data = read_toml(Path(name_or_path), what=Message("a sachet file"), error=SachetFileError)
    except FileNotFoundError:
        raise SachetFileError(
            expected=Message(
                "a sachet file or one of %(shipped_sachets)s", shipped_sachets=", ".join(shipped_sachets())
            ),
            found=Message("no file %(name_or_path)s", name_or_path=name_or_path),
            remedy=Message("Check the name, or write a sachet file."),
        ) from None
    return parse_sachet(data, where=name_or_path)


def parse_sachet(data: Mapping[str, Any], *, where: str) -> Sachet:
    """Return a sachet from the contents of its file (`SachetFileError`)."""
    table = TomlTable(data, where, SachetFileError)
    table.no_other_keys(_KEYS)
    return Sachet(
        name=table.text("name"),
        analyte=table.text("analyte"),
        example=table.truth("example", default=False),
        source=table.text("source"),
        yield_mg=Measured(table.positive("yield_mg"), table.number("u_yield_mg", least=0.0)),
        temperature_c=table.number("temperature_c", least=0.0) if "temperature_c" in data else None,
        curve=_curve(table),
    )


def _curve(table: TomlTable) -> tuple[CurvePoint, ...]:
    points = []
    for row in table.tables("curve", least=2):
        row.no_other_keys({"hours", "share", "u_share"})
        points.append(
            CurvePoint(
                row.number("hours", least=0.0),
                row.number("share", least=0.0, most=1.0),
                row.number("u_share", least=0.0, most=1.0),
            )
        )
    if points[0].hours != 0 or any(right.hours <= left.hours for left, right in pairwise(points)):
        raise table.wrong("curve", Message("hours that begin at 0 and grow from point to point"))
    return tuple(points)
