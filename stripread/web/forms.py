"""What people send in forms and addresses: limited, checked, and turned into what functions take."""

import re
from collections.abc import Collection, Mapping
from datetime import date, datetime, timedelta
from typing import Any

from starlette.datastructures import UploadFile
from starlette.exceptions import HTTPException

from stripread.errors import QuantityError, WrongUsageError
from stripread.i18n import Message, Number, Shown, Verbatim
from stripread.units import parse_day, parse_moment, parse_number, parse_period

__all__ = ["calendar_day", "chosen", "day", "moment", "needed", "number", "numbers", "sent_file", "text", "whole"]

_CONTROL = re.compile(r"[\x00-\x08\x0b-\x1f\x7f\ud800-\udfff]")
_YEARS = (2000, 2100)
_CLOCKS = timedelta(minutes=5)  # phone and server may differ by so much


def text(fields: Mapping[str, Any], name: str, *, most: int = 200) -> str:
    """Return a field without the blanks around it, empty where there is none."""
    said = fields.get(name, "")
    words = said.replace("\r\n", "\n").strip() if isinstance(said, str) else ""
    if len(words) > most:
        raise WrongUsageError(
            expected=Message("at most %(most)s signs", most=most),
            found=Number(len(words)),
            remedy=Message("Make it shorter."),
        )
    if _CONTROL.search(words):
        raise WrongUsageError(
            expected=Message("plain text"), found=Message("control characters"), remedy=Message("Type it again.")
        )
    return words


def needed(fields: Mapping[str, Any], name: str, what: Shown, *, most: int = 200) -> str:
    """Return a field that may not be empty; ``what`` it is, for the error."""
    words = text(fields, name, most=most)
    if not words:
        raise WrongUsageError(expected=what, found=Message("nothing"), remedy=Message("Fill this in."))
    return words


def chosen(fields: Mapping[str, Any], name: str, known: Collection[str], what: Shown) -> str | None:
    """Return a field that is one of the known names; None where it is empty."""
    words = text(fields, name)
    if words and words not in known:
        raise WrongUsageError(expected=what, found=Verbatim(repr(words)), remedy=Message("Choose one of the list."))
    return words or None


def whole(fields: Mapping[str, Any], name: str, *, most: int) -> int | None:
    """Return a whole number from 1 to ``most``; None where the field is empty."""
    words = text(fields, name)
    if not words:
        return None
    number = int(words) if words.isascii() and words.isdigit() and len(words) < 12 else 0
    if not 1 <= number <= most:
        raise WrongUsageError(
            expected=Message("a number from 1 to %(most)s", most=most),
            found=Verbatim(repr(words)),
            remedy=Message("Correct it."),
        )
    return number


def day(fields: Mapping[str, Any], name: str, *, end: bool = False) -> datetime | None:
    """Return the beginning of a day or month on the server's clock, or its end; None where the field is empty."""
    words = text(fields, name)
    if not words:
        return None
    first, after = parse_period(words, now=datetime.now().astimezone())
    return after if end else first


def moment(fields: Mapping[str, Any], name: str, *, now: datetime) -> datetime:
    """Return a time until now, meant on the server's clock where it has no zone; ``now`` where the field is empty."""
    words = text(fields, name)
    if not words:
        return now
    return parse_moment(words, now=now).at


def number(
    fields: Mapping[str, Any], name: str, what: Shown, *, low: float, high: float, default: float | None = None
) -> float:
    """Return a number from ``low`` to ``high``; a comma is a decimal sign, too.

    Raises
    ------
    QuantityError
        For anything else; also where the field is empty and there is no default.
    """
    words = text(fields, name, most=40)
    if not words and default is not None:
        return default
    return parse_number(words, name=what, low=low, high=high)


def numbers(fields: Mapping[str, Any], name: str, what: Shown, *, low: float, high: float, most: int) -> list[float]:
    """Return numbers that stand with blanks or semicolons between them; none where the field is empty."""
    words = [word for word in re.split(r"[\s;]+", text(fields, name, most=300)) if word]
    found = [one for word in words if (one := _number(word, low=low, high=high)) is not None]
    if len(found) < len(words) or len(words) > most:
        raise WrongUsageError(
            expected=Message(
                "%(what)s: at most %(most)s numbers from %(low)s to %(high)s with blanks between them",
                what=what,
                most=most,
                low=Number(low, "g"),
                high=Number(high, "g"),
            ),
            found=Verbatim(repr(" ".join(words)[:80])),
            remedy=Message("Correct them."),
        )
    return found


def _number(words: str, *, low: float, high: float) -> float | None:
    try:
        return parse_number(words, name=Verbatim(""), low=low, high=high)
    except QuantityError:
        return None


def calendar_day(fields: Mapping[str, Any], name: str, what: Shown) -> date:
    """Return a day from 2000 to 2099, YYYY-MM-DD."""
    words = text(fields, name, most=10)
    return parse_day(words, name=what)


def sent_file(fields: Mapping[str, Any], name: str, what: Shown, *, most: int) -> bytes:
    """Return the bytes of a file that was sent, read from the disk; its name on the phone counts for nothing.

    Raises
    ------
    WrongUsageError
        If there is none, or it is empty.
    HTTPException
        413 where it is larger than ``most`` bytes.
    """
    sent = fields.get(name)
    data = sent.file.read() if isinstance(sent, UploadFile) else b""
    if not data:
        raise WrongUsageError(expected=what, found=Message("none"), remedy=Message("Choose it, then send it."))
    if len(data) > most:
        raise HTTPException(413)
    return data
