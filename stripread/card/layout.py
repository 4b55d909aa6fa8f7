"""Card layout files: where the markers, the patches and the slot of a printed card lie, and the colours of its patches.

Any chart described this way is a card. The keys are those of ``docs/reference/file-formats.md``.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

import numpy as np
import tomli_w

from stripread.card.spectra import spectra_disagreement, unusable_wavelengths
from stripread.colour import LARGEST_DISAGREEMENT
from stripread.errors import CardFileError
from stripread.files import TomlTable, read_toml, write_file
from stripread.geometry import Float, Rect
from stripread.i18n import Message

__all__ = ["CardLayout", "Enrolment", "Marker", "Patch", "Role", "card_text", "load_card", "parse_card", "save_card"]

Role = Literal["white", "grey", "colour"]
_ROLES: tuple[Role, ...] = ("white", "grey", "colour")


@dataclass(frozen=True, slots=True, kw_only=True)
class Marker:
    """A fiducial marker.

    ``corners_mm`` has shape (4, 2), in the order in which OpenCV returns them for the upright marker: top left, top
    right, bottom right, bottom left.
    """

    id: int
    corners_mm: Float


@dataclass(frozen=True, slots=True, kw_only=True)
class Patch:
    """A patch of one colour: ``lab`` is its reference CIELAB (D50, 2 degree observer).

    ``spectrum`` is its reflectance at the card's ``wavelengths_nm``, empty where it was not measured.
    """

    id: str
    rect: Rect
    role: Role
    lab: tuple[float, float, float]
    spectrum: tuple[float, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Enrolment:
    """Where the patch colours of a print were measured.

    ``u_lab`` is the standard uncertainty of each measured CIELAB coordinate.
    """

    source: str
    source_sha256: str
    measured_on: str
    u_lab: float


@dataclass(frozen=True, slots=True, kw_only=True)
class CardLayout:
    """A card: its size, markers and patches, the slot where the strip lies, the room for the vial.

    ``tip_mark_mm`` is where the card marks the end of the slot at which the dipped tip is to lie.
    """

    name: str
    width_mm: float
    height_mm: float
    dictionary: str
    markers: tuple[Marker, ...]
    patches: tuple[Patch, ...]
    slot: Rect | None = None
    tip_mark_mm: tuple[float, float] | None = None
    vial: Rect | None = None
    enrolment: Enrolment | None = None
    wavelengths_nm: tuple[float, ...] = ()  # of the patches' spectra

    @property
    def patch_lab(self) -> Float:
        """Reference CIELAB of all patches, shape (n, 3)."""
        return np.array([p.lab for p in self.patches])

    @property
    def patch_spectra(self) -> Float | None:
        """Reflectances of all patches, shape (n, wavelengths); None where they were not measured."""
        return np.array([p.spectrum for p in self.patches]) if self.wavelengths_nm else None

    @property
    def corners_mm(self) -> Float:
        """The card's outline: top left, top right, bottom right, bottom left; shape (4, 2)."""
        return Rect(0, 0, self.width_mm, self.height_mm).corners


def load_card(path: Path) -> CardLayout:
    """Read a card layout file.

    Raises
    ------
    CardFileError
        If the file is missing, is not TOML, or a field is missing or wrong (the error names it).
    """
    try:
        data = read_toml(path, what=Message("a card layout file"), error=CardFileError)
    except FileNotFoundError:
        raise CardFileError(
            expected=Message("a card layout file"),
            found=Message("no file %(path)s", path=path),
            remedy=Message("Check the name, or make one."),
        ) from None
    return parse_card(data, where=str(path))


def _with_rect(key: str) -> Message:
    return Message("a table [%(key)s] with rect_mm", key=key)


def parse_card(data: Mapping[str, Any], *, where: str) -> CardLayout:
    """Build a card from the parsed TOML; ``where`` names the source in errors (`CardFileError`)."""
    top = TomlTable(data, where, CardFileError)
    wavelengths = _wavelengths(top)
    slot = top.table("slot", _with_rect("slot")) if "slot" in data else None
    vial = top.table("vial", _with_rect("vial")) if "vial" in data else None
    card = CardLayout(
        name=top.text("name"),
        width_mm=top.positive("width_mm"),
        height_mm=top.positive("height_mm"),
        dictionary=top.text("dictionary"),
        markers=_markers(top),
        patches=_patches(top, wavelengths),
        slot=None if slot is None else _rect(slot),
        tip_mark_mm=slot.pair("tip_mark_mm", Message("a place [x, y]"))
        if slot and "tip_mark_mm" in slot.data
        else None,
        vial=None if vial is None else _rect(vial),
        enrolment=_enrolment(top) if "enrolment" in data else None,
        wavelengths_nm=wavelengths,
    )
    if (spectra := card.patch_spectra) is not None:
        apart = spectra_disagreement(card.patch_lab, wavelengths, spectra)
        if apart > LARGEST_DISAGREEMENT:
            raise top.wrong(
                "patch.spectrum", Message("the colours of patch.lab"), f"{apart:.1f} CIEDE2000 off on average"
            )
    return card


