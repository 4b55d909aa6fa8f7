"""The commands ``lot calibrate``, ``lot join`` and ``lot show``, ``kind list`` and ``kind show``."""

from datetime import date, datetime
from pathlib import Path
from typing import Annotated

import typer

from stripread.cli.lot.accept import accept_lot
from stripread.cli.lot.vial import check_chart, from_chart
from stripread.cli.output import as_we_go, keep_existing, note, say
from stripread.cli.typed import day_of

__all__ = ["kind_app", "lot_app"]

lot_app = typer.Typer(
    rich_markup_mode=None, no_args_is_help=True, help="Calibrate a lot from known dilutions, and look at it."
)
kind_app = typer.Typer(rich_markup_mode=None, no_args_is_help=True, help="Look at the kinds of strips that are known.")


@lot_app.command()
def calibrate(
    series: Annotated[
        Path,
        typer.Argument(
            metavar="SERIES.csv", exists=True, dir_okay=False, help="photo, concentration, u_concentration, replicate."
        ),
    ],
    kind: Annotated[str, typer.Option(metavar="KIND", help="The strip kind: a name or a file.")],
    lot: Annotated[str, typer.Option(metavar="NUMBER", help="The lot's number, as on the vial.")],
    expires: Annotated[date, typer.Option(metavar="DATE", parser=day_of("--expires"), help="Its expiry date.")],
    card: Annotated[str, typer.Option(metavar="CARD", help="The card print in the photos: a name or a file.")],
    out: Annotated[Path, typer.Option(metavar="LOT.json", help="The lot file to write.")],
    without: Annotated[
        list[str] | None, typer.Option(metavar="PHOTO", help="A photo to leave out of the fit; may be repeated.")
    ] = None,
    like: Annotated[
        str | None,
        typer.Option(metavar="LOT", help="An earlier lot of this kind: dye and carrier, so the curve's form, are its."),
    ] = None,
    force: Annotated[bool, typer.Option("--force", help="Replace LOT.json if it is there.")] = False,
    site: Annotated[Path | None, typer.Option(metavar="DIR", help="Folder with site.toml.")] = None,
) -> None:
    """Calibrate a lot from photos of strips dipped into known dilutions.

    Example:

      stripread lot calibrate series.csv --kind clo2-ultralow --lot UL-2603 --expires 2027-06-30 --card card.toml
      --out lot.json
    """
    from stripread.calibrate import calibrate_lot, load_series
    from stripread.cli.site_options import look_up_card, look_up_kind, look_up_lot, look_up_site
    from stripread.lot import save_lot
    from stripread.report import lot_text

    keep_existing(out, force=force)
    where = look_up_site(site)
    strip_kind, layout = look_up_kind(kind, where), look_up_card(card, where)
    rows = load_series(series)
    photos = list(dict.fromkeys(row.photo for row in rows))
    progress = iter(as_we_go(photos, len(photos), label="measuring photos"))

    def tick(photo: Path) -> None:
        next(progress, None)

    calibrated = calibrate_lot(
        rows,
        kind=strip_kind,
        card=layout,
        number=lot,
        expires=expires,
        calibrated_on=datetime.now().astimezone().date(),
        without=without or (),
        like=None if like is None else look_up_lot(like, where),
        on_photo=tick,
    )
    save_lot(calibrated, out)
    next(progress, None)  # ends the bar
    say(lot_text(calibrated))
    note(f"wrote {out}")


