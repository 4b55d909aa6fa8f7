"""Dilution series files: which photo shows which known concentration."""

import csv
import math
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from stripread.errors import SeriesError

__all__ = ["SeriesRow", "load_series"]


@dataclass(frozen=True, slots=True, kw_only=True)
class SeriesRow:
    """One photo of one strip of the series.

    ``pad`` is None where the row holds for the strip's only pad; ``replicate`` names the strip, so two photos of one
    strip share it; ``beyond`` marks a calibrator above the range, where the pad bleaches or turns back;
    ``flash`` is a second photo of the strip, with the phone's flash.
    """

    photo: Path
    concentration: float
    u_concentration: float
    replicate: str
    pad: str | None
    beyond: bool
    condition: str | None = None
    flash: Path | None = None


def load_series(path: Path, *, photos_needed: bool = True) -> tuple[SeriesRow, ...]:
    """Read a series: CSV with ``photo, concentration, u_concentration, replicate``.

    Optional columns are ``pad``, ``beyond`` (yes or no), ``condition``. Photos are found from the series' own folder;
    unless ``photos_needed``, they may be missing.

    Raises
    ------
    SeriesError
        If the file, a column, a number or a photo is missing or wrong; names the line.
    """
    try:
        text = path.read_text(encoding="utf-8-sig")
    except (OSError, UnicodeDecodeError) as error:
        raise SeriesError(
            expected="a dilution series in CSV", found=f"{path}: {error}", remedy="Check the name of the file."
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
            expected="columns photo, concentration, u_concentration, replicate (and pad, beyond where needed)",
            found=f"{path} without {', '.join(missing)}",
            remedy="Add the columns; u_concentration is the standard uncertainty of the dilution.",
        )
    rows = []
    for line in reader:
        where = f"line {reader.line_num} of {path}"
        rows.append(_row(line, where, path.parent, photos_needed=photos_needed))
    if not rows:
        raise SeriesError(expected="at least one row", found=f"none in {path}", remedy="Add the photos of the series.")
    return tuple(rows)


def _row(line: dict[str, str | None], where: str, folder: Path, *, photos_needed: bool) -> SeriesRow:
    def cell(name: str) -> str:
        return (line.get(name) or "").strip()

    def number(name: str, accept: Callable[[float], bool], expected: str) -> float:
        try:
            value = float(cell(name))
        except ValueError:
            value = math.nan
        if not (math.isfinite(value) and accept(value)):
            raise SeriesError(
                expected=f"{expected} for {name} in {where}", found=repr(cell(name)), remedy="Correct it."
            )
        return value

    if not cell("photo"):
        raise SeriesError(expected=f"a photo in {where}", found="none", remedy="Name the photo's file.")
    photo = folder / cell("photo")
    if photos_needed and not photo.is_file():
        raise SeriesError(
            expected=f"the photo of {where}", found=f"no file {photo}", remedy="Names count from the series' folder."
        )
    flash = folder / cell("flash") if cell("flash") else None
    if flash is not None and not flash.is_file():
        raise SeriesError(
            expected=f"the photo with the flash of {where}",
            found=f"no file {flash}",
            remedy="Names count from the series' folder.",
        )
    beyond = cell("beyond").lower()
    if beyond not in ("", "yes", "no", "true", "false", "1", "0"):
        raise SeriesError(expected=f"yes or no for beyond in {where}", found=repr(beyond), remedy="Correct it.")
    return SeriesRow(
        photo=photo,
        concentration=number("concentration", lambda v: v >= 0, "a concentration of 0 or more"),
        u_concentration=number("u_concentration", lambda v: v >= 0, "a standard uncertainty of 0 or more"),
        replicate=cell("replicate") or "1",
        pad=cell("pad") or None,
        beyond=beyond in ("yes", "true", "1"),
        condition=cell("condition") or None,
        flash=flash,
    )
