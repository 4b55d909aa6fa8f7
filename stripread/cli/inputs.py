"""Amounts as they are typed into commands, and the way a planning command gives its answer."""

import re
from dataclasses import replace
from datetime import datetime
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from stripread.cli.output import say
from stripread.errors import QuantityError, RecordsError, WrongUsageError
from stripread.i18n import Message, Verbatim
from stripread.units import ParsedInputs

if TYPE_CHECKING:
    from stripread.report import Answer
    from stripread.units import Measured

__all__ = [
    "AnswerUnits",
    "Cover",
    "Json",
    "ParsedInputs",
    "Sachet",
    "Sachets",
    "SiteFolder",
    "Temperature",
    "give",
    "inputs_at",
    "strength_of",
    "timed",
    "wanted_strength",
    "warmth",
]


class _Units(StrEnum):
    metric = "metric"
    us = "us"
    imperial = "imperial"


class Cover(StrEnum):
    """How a tank is covered: tells how fast what is in it may weaken."""

    open = "open"
    covered = "covered"
    sealed = "sealed"


AnswerUnits = Annotated[
    _Units | None,
    typer.Option(metavar="UNITS", help="Volumes of the answer: metric, us or imperial. [those typed first]"),
]
SiteFolder = Annotated[
    Path | None, typer.Option("--site", metavar="DIR", help="Folder with site.toml. [the nearest one upwards]")
]
Sachets = Annotated[int, typer.Option(metavar="N", min=1, help="Number of sachets.")]
Sachet = Annotated[str, typer.Option(metavar="SACHET", help="A sachet file, or the name of a shipped one.")]
Temperature = Annotated[
    str | None,
    typer.Option(metavar="TEMPERATURE", help="Of the water: '5 C' or '41 F'. Without it, that of any season."),
]
Json = Annotated[bool, typer.Option("--json", help="Print one JSON object on one line.")]


def wanted_strength(
    typed: ParsedInputs,
    text: str | None,
    *,
    option: str,
    sample: str,
    site: Path | None,
    analyte: str | None = None,
    positive: bool = True,
) -> float:
    """Return a strength [mg/L] that is wished for: as typed, else what the site aims at in a sample type, and tell so.

    Parameters
    ----------
    analyte : str or None
        What the strength is of, where that was said: the site's target of another analyte is none.

    Raises
    ------
    WrongUsageError
        If neither is there.
    """
    if text is not None:
        return typed.exact(text, "strength", name=Message("--%(option)s", option=option), positive=positive)
    from stripread.cli.site_options import look_up_site

    where = look_up_site(site)
    known = None if where is None else where.sample_of_batch(sample) or where.samples.get(sample)
    if known is None or known.main.target is None or analyte not in (None, known.main.analyte.casefold()):
        raise WrongUsageError(
            expected=Message(
                "--%(option)s, or a target of sample %(sample)s%(analyte)s in site.toml",
                option=option,
                sample=sample,
                analyte=(Message(" (%(analyte)s)", analyte=analyte) if analyte else ""),
            ),
            found=(
                Message("no site.toml here or above")
                if where is None
                else Message("no such target in %(file)s", file=where.folder / "site.toml")
            ),
            remedy=Message("Add --%(option)s with a strength in mg/L.", option=option),
        )
    aim = f"{known.main.target:.12g} {known.main.unit}"
    typed.assume(
        Verbatim(f"{option} {aim}"),
        Message("the target of sample %(sample)s in site.toml", sample=sample),
    )
    return typed.exact(
        aim, "strength", name=Message("the target of sample %(sample)s in site.toml", sample=sample), positive=positive
    )


def inputs_at(site: Path | None, *, answer_in: str | None = None) -> ParsedInputs:
    """Return inputs for which the site's units are the usual ones; without a site metric ones and US gallons."""
    from stripread.cli.site_options import look_up_site

    where = look_up_site(site)
    return ParsedInputs.of("" if where is None else where.units, answer_in=answer_in)


def warmth(typed: ParsedInputs, text: str | None) -> "Measured | None":
    """Return a temperature as typed; None where nobody told."""
    return typed.maybe_measured(text, "temperature", name=Message("the temperature"))


def strength_of(
    typed: ParsedInputs, text: str, *, name: Message, site: Path | None = None, positive: bool = True
) -> "Measured":
    """Return a strength [mg/L] as typed, or what a batch of the site's record has by now, where its name was typed.

    Raises
    ------
    QuantityError
        If it is neither, or nothing is known of the batch.
    """
    try:
        return typed.measured(text, "strength", name=name, positive=positive)
    except QuantityError:
        found = _batch_by_now(text.strip(), site)
        if found is None:
            raise
    typed.assume(Message("taken as it is by now, by its readings, recipe and cover"), Verbatim(text.strip()))
    return found


def _batch_by_now(text: str, folder: Path | None) -> "Measured | None":
    """Return what a batch has by now; None where there is no such batch, or nothing is known of its strength."""
    from stripread.cli.site_options import look_up_site

    site = look_up_site(folder)
    if site is None or not re.fullmatch(r"[\w.-]*[A-Za-z][\w. -]*", text):
        return None
    from stripread.records import find_batch, open_site_records, strength_of

    try:
        with open_site_records(site) as records:
            batch = find_batch(records, text)
            return None if batch is None else strength_of(records, batch, at=datetime.now().astimezone())
    except RecordsError:  # no record, so no batch
        return None


def timed(text: str) -> tuple[str, str]:
    """Cut ``24 h=260 mg/L u 12`` into its two halves (`QuantityError`)."""
    first, sign, second = text.partition("=")
    if not sign or not first.strip() or not second.strip():
        raise QuantityError(
            expected=Message("a reading as '24 h=260 mg/L'"),
            found=Verbatim(repr(text)),
            remedy=Message("Put = between the two."),
        )
    return first.strip(), second.strip()


def give(answer: "Answer", typed: ParsedInputs, *, command: str, json: bool) -> None:
    """Print an answer and end: with 3 where it needs attention, else with 0."""
    from stripread.report import answer_json, answer_text, to_line

    whole = replace(answer, notes=(*answer.notes, *typed.notes))
    say(to_line(answer_json(whole, command=command)) if json else answer_text(whole))
    raise typer.Exit(3 if whole.needs_attention else 0)
