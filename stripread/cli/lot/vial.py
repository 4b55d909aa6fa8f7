"""The commands ``lot from-chart`` and ``lot check-chart``: a vial's colour chart as a provisional lot, or a check."""

import re
from dataclasses import dataclass
from datetime import date, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from stripread.cli.output import keep_existing, note, say
from stripread.cli.typed import day_of
from stripread.errors import QuantityError, WrongUsageError
from stripread.i18n import Message, Verbatim
from stripread.units import parse_number

if TYPE_CHECKING:
    from stripread.card import CardLayout
    from stripread.measure import ChartMeasurement
    from stripread.strip import PadSpec, StripKind

__all__ = ["chart_numbers", "chart_pad", "check_chart", "from_chart"]

_PHOTO = typer.Argument(metavar="PHOTO", exists=True, dir_okay=False, help="The vial on the card, its chart up.")
_VALUES = typer.Option(metavar="C,C,...", help="The values printed on the vial, in order from one end of the chart.")
_CARD = typer.Option(metavar="CARD", help="The card print in the photo: a name or a file.")
_PAD = typer.Option(metavar="ID", help="The pad that the chart is for, where the kind has several.")
_REVERSE = typer.Option(
    "--reverse/--no-reverse",
    help="The first value is at the right end of the upright card, or at the left. [by the blank, the lightest block]",
    show_default=False,
)
_OVERLAY = typer.Option(metavar="OUT.png", help="Draw on the photo which blocks were taken, and for what.")
_SITE = typer.Option(metavar="DIR", help="Folder with site.toml.")


def from_chart(
    photo: Annotated[Path, _PHOTO],
    values: Annotated[str, _VALUES],
    kind: Annotated[str, typer.Option(metavar="KIND", help="The strip kind: a name or a file.")],
    lot: Annotated[str, typer.Option(metavar="NUMBER", help="The lot's number, as on the vial.")],
    expires: Annotated[date, typer.Option(metavar="DATE", parser=day_of("--expires"), help="Its expiry date.")],
    card: Annotated[str, _CARD],
    out: Annotated[Path, typer.Option(metavar="LOT.json", help="The lot file to write.")],
    pad: Annotated[str | None, _PAD] = None,
    reverse: Annotated[bool | None, _REVERSE] = None,
    overlay: Annotated[Path | None, _OVERLAY] = None,
    force: Annotated[bool, typer.Option("--force", help="Replace LOT.json if it is there.")] = False,
    site: Annotated[Path | None, _SITE] = None,
) -> None:
    """Make a PROVISIONAL lot from the colour chart on a vial, until known dilutions are at hand.

    Example:

      stripread lot from-chart vial.jpg --values 0,50,100,250,400,600 --kind clo2-wide --lot WR-2601
      --expires 2027-03-31 --card card.toml --out lot.json --overlay chart.png
    """
    from stripread.calibrate import provisional_lot
    from stripread.cli.site_options import look_up_card, look_up_kind, look_up_site
    from stripread.lot import save_lot
    from stripread.report import lot_text

    keep_existing(out, force=force)
    where = look_up_site(site)
    strip_kind, layout = look_up_kind(kind, where), look_up_card(card, where)
    the_pad, numbers = chart_pad(strip_kind, pad), chart_numbers(values)
    options = _ChartOptions(numbers=numbers, blank=the_pad.blank, reverse=reverse)
    chart = _measured(photo, layout, options, overlay)
    made = provisional_lot(
        chart,
        numbers,
        kind=strip_kind,
        pad=the_pad,
        number=lot,
        expires=expires,
        made_on=datetime.now().astimezone().date(),
        reverse=reverse,
    )
    save_lot(made, out)
    say(lot_text(made))
    note(f"wrote {out}, a provisional lot")


