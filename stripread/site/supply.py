"""Tanks, injectors and lines by the site file: where stock stands, who draws it, and what the water reaches."""

from collections.abc import Mapping
from dataclasses import dataclass

from stripread.files import TomlTable
from stripread.i18n import Message

__all__ = ["Injector", "Line", "Supply", "Tank", "parse_supply"]

_COVERS = ("open", "covered", "sealed")


@dataclass(frozen=True, slots=True, kw_only=True)
class Tank:
    """A tank or pail; ``volume`` is as typed ("60 L"), ``cover`` is that of batches that say nothing of theirs."""

    name: str
    volume: str | None = None
    cover: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Injector:
    """An injector: the tank that it draws from, and the line that it doses."""

    name: str
    tank: str | None = None
    line: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """A line of outlets: its points in the order of the water, and the crops that it waters."""

    name: str
    points: tuple[str, ...] = ()
    crops: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Supply:
    """What a site has of each, by name; a site that says nothing has none."""

    tanks: Mapping[str, Tank]
    injectors: Mapping[str, Injector]
    lines: Mapping[str, Line]

    def injectors_of_line(self, line: str) -> tuple[Injector, ...]:
        """Return the injectors that dose a line; one that has the line's name does so without saying it."""
        said = tuple(one for one in self.injectors.values() if one.line == line)
        return said or tuple(one for one in self.injectors.values() if one.line is None and one.name == line)

    def line_of_point(self, point: str) -> Line | None:
        """Return the line whose table names a point."""
        return next((line for line in self.lines.values() if point in line.points), None)


def parse_supply(top: TomlTable) -> Supply:
    """Return the tanks, injectors and lines of a site file.

    Raises
    ------
    SiteError
        If a field is wrong or misspelt, or an injector names a tank or a line that the file does not have.
    """
    tanks = {name: _tank(name, table) for name, table in _named(top, "tank")}
    lines = {name: _line(name, table) for name, table in _named(top, "line")}
    injectors = {}
    for name, table in _named(top, "injector"):
        table.no_other_keys({"tank", "line"})
        injectors[name] = Injector(
            name=name, tank=_one_of(table, "tank", tuple(tanks)), line=_one_of(table, "line", tuple(lines))
        )
    return Supply(tanks=tanks, injectors=injectors, lines=lines)


def _named(top: TomlTable, key: str) -> list[tuple[str, TomlTable]]:
    if key not in top.data:
        return []
    named = top.table(key, Message("tables [%(key)s.NAME]", key=key))
    return [(name, named.table(name, Message("a table"))) for name in named.data]


def _tank(name: str, table: TomlTable) -> Tank:
    table.no_other_keys({"volume", "cover"})
    volume = table.text("volume") if "volume" in table.data else None
    return Tank(name=name, volume=volume, cover=_one_of(table, "cover", _COVERS))


def _line(name: str, table: TomlTable) -> Line:
    table.no_other_keys({"points", "crops"})
    return Line(name=name, points=_texts(table, "points"), crops=_texts(table, "crops"))


def _one_of(table: TomlTable, key: str, known: tuple[str, ...]) -> str | None:
    if key not in table.data:
        return None
    value = table.text(key)
    if value not in known:
        words = ", ".join(known) or Message("none")
        raise table.wrong(key, Message("one of %(known)s", known=words))
    return value


def _texts(table: TomlTable, key: str) -> tuple[str, ...]:
    value = table.data.get(key, [])
    if not isinstance(value, list) or not all(isinstance(one, str) and one for one in value):
        raise table.wrong(key, Message("a list of names"))
    return tuple(value)
