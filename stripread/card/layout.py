"""Card layout files: where the markers, the patches and the slot of a printed card lie, and the colours of its patches.

Any chart described this way is a card. The keys are those of ``docs/reference/file-formats.md``.
"""

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

import numpy as np
import tomli_w

from stripread.card.spectra import spectra_disagreement, unusable_wavelengths
from stripread.colour.spectra import LARGEST_DISAGREEMENT
from stripread.errors import CardFileError
from stripread.geometry import Float, Rect
from stripread.i18n import Message, Shown, Verbatim

__all__ = ["CardLayout", "Enrolment", "Marker", "Patch", "Role", "load_card", "parse_card", "save_card"]

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
        data = tomllib.loads(path.read_text(encoding="utf-8"))
    except FileNotFoundError:
        raise CardFileError(
            expected=Message("a card layout file"),
            found=Message("no file %(path)s", path=path),
            remedy=Message("Check the name, or make one."),
        ) from None
    except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError) as error:
        raise CardFileError(
            expected=Message("a card layout file in TOML at %(path)s", path=path),
            found=Verbatim(str(error)),
            remedy=Message("Mend or replace the file."),
        ) from error
    return parse_card(data, where=str(path))


def parse_card(data: Mapping[str, Any], *, where: str) -> CardLayout:
    """Build a card from the parsed TOML; ``where`` names the source in errors (`CardFileError`)."""

    def wrong(field: str, expected: Shown, found: object) -> CardFileError:
        return CardFileError(
            expected=Message(
                "%(expected)s for %(field)s in %(where)s", expected=expected, field=repr(field), where=where
            ),
            found=Verbatim(repr(found)),
            remedy=Message("Correct this field."),
        )

    def number(table: Mapping[str, Any], key: str, field: str) -> float:
        value = table.get(key)
        if isinstance(value, bool) or not isinstance(value, int | float) or not np.isfinite(value):
            raise wrong(field, Message("a number"), value)
        return float(value)

    def text(table: Mapping[str, Any], key: str, field: str) -> str:
        value = table.get(key)
        if not isinstance(value, str) or not value:
            raise wrong(field, Message("a text"), value)
        return value

    def numbers(value: object, shape: tuple[int, ...], field: str) -> Float:
        try:
            array = np.array(value, dtype=np.float64)
        except (TypeError, ValueError):
            array = np.empty(0)
        if array.shape != shape or not np.isfinite(array).all():
            raise wrong(field, Message("numbers of shape %(shape)s", shape=shape), value)
        return array

    def rect(value: object, field: str) -> Rect:
        x, y, w, h = numbers(value, (4,), field)
        if w <= 0 or h <= 0:
            raise wrong(field, Message("a rectangle x, y, width, height with positive sides"), value)
        return Rect(float(x), float(y), float(w), float(h))

    def tables(key: str, least: int) -> list[Mapping[str, Any]]:
        value = data.get(key)
        if not isinstance(value, list) or len(value) < least or not all(isinstance(v, Mapping) for v in value):
            raise wrong(
                key,
                Message("at least %(least)s tables [[%(key)s]]", least=least, key=key),
                value if not isinstance(value, list) else len(value),
            )
        return value

    def spectrum(value: object, field: str) -> tuple[float, ...]:
        if value is None and not wavelengths:
            return ()
        array = numbers(value, (len(wavelengths),), field)
        if not wavelengths or array.min() < -0.02 or array.max() > 2:
            raise wrong(field, Message("reflectances of 0 to 1 at the card's wavelengths_nm"), value)
        return tuple(array.tolist())

    wavelengths: tuple[float, ...] = ()
    if (given := data.get("wavelengths_nm")) is not None:
        wavelengths = tuple(numbers(given, (len(given) if isinstance(given, list) else 1,), "wavelengths_nm").tolist())
        if reason := unusable_wavelengths(wavelengths):
            raise wrong("wavelengths_nm", Message("rising from 400 or less to 700 or more in steps up to 20"), reason)
    width, height = number(data, "width_mm", "width_mm"), number(data, "height_mm", "height_mm")
    if width <= 0 or height <= 0:
        raise wrong("width_mm, height_mm", Message("positive lengths"), (width, height))
    markers = []
    for i, table in enumerate(tables("marker", 3)):
        marker_id = table.get("id")
        if isinstance(marker_id, bool) or not isinstance(marker_id, int) or marker_id < 0:
            raise wrong(f"marker[{i}].id", Message("a whole number"), marker_id)
        corners = numbers(table.get("corners_mm"), (4, 2), f"marker[{i}].corners_mm")
        markers.append(Marker(id=marker_id, corners_mm=corners))
    if len({m.id for m in markers}) != len(markers):
        raise wrong("marker.id", Message("a different id for each marker"), sorted(m.id for m in markers))
    patches = []
    for i, table in enumerate(tables("patch", 6)):
        role = table.get("role")
        if role not in _ROLES:
            raise wrong(f"patch[{i}].role", Message("white, grey or colour"), role)
        lab = numbers(table.get("lab"), (3,), f"patch[{i}].lab")
        patches.append(
            Patch(
                id=text(table, "id", f"patch[{i}].id"),
                rect=rect(table.get("rect_mm"), f"patch[{i}].rect_mm"),
                role=role,
                lab=(float(lab[0]), float(lab[1]), float(lab[2])),
                spectrum=spectrum(table.get("spectrum"), f"patch[{i}].spectrum"),
            )
        )
    ids = [p.id for p in patches]
    if len(set(ids)) != len(ids):
        raise wrong("patch.id", Message("a different id for each patch"), sorted({i for i in ids if ids.count(i) > 1}))

    def optional_rect(key: str) -> Rect | None:
        table = data.get(key)
        if table is None:
            return None
        if not isinstance(table, Mapping):
            raise wrong(key, Message("a table [%(key)s] with rect_mm", key=key), table)
        return rect(table.get("rect_mm"), f"{key}.rect_mm")

    def tip_mark() -> tuple[float, float] | None:
        value = data.get("slot", {}).get("tip_mark_mm")
        if value is None:
            return None
        place = {str(i): v for i, v in enumerate(value)} if isinstance(value, list) else {}
        if len(place) != 2:
            raise wrong("slot.tip_mark_mm", Message("a place [x, y]"), value)
        return number(place, "0", "slot.tip_mark_mm"), number(place, "1", "slot.tip_mark_mm")

    enrolment = None
    if (given := data.get("enrolment")) is not None:
        if not isinstance(given, Mapping):
            raise wrong("enrolment", Message("a table [enrolment]"), given)
        table = given
        enrolment = Enrolment(
            source=text(table, "source", "enrolment.source"),
            source_sha256=text(table, "source_sha256", "enrolment.source_sha256"),
            measured_on=text(table, "measured_on", "enrolment.measured_on"),
            u_lab=number(table, "u_lab", "enrolment.u_lab"),
        )
    card = CardLayout(
        name=text(data, "name", "name"),
        width_mm=width,
        height_mm=height,
        dictionary=text(data, "dictionary", "dictionary"),
        markers=tuple(markers),
        patches=tuple(patches),
        slot=optional_rect("slot"),
        tip_mark_mm=tip_mark(),
        vial=optional_rect("vial"),
        enrolment=enrolment,
        wavelengths_nm=wavelengths,
    )
    if (spectra := card.patch_spectra) is not None:
        apart = spectra_disagreement(card.patch_lab, wavelengths, spectra)
        if apart > LARGEST_DISAGREEMENT:
            raise wrong("patch.spectrum", Message("the colours of patch.lab"), f"{apart:.1f} CIEDE2000 off on average")
    return card


def save_card(card: CardLayout, path: Path) -> None:
    """Write a card layout file that `load_card` reads back as the same card."""

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
    path.write_text(head + "\n".join(patches), encoding="utf-8")