def check_chart(
    photo: Annotated[Path, _PHOTO],
    lot: Annotated[str, typer.Option(metavar="LOT", help="The calibrated lot: a name known to the site, or a file.")],
    values: Annotated[str, _VALUES],
    card: Annotated[str, _CARD],
    pad: Annotated[str | None, _PAD] = None,
    reverse: Annotated[bool | None, _REVERSE] = None,
    overlay: Annotated[Path | None, _OVERLAY] = None,
    site: Annotated[Path | None, _SITE] = None,
) -> None:
    """Hold a calibrated lot against the colour chart on its vial: what it reads for each block's colour.

    Example:

      stripread lot check-chart vial.jpg --lot lot.json --values 0,50,100,250,400,600 --card card.toml

    Exit codes: 0 they agree; 1 an error; 2 wrong usage; 3 a block differs by more than its uncertainty.
    """
    from stripread.calibrate import check_chart as check
    from stripread.cli.site_options import look_up_card, look_up_lot, look_up_site
    from stripread.report import agrees, vial_check_text
    from stripread.site import kind_of_lot

    where = look_up_site(site)
    found, layout = look_up_lot(lot, where), look_up_card(card, where)
    if found.provisional:
        raise WrongUsageError(
            expected=Message("a calibrated lot to hold against its chart"),
            found=Message("lot %(number)s, which is provisional: made from a chart itself", number=found.number),
            remedy=Message("Calibrate the lot from known dilutions first."),
        )
    the_pad, numbers = chart_pad(kind_of_lot(found, where), pad), chart_numbers(values)
    chart = _measured(photo, layout, _ChartOptions(numbers=numbers, blank=the_pad.blank, reverse=reverse), overlay)
    calibration = found.pad(the_pad.id)
    checks = check(chart, numbers, calibration=calibration, blank=the_pad.blank, reverse=reverse)
    say(vial_check_text(checks, unit=calibration.unit, lot=found.number))
    raise typer.Exit(0 if agrees(checks) else 3)


@dataclass(frozen=True, slots=True, kw_only=True)
class _ChartOptions:
    numbers: list[float]
    blank: bool
    reverse: bool | None


def _measured(photo: Path, layout: "CardLayout", options: _ChartOptions, overlay: Path | None) -> "ChartMeasurement":
    """Measure the chart; draw it also where its order is not clear, for that shows what went wrong."""
    from stripread.calibrate import order_blocks
    from stripread.measure import measure_chart
    from stripread.photo import open_photo
    from stripread.report import draw_chart, save_picture

    if overlay is not None:
        keep_existing(overlay, force=True)
    chart = measure_chart(open_photo(photo), layout)
    labels: list[str] = []
    try:
        rise, ordered = order_blocks(chart, options.numbers, blank=options.blank, reverse=options.reverse)
        values = rise if ordered[0] is chart.blocks[0] else rise[::-1]
        labels = [f"{value:g}" for value in values]
    finally:
        if overlay is not None:
            save_picture(draw_chart(chart, labels, title="COLOUR CHART: compare it with the vial"), overlay)
    for finding in chart.card.findings:
        if finding.severity != "info":
            note(f"{finding.code} ({finding.severity}): {finding.message} {finding.advice}")
    return chart


def chart_numbers(text: str) -> list[float]:
    """Return the numbers of an option such as ``0,50,100``; with ``;`` or blanks between them ``0;0,5;1``."""
    words = re.split(r"\s*;\s*|\s+" if re.search(r"[;\s]", text.strip()) else ",", text.strip())
    try:
        return [parse_number(word.rstrip(","), name=Message("a value")) for word in words]
    except QuantityError:
        raise WrongUsageError(
            expected=Message("numbers with commas between them, as 0,50,100"),
            found=Verbatim(repr(text)),
            remedy=Message(
                "Give --values as they stand on the vial; where they have decimal commas, with ; between them."
            ),
        ) from None


def chart_pad(kind: "StripKind", name: str | None) -> "PadSpec":
    """Return the pad named, or the kind's only one."""
    known = {pad.id: pad for pad in kind.pads}
    if name is None and len(known) == 1:
        return kind.pads[0]
    if name not in known:
        raise WrongUsageError(
            expected=Message(
                "--pad with one of the pads of kind %(name)s: %(known)s", name=kind.name, known=", ".join(known)
            ),
            found=(Message("none") if name is None else Verbatim(repr(name))),
            remedy=Message("Name the pad that the chart is for."),
        )
    return known[name]
