"""Dilution series files: which photo shows which known concentration."""

import math
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from stripread.errors import SeriesError
from stripread.files import CsvTable, read_csv
from stripread.i18n import Message, Shown, Verbatim, is_one_line

__all__ = ["SeriesRow", "load_series"]

_NUMBERS = ("concentration", "u_concentration", "u_stock")
_MOST = 1e9  # ours: more of anything is no solution
_NEEDED = ("photo", "concentration", "u_concentration", "replicate")


@dataclass(frozen=True, slots=True, kw_only=True)
class SeriesRow:
    """One photo of one strip of the series.

    ``pad`` is None where the row holds for the strip's only pad; ``replicate`` names the strip, so two photos of one
    strip share it; ``beyond`` marks a calibrator above the range, where the pad bleaches or turns back;
    ``flash`` is a second photo of the strip, with the phone's flash. ``u_concentration`` is the level's own standard
    uncertainty; ``u_stock`` the relative one of the solution that all levels were diluted from.
    """

    photo: Path
    concentration: float
    u_concentration: float
    replicate: str
    pad: str | None
    beyond: bool
    condition: str | None = None
    flash: Path | None = None
    u_stock: float = 0.0


def load_series(path: Path, *, photos_needed: bool = True) -> tuple[SeriesRow, ...]:
    """Read a series: CSV with ``photo, concentration, u_concentration, replicate``.

    Cells are parted by commas, semicolons or tabs; in the latter two a decimal comma is understood.

    Optional columns are ``pad``, ``beyond`` (yes or no), ``condition``, ``flash``, ``u_stock``. Photos are found from
    the series' own folder; unless ``photos_needed``, they may be missing.

    Raises
    ------
    SeriesError
        If the file, a column, a number or a photo is missing or wrong; names the line.
    """
    try:
        table = read_csv(path.read_bytes())
    except (OSError, ValueError) as error:
        raise SeriesError(
            expected=Message("a dilution series in CSV"),
            found=Message("%(path)s: %(error)s", path=path, error=error),
            remedy=Message("Check the name of the file, and the line."),
        ) from None
    missing = [name for name in _NEEDED if name not in table.columns]
    if missing:
        raise SeriesError(
            expected=Message("columns photo, concentration, u_concentration, replicate (and pad, beyond where needed)"),
            found=Message("%(path)s without %(missing)s", path=path, missing=", ".join(missing)),
            remedy=Message("Add the columns; u_concentration is the standard uncertainty of the dilution."),
        )
    _check_decimal_signs(table, path)
    rows: list[SeriesRow] = []
    first: dict[tuple[Path, str | None], int] = {}
    for number, line in table.rows:
        where = f"line {number} of {path}"
        row = _row(line, where, path.parent, photos_needed=photos_needed, decimal_comma=table.decimal_comma)
        before = first.setdefault((row.photo, row.pad), number)
        if before != number:
            raise SeriesError(
                expected=Message("each photo once for each pad in %(path)s", path=path),
                found=Message("%(photo)s in line %(first)s and again in line %(second)s", photo=row.photo.name,
                              first=before, second=number),
                remedy=Message("Take one of them out, or name the other photo there."),
            )  # fmt: skip
        rows.append(row)
    if not rows:
        raise SeriesError(
            expected=Message("at least one row"),
            found=Message("none in %(path)s", path=path),
            remedy=Message("Add the photos of the series."),
        )
    return tuple(rows)


def _check_decimal_signs(table: CsvTable, path: Path) -> None:
    """Refuse decimal commas and decimal points in one file: one of them may part thousands."""
    first: dict[str, tuple[int, str]] = {}
    for number, line in table.rows:
        for name in _NUMBERS:
            for sign in ".,":
                if sign in line.get(name, ""):
                    first.setdefault(sign, (number, line[name]))
    if table.decimal_comma and len(first) == 2:
        (one, earlier), (other, later) = sorted(first.values())
        raise SeriesError(
            expected=Message("one decimal sign in %(path)s, as %(earlier)s in line %(one)s has", path=path,
                             earlier=repr(earlier), one=one),
            found=Message("%(later)s in line %(other)s", later=repr(later), other=other),
            remedy=Message("Write all numbers with decimal points, or all with decimal commas."),
        )  # fmt: skip


def _row(line: dict[str, str], where: str, folder: Path, *, photos_needed: bool, decimal_comma: bool) -> SeriesRow:
    def cell(name: str) -> str:
        text = line.get(name, "")
        if not is_one_line(text):
            raise SeriesError(
                expected=Message("signs that can be printed for %(name)s in %(where)s", name=name, where=where),
                found=Verbatim(repr(text[:200])),
                remedy=Message("Correct it."),
            )
        return text

    def number(name: str, accept: Callable[[float], bool], expected: Shown) -> float:
        try:
            value = float(cell(name).replace(",", ".") if decimal_comma else cell(name))
        except ValueError:
            value = math.nan
        if not (abs(value) <= _MOST and accept(value)):
            raise SeriesError(
                expected=Message("%(expected)s for %(name)s in %(where)s", expected=expected, name=name, where=where),
                found=Verbatim(repr(cell(name))),
                remedy=Message("Correct it."),
            )
        return value

    if not cell("photo"):
        raise SeriesError(
            expected=Message("a photo in %(where)s", where=where),
            found=Message("none"),
            remedy=Message("Name the photo's file."),
        )
    photo = folder / cell("photo")
    if photos_needed and not photo.is_file():
        raise SeriesError(
            expected=Message("the photo of %(where)s", where=where),
            found=Message("no file %(photo)s", photo=photo),
            remedy=Message("Names count from the series' folder."),
        )
    flash = folder / cell("flash") if cell("flash") else None
    if flash is not None and not flash.is_file():
        raise SeriesError(
            expected=Message("the photo with the flash of %(where)s", where=where),
            found=Message("no file %(flash)s", flash=flash),
            remedy=Message("Names count from the series' folder."),
        )
    beyond = cell("beyond").lower()
    if beyond not in ("", "yes", "no", "true", "false", "1", "0"):
        raise SeriesError(
            expected=Message("yes or no for beyond in %(where)s", where=where),
            found=Verbatim(repr(beyond)),
            remedy=Message("Correct it."),
        )
    return SeriesRow(
        photo=photo,
        concentration=number("concentration", lambda v: v >= 0, Message("a concentration of 0 or more")),
        u_concentration=number("u_concentration", lambda v: v >= 0, Message("a standard uncertainty of 0 or more")),
        replicate=cell("replicate") or "1",
        pad=cell("pad") or None,
        beyond=beyond in ("yes", "true", "1"),
        condition=cell("condition") or None,
        flash=flash,
        u_stock=number("u_stock", lambda v: 0 <= v < 1, Message("a relative standard uncertainty, as 0.02"))
        if cell("u_stock")
        else 0.0,
    )