def _wavelengths(top: TomlTable) -> tuple[float, ...]:
    given = top.data.get("wavelengths_nm")
    if given is None:
        return ()
    wavelengths = tuple(top.numbers("wavelengths_nm", (len(given) if isinstance(given, list) else 1,)).tolist())
    if reason := unusable_wavelengths(wavelengths):
        raise top.wrong("wavelengths_nm", Message("rising from 400 or less to 700 or more in steps up to 20"), reason)
    return wavelengths


def _markers(top: TomlTable) -> tuple[Marker, ...]:
    markers = []
    for table in top.tables("marker", least=3):
        marker_id = table.data.get("id")
        if isinstance(marker_id, bool) or not isinstance(marker_id, int) or marker_id < 0:
            raise table.wrong("id", Message("a whole number"))
        markers.append(Marker(id=marker_id, corners_mm=table.numbers("corners_mm", (4, 2))))
    if len({m.id for m in markers}) != len(markers):
        raise top.wrong("marker.id", Message("a different id for each marker"), sorted(m.id for m in markers))
    return tuple(markers)


def _patches(top: TomlTable, wavelengths: tuple[float, ...]) -> tuple[Patch, ...]:
    patches = []
    for table in top.tables("patch", least=6):
        role = table.data.get("role")
        if role not in _ROLES:
            raise table.wrong("role", Message("white, grey or colour"))
        lightness, a, b = table.numbers("lab", (3,)).tolist()
        spectrum = _spectrum(table, wavelengths)
        patches.append(
            Patch(id=table.text("id"), rect=_rect(table), role=role, lab=(lightness, a, b), spectrum=spectrum)
        )
    ids = [p.id for p in patches]
    if len(set(ids)) != len(ids):
        raise top.wrong(
            "patch.id", Message("a different id for each patch"), sorted({i for i in ids if ids.count(i) > 1})
        )
    return tuple(patches)


def _rect(table: TomlTable) -> Rect:
    x, y, width, height = table.numbers("rect_mm", (4,)).tolist()
    if width <= 0 or height <= 0:
        raise table.wrong("rect_mm", Message("a rectangle x, y, width, height with positive sides"))
    return Rect(x, y, width, height)


def _spectrum(table: TomlTable, wavelengths: tuple[float, ...]) -> tuple[float, ...]:
    if "spectrum" not in table.data and not wavelengths:
        return ()
    array = table.numbers("spectrum", (len(wavelengths),))
    if not wavelengths or array.min() < -0.02 or array.max() > 2:
        raise table.wrong("spectrum", Message("reflectances of 0 to 1 at the card's wavelengths_nm"))
    return tuple(array.tolist())


def _enrolment(top: TomlTable) -> Enrolment:
    table = top.table("enrolment", Message("a table [enrolment]"))
    return Enrolment(
        source=table.text("source"),
        source_sha256=table.text("source_sha256"),
        measured_on=table.text("measured_on"),
        u_lab=table.number("u_lab"),
    )


def save_card(card: CardLayout, path: Path) -> None:
    """Write a card layout file that `load_card` reads back as the same card."""
    write_file(path, card_text(card))


def card_text(card: CardLayout) -> str:
    """Return a card layout file: the one spelling that the program writes."""

    def rect(r: Rect) -> list[float]:
        return [r.x, r.y, r.width, r.height]

    data: dict[str, Any] = {
        "name": card.name,
        "width_mm": card.width_mm,
        "height_mm": card.height_mm,
        "dictionary": card.dictionary,
    }
    if card.slot is not None:
        data["slot"] = {"rect_mm": rect(card.slot)}
        if card.tip_mark_mm is not None:
            data["slot"]["tip_mark_mm"] = list(card.tip_mark_mm)
    if card.vial is not None:
        data["vial"] = {"rect_mm": rect(card.vial)}
    if card.enrolment is not None:
        e = card.enrolment
        data["enrolment"] = {
            "source": e.source,
            "source_sha256": e.source_sha256,
            "measured_on": e.measured_on,
            "u_lab": e.u_lab,
        }
    data["marker"] = [{"id": m.id, "corners_mm": m.corners_mm.tolist()} for m in card.markers]
    data["patch"] = [{"id": p.id, "rect_mm": rect(p.rect), "role": p.role, "lab": list(p.lab)} for p in card.patches]
    if card.wavelengths_nm:
        data["wavelengths_nm"] = list(card.wavelengths_nm)
    head, *tables = tomli_w.dumps(data).split("[[patch]]\n")
    # A spectrum on one line; the writer would give each number a line of its own.
    spectra = [f"spectrum = {list(p.spectrum)}\n" if p.spectrum else "" for p in card.patches]
    patches = [f"[[patch]]\n{table.rstrip()}\n{line}" for table, line in zip(tables, spectra, strict=True)]
    return head + "\n".join(patches)
