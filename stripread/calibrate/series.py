"""Dilution series files: which photo shows which known concentration."""

import csv
import math
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from stripread.errors import SeriesError
from stripread.i18n import Message, Shown, Verbatim

__all__ = ["SeriesRow", "load_series"]


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

    Optional columns are ``pad``, ``beyond`` (yes or no), ``condition``, ``flash``, ``u_stock``. Photos are found from
    the series' own folder; unless ``photos_needed``, they may be missing.

    Raises
    ------
    SeriesError
        If the file, a column, a number or a photo is missing or wrong; names the line.
    """
    try:
        text = path.read_text(encoding="utf-8-sig")
    except (OSError, UnicodeDecodeError) as error:
        raise SeriesError(
            expected=Message("a dilution series in CSV"),
            found=Message("%(path)s: %(error)s", path=path, error=error),
            remedy=Message("Check the name of the file."),
        ) from None
    delimiter = (
        ";" if text.splitlines()[:1] and text.splitlines()[0].count(";") > text.splitlines()[0].count(",") else ","
    )
    reader = csv.DictReader(text.splitlines(), delimiter=delimiter, skipinitialspace=True)
    header = [name.strip() for name in reader.fieldnames or []]
    reader.fieldnames = header
    missing = [name for name in ("photo", "concentration", "u_concentration", "replicate") if name not in header]
    if missing:
        raise SeriesError(
            expected=Message("columns photo, concentration, u_concentration, replicate (and pad, beyond where needed)"),
            found=Message("%(path)s without %(missing)s", path=path, missing=", ".join(missing)),
            remedy=Message("Add the columns; u_concentration is the standard uncertainty of the dilution."),
        )
    rows = []
    for line in reader:
        where = f"line {reader.line_num} of {path}"
        rows.append(_row(line, where, path.parent, photos_needed=photos_needed))
    if not rows:
        raise SeriesError(
            expected=Message("at least one row"),
            found=Message("none in %(path)s", path=path),
            remedy=Message("Add the photos of the series."),
        )
    return tuple(rows)


def _row(line: dict[str, str | None], where: str, folder: Path, *, photos_needed: bool) -> SeriesRow:
    def cell(name: str) -> str:
        return (line.get(name) or "").strip()

    def number(name: str, accept: Callable[[float], bool], expected: Shown) -> float:
        try:
            value = float(cell(name))
        except ValueError:
            value = math.nan
        if not (math.isfinite(value) and accept(value)):
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
