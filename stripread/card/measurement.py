"""Tables of measured patch colours, whichever file they come from, and the leniency with text that they share."""

import math
import re
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from stripread.errors import MeasurementFileError
from stripread.geometry import Float
from stripread.i18n import Message, Shown, Verbatim

__all__ = ["MeasurementTable", "parse_numbers", "read_measurement_bytes"]

_MAX_BYTES = 10_000_000  # chosen: spectra of 10 000 patches take about half of it
_NUMBER = re.compile(r"[-+]?(\d+([.,]\d*)?|[.,]\d+)([eE][-+]?\d+)?")


@dataclass(frozen=True, slots=True, kw_only=True)
class MeasurementTable:
    """Measured colours, a row each.

    ``labels`` holds the columns that may name the patch, the preferred one first, each with n texts; ``lab`` is CIELAB
    (D50, 2 degree observer) of shape (n, 3); ``lines`` are the line numbers in the file. ``spectra`` of shape (n, k) at
    ``wavelengths_nm`` are there if the file has them.
    """

    labels: tuple[tuple[str, ...], ...]
    lab: Float
    lines: tuple[int, ...]
    wavelengths_nm: tuple[float, ...] = ()
    spectra: Float | None = None


def read_measurement_bytes(path: Path) -> bytes:
    """Return the bytes of a file of measured colours.

    Raises
    ------
    MeasurementFileError
        If the file is missing, cannot be read, or is too large to be one.
    """
    try:
        size = path.stat().st_size
        if size > _MAX_BYTES:
            raise MeasurementFileError(
                expected=Message("a file of measured colours of at most %(most)s bytes", most=_MAX_BYTES),
                found=Message("%(size)s bytes in %(path)s", size=size, path=path),
                remedy=Message("Export the measured colours as CSV or CGATS text."),
            )
        return path.read_bytes()
    except OSError as error:
        raise MeasurementFileError(
            expected=Message("a file of measured colours"),
            found=Message("%(path)s: %(strerror)s", path=path, strerror=error.strerror),
            remedy=Message("Check the name."),
        ) from error


def parse_numbers(texts: Sequence[str], places: Sequence[Shown], *, where: str) -> list[float]:
    """Return numbers, with a decimal comma if no number of them has a decimal point.

    Parameters
    ----------
    texts : sequence of str
        The numbers as written.
    places : sequence of Shown
        For each of them its line and field, for errors.
    where : str
        The file, for errors.

    Raises
    ------
    MeasurementFileError
        If one is no finite number, or both commas and points occur.
    """
    first: dict[str, tuple[str, Shown]] = {}  # decimal sign: the first number with it and its place
    result = []
    for text, place in zip(texts, places, strict=True):
        number = float(text.replace(",", ".")) if _NUMBER.fullmatch(text) else math.nan
        if not math.isfinite(number):
            raise MeasurementFileError(
                expected=Message("a number in %(where)s, %(place)s", where=where, place=place),
                found=Verbatim(repr(text)),
                remedy=Message("Correct it or export anew."),
            )
        for sign in ".,":
            if sign in text:
                first.setdefault(sign, (text, place))
        result.append(number)
    if len(first) == 2:
        (earlier, earlier_place), (later, later_place) = first.values()
        raise MeasurementFileError(
            expected=Message(
                "one decimal sign, as %(earlier)s in %(earlier_place)s has, in %(where)s, %(later_place)s",
                earlier=repr(earlier),
                earlier_place=earlier_place,
                where=where,
                later_place=later_place,
            ),
            found=Verbatim(repr(later)),
            remedy=Message("Export with decimal points."),
        )
    return result
