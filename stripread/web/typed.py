"""Numbers that people type into forms, and photos that they send with them."""

import math
import re
from collections.abc import Mapping
from datetime import date
from typing import Any

from starlette.datastructures import UploadFile
from starlette.exceptions import HTTPException

from stripread.errors import WrongUsageError
from stripread.web.forms import text

__all__ = ["calendar_day", "number", "numbers", "sent_file"]


def number(
    fields: Mapping[str, Any], name: str, what: str, *, low: float, high: float, default: float | None = None
) -> float:
    """Return a number from ``low`` to ``high``; a comma is a decimal sign, too.

    Raises
    ------
    WrongUsageError
        For anything else; also where the field is empty and there is no default.
    """
    words = text(fields, name, most=40)
    if not words and default is not None:
        return default
    found = _number(words)
    if found is None or not low <= found <= high:
        raise WrongUsageError(
            expected=f"{what}, a number from {low:g} to {high:g}", found=repr(words), remedy="Correct it."
        )
    return found


def numbers(fields: Mapping[str, Any], name: str, what: str, *, low: float, high: float, most: int) -> list[float]:
    """Return numbers that stand with blanks or semicolons between them; none where the field is empty."""
    words = [word for word in re.split(r"[\s;]+", text(fields, name, most=300)) if word]
    found = [one for word in words if (one := _number(word)) is not None and low <= one <= high]
    if len(found) < len(words) or len(words) > most:
        raise WrongUsageError(
            expected=f"{what}: at most {most} numbers from {low:g} to {high:g} with blanks between them",
            found=repr(" ".join(words)[:80]),
            remedy="Correct them.",
        )
    return found


def _number(words: str) -> float | None:
    try:
        found = float(words.replace(",", ".")) if words.isascii() else math.nan
    except ValueError:
        return None
    return found + 0.0 if math.isfinite(found) else None


def calendar_day(fields: Mapping[str, Any], name: str, what: str) -> date:
    """Return a day from 2000 to 2099, YYYY-MM-DD."""
    words = text(fields, name, most=10)
    try:
        found = date.fromisoformat(words)
    except ValueError:
        found = None
    if found is None or not 2000 <= found.year <= 2099:
        raise WrongUsageError(expected=f"{what} as 2027-05-31", found=repr(words), remedy="Correct the date.")
    return found


async def sent_file(fields: Mapping[str, Any], name: str, what: str, *, most: int) -> bytes:
    """Return the bytes of a file that was sent; its name on the phone counts for nothing.

    Raises
    ------
    WrongUsageError
        If there is none, or it is empty.
    HTTPException
        413 where it is larger than ``most`` bytes.
    """
    sent = fields.get(name)
    data = await sent.read() if isinstance(sent, UploadFile) else b""
    if not data:
        raise WrongUsageError(expected=what, found="none", remedy="Choose it, then send it.")
    if len(data) > most:
        raise HTTPException(413)
    return data
