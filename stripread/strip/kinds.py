"""Strip kind files: size and pads of a strip, what its pads measure, how to dip it and when to read it.

The keys are those of ``docs/reference/file-formats.md``; keys that are not known are left alone, so that a newer file
still loads. Along is the distance from the dipped tip; across is the distance from the long edge that is the upper one
when the strip lies with its tip to the left and its pads up.
"""

import itertools
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from importlib import resources
from pathlib import Path
from typing import Any, Literal

import numpy as np

from stripread.errors import KindFileError
from stripread.files import TomlTable, is_number, read_toml
from stripread.geometry import Float
from stripread.i18n import Message, Number, Verbatim

__all__ = [
    "Dip",
    "Motion",
    "PadSpec",
    "StripKind",
    "kind_colours",
    "kind_to_data",
    "load_kind",
    "parse_kind",
    "shipped_kinds",
]

Motion = Literal["still", "swirl"]
_MOTIONS: tuple[Motion, ...] = ("still", "swirl")
_COLOURS_BETWEEN = 10  # steps from one told colour to the next
_NUMBER = Message("a number")
_ROUNDING_MM = 0.01  # a pad as wide as its strip may stick out by as much, from rounding in the file


@dataclass(frozen=True, slots=True, kw_only=True)
class PadSpec:
    """One pad: where it lies on the strip and what it measures.

    Attributes
    ----------
    centre_mm : tuple of float
        Along from the dipped tip, across from the long edge.
    size_mm : tuple of float
        Side along the strip, side across it.
    range : tuple of float
        Lowest and highest value that the pad is made for. [unit]
    blank : bool
        Whether a zero exists; false for scales without one, such as pH.
    target : float or None
        The value aimed at in use, where the kind states one. [unit]
    colours : tuple of (float, float, float)
        CIELAB (D50, 2 degree) that the pad goes through, in order, where the kind tells: roughly, as of the blocks on a
        vial. They only tell a pad from print in photos of a lot that has no curve yet.
    """

    id: str
    centre_mm: tuple[float, float]
    size_mm: tuple[float, float]
    analyte: str
    unit: str
    range: tuple[float, float]
    blank: bool = True
    target: float | None = None
    colours: tuple[tuple[float, float, float], ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Dip:
    """How to dip the strip, and the window after the dip in which its colour counts."""

    seconds: float
    motion: Motion
    read_from_s: float
    read_until_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class StripKind:
    """A kind of strip; ``pads`` are in order of their distance from the dipped tip.

    Beyond ``handle_from_mm`` from the tip, where a kind states it, nothing that shows is a pad.
    """

    name: str
    analyte: str
    unit: str
    range: tuple[float, float]
    length_mm: float
    width_mm: float
    pads: tuple[PadSpec, ...]
    dip: Dip
    handle_from_mm: float | None = None

    def pad(self, pad_id: str) -> PadSpec:
        """Return the pad of that id; ``KeyError`` where there is none."""
        for pad in self.pads:
            if pad.id == pad_id:
                return pad
        raise KeyError(pad_id)


def shipped_kinds() -> tuple[str, ...]:
    """Names of the kinds that come with the package, sorted."""
    folder = resources.files("stripread.strip") / "kinds"
    return tuple(sorted(entry.name.removesuffix(".toml") for entry in folder.iterdir() if entry.name.endswith(".toml")))


def load_kind(name_or_path: str | Path) -> StripKind:
    """Read a strip kind: the name of a shipped one, or the path of a file.

    Raises
    ------
    KindFileError
        If there is no such kind or file, it is not TOML, or a field is missing or wrong (the error names it).
    """
    shipped = shipped_kinds()
    if str(name_or_path) in shipped:
        source = resources.files("stripread.strip") / "kinds" / f"{name_or_path}.toml"
        return parse_kind(tomllib.loads(source.read_text(encoding="utf-8")), where=f"kind {name_or_path}")
    path = Path(name_or_path)
    try:
        data = read_toml(path, what=Message("a strip kind file"), error=KindFileError)
    except FileNotFoundError:
        raise KindFileError(
            expected=Message("a strip kind file or one of %(shipped)s", shipped=", ".join(shipped)),
            found=Message("no file %(path)s", path=path),
            remedy=Message("Check the name, or write a kind file."),
        ) from None
    return parse_kind(data, where=str(path))


def parse_kind(data: Mapping[str, Any], *, where: str) -> StripKind:
    """Build a kind from the parsed TOML; ``where`` names the source in errors (`KindFileError`)."""
    top = TomlTable(data, where, KindFileError)
    length_mm, width_mm = top.positive("length_mm"), top.positive("width_mm")
    if length_mm <= width_mm:
        raise top.wrong(
            "length_mm", Message("a length greater than the width of %(width_mm)s mm", width_mm=Number(width_mm, "g"))
        )
    analyte, unit, span = top.text("analyte"), top.text("unit"), top.span("range")
    pads = []
    for t in top.tables("pad", least=1):
        centre, size = t.pair("centre_mm", Message("two numbers [along, across]")), _pad_size(t)
        for at, side, room in zip(centre, size, (length_mm, width_mm), strict=True):
            if at - side / 2 < -_ROUNDING_MM or at + side / 2 > room + _ROUNDING_MM:
                raise t.wrong(
                    "centre_mm",
                    Message(
                        "a pad within the strip of %(length_mm)s x %(width_mm)s mm",
                        length_mm=Number(length_mm, "g"),
                        width_mm=Number(width_mm, "g"),
                    ),
                )
        pads.append(
            PadSpec(
                id=t.text("id"),
                centre_mm=centre,
                size_mm=size,
                analyte=t.text("analyte") if "analyte" in t.data else analyte,
                unit=t.text("unit") if "unit" in t.data else unit,
                range=t.span("range") if "range" in t.data else span,
                blank=t.truth("blank", default=True),
                target=t.number("target") if "target" in t.data else None,
                colours=_colours(t),
            )
        )
    pads.sort(key=lambda pad: pad.centre_mm[0])
    if len({pad.id for pad in pads}) != len(pads):
        raise KindFileError(
            expected=Message("a different id for each pad in %(where)s", where=where),
            found=Verbatim(", ".join(repr(pad.id) for pad in pads)),
            remedy=Message("Correct 'pad.id'."),
        )
    for a, b in itertools.pairwise(pads):
        if a.centre_mm[0] + a.size_mm[0] / 2 > b.centre_mm[0] - b.size_mm[0] / 2 + _ROUNDING_MM:
            raise KindFileError(
                expected=Message("pads one after the other along the strip in %(where)s", where=where),
                found=Message(
                    "pads %(one)s and %(other)s side by side or overlapping", one=repr(a.id), other=repr(b.id)
                ),
                remedy=Message("Correct 'pad.centre_mm' or 'pad.size_mm'."),
            )
    return StripKind(
        name=top.text("name"),
        analyte=analyte,
        unit=unit,
        range=span,
        length_mm=length_mm,
        width_mm=width_mm,
        pads=tuple(pads),
        dip=_parse_dip(top),
        handle_from_mm=_parse_handle(top, last_pad_mm=pads[-1].centre_mm[0] + pads[-1].size_mm[0] / 2),
    )


def kind_to_data(kind: StripKind) -> dict[str, Any]:
    """Return the kind as the tables of its file: `parse_kind` makes the same kind of them."""
    pads = []
    for pad in kind.pads:
        table: dict[str, Any] = {"id": pad.id, "centre_mm": list(pad.centre_mm), "size_mm": list(pad.size_mm)}
        table |= {"analyte": pad.analyte, "unit": pad.unit, "range": list(pad.range), "blank": pad.blank}
        table |= {} if pad.target is None else {"target": pad.target}
        pads.append(table | ({"colours": [list(lab) for lab in pad.colours]} if pad.colours else {}))
    data: dict[str, Any] = {
        "name": kind.name,
        "analyte": kind.analyte,
        "unit": kind.unit,
        "range": list(kind.range),
        "length_mm": kind.length_mm,
        "width_mm": kind.width_mm,
        "pad": pads,
        "dip": {
            "seconds": kind.dip.seconds,
            "motion": kind.dip.motion,
            "read_from_s": kind.dip.read_from_s,
            "read_until_s": kind.dip.read_until_s,
        },
    }
    return data if kind.handle_from_mm is None else {**data, "handle": {"from_mm": kind.handle_from_mm}}


def kind_colours(kind: StripKind) -> dict[str, Float]:
    """CIELAB (n, 3) that each pad can have, for pads whose colours the kind tells: on straight lines between these."""
    at = np.linspace(0, 1, _COLOURS_BETWEEN)[:, None]
    return {
        pad.id: np.vstack([(1 - at) * one + at * other for one, other in itertools.pairwise(np.array(pad.colours))])
        for pad in kind.pads
        if pad.colours
    }


def _pad_size(t: TomlTable) -> tuple[float, float]:
    expected = Message("a positive number or two [along, across]")
    value = t.data.get("size_mm")
    if is_number(value):
        value = [value, value]
    if not isinstance(value, list) or len(value) != 2 or not all(is_number(side) and side > 0 for side in value):
        raise t.wrong("size_mm", expected)
    return float(value[0]), float(value[1])


def _colours(t: TomlTable) -> tuple[tuple[float, float, float], ...]:
    expected = Message("two or more colours [L*, a*, b*], L* from 0 to 100")
    value = t.data.get("colours", [])
    if not isinstance(value, list) or len(value) == 1:
        raise t.wrong("colours", expected)
    for lab in value:
        if not isinstance(lab, list) or len(lab) != 3 or not all(map(is_number, lab)) or not 0 <= lab[0] <= 100:
            raise t.wrong("colours", expected)
    return tuple((float(lab[0]), float(lab[1]), float(lab[2])) for lab in value)


def _parse_handle(top: TomlTable, *, last_pad_mm: float) -> float | None:
    if "handle" not in top.data:
        return None
    t = top.table("handle", Message("a table [handle] with from_mm"))
    start = t.number("from_mm")
    if start < last_pad_mm - _ROUNDING_MM or start > top.number("length_mm"):
        raise t.wrong(
            "from_mm",
            Message(
                "a place behind the last pad's end at %(last_pad_mm)s mm and on the strip",
                last_pad_mm=Number(last_pad_mm, "g"),
            ),
        )
    return start


def _parse_dip(top: TomlTable) -> Dip:
    t = top.table("dip", Message("a table [dip] with seconds, motion, read_from_s, read_until_s"))
    motion = t.data.get("motion")
    if motion not in _MOTIONS:
        raise t.wrong("motion", Message("still or swirl"))
    start, end = t.number("read_from_s"), t.number("read_until_s")
    if start < 0 or end <= start:
        raise t.wrong("read_until_s", Message("a time after read_from_s = %(start)s", start=Number(start, "g")))
    return Dip(seconds=t.positive("seconds"), motion=motion, read_from_s=start, read_until_s=end)
