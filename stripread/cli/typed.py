"""Options that are numbers, days or times: read as everywhere (`stripread.units`), not as Typer would."""

from collections.abc import Callable
from datetime import date, datetime
from typing import Annotated

import typer

from stripread.i18n import Message, Verbatim
from stripread.units import Moment, ParsedInputs, parse_day, parse_moment, parse_number, parse_period, parse_seconds

__all__ = [
    "At",
    "From",
    "Until",
    "day_of",
    "dipped",
    "number_of",
    "seconds_of",
    "since_of",
    "typed_moment",
    "until_of",
    "when",
]

_HOUR_S = 3600.0


def number_of(option: str, *, low: float = float("-inf"), high: float = float("inf")) -> Callable[[str], float]:
    """Return what reads an option's number, with a point or comma of decimals or a fraction; a default goes through."""

    def read(text: str) -> float:
        return parse_number(text, name=Verbatim(option), low=low, high=high) if isinstance(text, str) else text

    return read


def day_of(option: str) -> Callable[[str], date]:
    """Return what reads an option's day, which names its year."""

    def read(text: str) -> date:
        return parse_day(text, name=Verbatim(option))

    return read


def typed_moment(text: str) -> Moment:
    """Return when something happened, by the clock of this machine."""
    return parse_moment(text, now=datetime.now().astimezone())


def seconds_of(option: str) -> Callable[[str], float]:
    """Return what reads an option's short time: a bare number is of seconds."""

    def read(text: str) -> float:
        return parse_seconds(text, name=Verbatim(option), high=_HOUR_S) if isinstance(text, str) else text

    return read


def dipped(text: str) -> datetime:
    """Return when a strip was dipped; without a zone as the clock showed it, as photos have it."""
    moment = parse_moment(text, now=datetime.now().astimezone(), to_the_minute=True)
    return moment.at if moment.zoned else moment.at.replace(tzinfo=None)


def since_of(text: str) -> datetime:
    """Return the start of what was typed: a time, a day, a month."""
    return parse_period(text, now=datetime.now().astimezone())[0]


def until_of(text: str) -> datetime:
    """Return the end of what was typed: a day and a month count to their ends."""
    return parse_period(text, now=datetime.now().astimezone())[1]


def when(at: Moment | None, now: datetime, typed: ParsedInputs) -> datetime:
    """Return when something was done, now if nobody said; what had to be assumed is kept among the notes."""
    for remark in () if at is None else at.notes:
        typed.assume(remark, Message("the time"))
    return now if at is None else at.at


At = Annotated[
    Moment | None,
    typer.Option(
        metavar="TIME",
        parser=typed_moment,
        help="When, as '2026-05-31 14:30', '31 May 14:30' or 'yesterday 16:00'. [now]",
    ),
]
From = Annotated[
    datetime | None,
    typer.Option("--from", metavar="TIME", parser=since_of, help="Taken then or later: a time, a day or a month."),
]
Until = Annotated[
    datetime | None,
    typer.Option("--to", metavar="TIME", parser=until_of, help="Taken before; a day or a month counts to its end."),
]