@lot_app.command()
def join(
    lot: Annotated[str, typer.Argument(metavar="LOT", help="A name known to the site, or a lot file.")],
    series: Annotated[
        Path,
        typer.Argument(
            metavar="SERIES.csv", exists=True, dir_okay=False, help="photo, concentration, u_concentration, replicate."
        ),
    ],
    out: Annotated[Path, typer.Option(metavar="LOT.json", help="The lot file to write.")],
    card: Annotated[str, typer.Option(metavar="CARD", help="The card print in the photos: a name or a file.")],
    force: Annotated[bool, typer.Option("--force", help="Replace LOT.json if it is there.")] = False,
    site: Annotated[Path | None, typer.Option(metavar="DIR", help="Folder with site.toml.")] = None,
) -> None:
    """Add another phone or another place to a lot, by a blank and two known dilutions or more.

    Readings with that phone in that light then get narrower intervals. The curve itself stays as it is.

    Example:

      stripread lot join lot.json second-phone.csv --card card.toml --out lot.json --force
    """
    from stripread.calibrate import join_lot, load_series
    from stripread.cli.site_options import look_up_card, look_up_lot, look_up_site
    from stripread.lot import save_lot
    from stripread.report import lot_text
    from stripread.site import kind_of_lot

    keep_existing(out, force=force)
    where = look_up_site(site)
    found = look_up_lot(lot, where)
    joined = join_lot(load_series(series), lot=found, kind=kind_of_lot(found, where), card=look_up_card(card, where))
    save_lot(joined, out)
    say(lot_text(joined))
    note(f"wrote {out}")


lot_app.command("accept")(accept_lot)
lot_app.command("from-chart")(from_chart)
lot_app.command("check-chart")(check_chart)


@lot_app.command("show")
def show_lot(
    lot: Annotated[str, typer.Argument(metavar="LOT", help="A name known to the site, or a lot file.")],
    plot: Annotated[
        Path | None, typer.Option(metavar="OUT", help="Also draw it to a file that ends in .png, .svg or .pdf.")
    ] = None,
    site: Annotated[Path | None, typer.Option(metavar="DIR", help="Folder with site.toml.")] = None,
) -> None:
    """Show a lot: its curve, scatter, limits of detection and quantification, and the residuals of its levels.

    Example:

      stripread lot show lot.json --plot lot.png
    """
    from stripread.cli.site_options import look_up_lot, look_up_site
    from stripread.report import lot_text, plot_lot

    found = look_up_lot(lot, look_up_site(site))
    if plot is not None:
        plot_lot(found, plot)
        note(f"wrote {plot}")
    say(lot_text(found))


@kind_app.command("list")
def list_kinds(
    site: Annotated[Path | None, typer.Option(metavar="DIR", help="Folder with site.toml.")] = None,
) -> None:
    """List the strip kinds that come with stripread, and the site's own.

    Example:

      stripread kind list
    """
    from stripread.cli.site_options import look_up_kind, look_up_site
    from stripread.strip import shipped_kinds

    where = look_up_site(site)
    for name in sorted({*shipped_kinds(), *(() if where is None else where.kinds)}):
        kind = look_up_kind(name, where)
        pads = "; ".join(f"{p.analyte} {p.range[0]:g} to {p.range[1]:g} {p.unit}" for p in kind.pads)
        say(f"{name}: {pads}")


@kind_app.command("show")
def show_kind(
    name: Annotated[str, typer.Argument(metavar="KIND", help="A name, or a kind file.")],
    site: Annotated[Path | None, typer.Option(metavar="DIR", help="Folder with site.toml.")] = None,
) -> None:
    """Show a strip kind: its pads, how to dip it, when to read it.

    Example:

      stripread kind show clo2-ultralow
    """
    from stripread.cli.site_options import look_up_kind, look_up_site

    kind = look_up_kind(name, look_up_site(site))
    say(f"{kind.name}: {kind.length_mm:g} x {kind.width_mm:g} mm, {len(kind.pads)} pad(s)")
    for pad in kind.pads:
        size = " x ".join(f"{side:g}" for side in pad.size_mm)
        say(f"  {pad.id}: {pad.analyte}, {pad.range[0]:g} to {pad.range[1]:g} {pad.unit}")
        say(f"    {size} mm, {pad.centre_mm[0]:g} mm from the dipped tip, {pad.centre_mm[1]:g} mm from the edge")
    dip = kind.dip
    moved = "swirling it" if dip.motion == "swirl" else "holding it still"
    say(f"  dip for {dip.seconds:g} s, {moved}; photograph it {dip.read_from_s:g} to {dip.read_until_s:g} s after")
