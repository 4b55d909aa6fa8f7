"""The commands that keep an eye on a lot: ``lot verify``, ``lot compare`` and ``lot report``."""

import math
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from stripread.cli.output import keep_existing, note, say
from stripread.cli.typed import number_of
from stripread.errors import StripReadError, WrongUsageError
from stripread.files import write_file
from stripread.i18n import Message, Number, Verbatim

if TYPE_CHECKING:
    from stripread.lot import Lot
    from stripread.records import StudyStanding
    from stripread.site import Site

__all__ = ["watch_commands"]

_SEED = 1  # of the resamples; the page states it


def watch_commands(lot_app: typer.Typer) -> None:
    """Add the commands to ``lot``."""
    lot_app.command()(verify)
    lot_app.command()(compare)
    lot_app.command()(report)


def verify(
    lot: Annotated[str, typer.Argument(metavar="LOT", help="A name known to the site, or a lot file.")],
    photos: Annotated[list[Path], typer.Argument(metavar="PHOTO...", help="Photos, each of one strip on the card.")],
    known: Annotated[
        float,
        typer.Option(
            metavar="C", parser=number_of("--known", low=0), help="What the strips were dipped into, in the lot's unit."
        ),
    ],
    u_known: Annotated[
        float,
        typer.Option(
            metavar="U",
            parser=number_of("--u-known", low=0),
            help="Its standard uncertainty (k = 1). [0: taken as exact]",
        ),
    ] = 0.0,
    pad: Annotated[str | None, typer.Option(metavar="ID", help="The pad, where the strip has several.")] = None,
    card: Annotated[
        str | None, typer.Option(metavar="CARD", help="The card print: a name or a file. [the site's]")
    ] = None,
    record: Annotated[
        Path | None, typer.Option(metavar="FILE", help="Where checks are kept. [verification.csv beside the lot file]")
    ] = None,
    json: Annotated[bool, typer.Option("--json", help="Print one JSON object per photo, a line each.")] = False,
    site: Annotated[Path | None, typer.Option(metavar="DIR", help="Folder with site.toml.")] = None,
) -> None:
    """Check a lot by strips of a fresh known dilution, and keep its control chart.

    Example:

      stripread lot verify UL-2603 check.jpg --known 0.35 --u-known 0.005

    Exit codes: 0 all agree with the known value; 1 an error or an unreadable photo; 2 wrong usage; 3 one differs, is
    doubtful or gives no number, or a rule of the control chart is broken.
    """
    from stripread.check import check_row
    from stripread.cli.site_options import look_up_inputs, look_up_site
    from stripread.cli.site_record import keep_check
    from stripread.lot import RECORD, append_row, find_row, load_record
    from stripread.photo import open_photo
    from stripread.report import broken_by_last, chart_text, check_json, check_text, error_json, error_text, to_line
    from stripread.workflow import KnownDilution, read_check, shows_calibrator

    where = look_up_site(site)
    inputs = look_up_inputs(lot, where, card=card)
    the_lot, dilution = inputs.lot, KnownDilution(pad=_pad_of(inputs.lot, pad), value=known, u=u_known)
    _check_known(known, u_known)
    out = record or inputs.lot_file.with_name(RECORD)
    if not out.parent.is_dir():
        raise WrongUsageError(
            expected=Message("a folder for the record"),
            found=Message("no folder %(folder)s", folder=out.parent),
            remedy=Message("Make it."),
        )
    rows = list(load_record(out))  # before any photo is read: a damaged record stops here
    code = 0
    for photo in photos:
        now = datetime.now().astimezone().replace(microsecond=0)
        try:
            file = open_photo(photo)
            if shows_calibrator(file, the_lot):
                raise _calibrator(photo, the_lot)
            check = read_check(file, inputs, dilution, now=now)
        except StripReadError as error:
            say(to_line(error_json(error, photo=str(photo))) if json else error_text(error, photo=str(photo)) + "\n")
            code = 1
            continue
        row = check_row(check, photo=photo.name, when=now)
        before = find_row(rows, row)
        if before is None:
            append_row(out, row)
            rows.append(row)
            keep_check(where, row, file, inputs, rows_file=out)
        if json:
            say(to_line(check_json(check, photo=str(photo), recorded=before is None)))
        else:
            say(check_text(check, photo=str(photo), recorded=before) + "\n")
        if check.outcome != "agrees" and code == 0:
            code = 3
    if not json:
        say(chart_text(rows, the_lot, dilution.pad))
    elif broken := broken_by_last(rows, the_lot, dilution.pad):
        note("\n".join(f"control chart: {words}" for words in broken))
    if code == 0 and broken_by_last(rows, the_lot, dilution.pad):
        code = 3
    note(f"the record: {out}")
    raise typer.Exit(code)


def _pad_of(lot: "Lot", pad: str | None) -> str:
    ids = [p.pad for p in lot.pads]
    if pad is None and len(ids) == 1:
        return ids[0]
    if pad is None or pad not in ids:
        raise WrongUsageError(
            expected=Message("--pad with a pad of lot %(number)s: %(ids)s", number=lot.number, ids=", ".join(ids)),
            found=(Message("none") if pad is None else Verbatim(repr(pad))),
            remedy=Message("Name the pad whose concentration is known."),
        )
    return pad


def _check_known(known: float, u_known: float) -> None:
    for name, number in (("--known", known), ("--u-known", u_known)):
        if not (math.isfinite(number) and number >= 0):
            raise WrongUsageError(
                expected=Message("0 or more for %(name)s", name=name),
                found=Number(number, "g"),
                remedy=Message("Correct it."),
            )


def _calibrator(photo: Path, lot: "Lot") -> WrongUsageError:
    return WrongUsageError(
        expected=Message("a photo of a fresh strip"),
        found=Message(
            "%(name)s, which lot %(number)s was calibrated with: it would agree with itself",
            name=photo.name,
            number=lot.number,
        ),
        remedy=Message("Dip a strip into a fresh known dilution and photograph that."),
    )


def compare(
    lot_a: Annotated[str, typer.Argument(metavar="LOT_A", help="A name known to the site, or a lot file.")],
    lot_b: Annotated[str, typer.Argument(metavar="LOT_B", help="Another of the same kind.")],
    plot: Annotated[
        Path | None, typer.Option(metavar="OUT", help="Also draw it to a file that ends in .png, .svg or .pdf.")
    ] = None,
    json: Annotated[bool, typer.Option("--json", help="Print one JSON object on one line.")] = False,
    site: Annotated[Path | None, typer.Option(metavar="DIR", help="Folder with site.toml.")] = None,
) -> None:
    """Tell where two lots, or two calibrations of one lot, differ by more than their uncertainty.

    Example:

      stripread lot compare UL-2603 new-calibration.json --plot difference.png

    Exit codes: 0 no difference beyond the uncertainty; 1 an error; 2 wrong usage; 3 the lots differ, or their curves do
    and it may be the light.
    """
    from stripread.cli.site_options import look_up_card, look_up_lot, look_up_site
    from stripread.lot import compare_lots
    from stripread.report import comparison_json, comparison_text, plot_comparison, to_line

    where = look_up_site(site)
    first, second = look_up_lot(lot_a, where), look_up_lot(lot_b, where)
    found = compare_lots(first, second, card=look_up_card(None, where, lot_card=first.card))
    if plot is not None:
        plot_comparison(found, plot)
        note(f"wrote {plot}")
    say(to_line(comparison_json(found)) if json else comparison_text(found))
    raise typer.Exit(0 if all(pad.verdict == "agree" for pad in found.pads) else 3)


def report(
    lot: Annotated[str, typer.Argument(metavar="LOT", help="A name known to the site, or a lot file.")],
    out: Annotated[Path, typer.Argument(metavar="OUT.html", help="The page to write.")],
    series: Annotated[
        list[Path] | None,
        typer.Option(
            metavar="SERIES.csv",
            exists=True,
            dir_okay=False,
            help="The series: shows its photos small, and checks that they are the ones calibrated with. May be "
            "repeated, for a series that joined.",
        ),
    ] = None,
    record: Annotated[
        Path | None, typer.Option(metavar="FILE", help="Where checks are kept. [verification.csv beside the lot file]")
    ] = None,
    resamples: Annotated[
        int,
        typer.Option(metavar="N", min=0, help="Series drawn to find the coverage; 0 for none. About 1 s a pad each."),
    ] = 40,
    force: Annotated[bool, typer.Option("--force", help="Replace OUT.html if it is there.")] = False,
    site: Annotated[Path | None, typer.Option(metavar="DIR", help="Folder with site.toml.")] = None,
) -> None:
    """Write a lot's report: one HTML page with all its pictures in it, to be printed, checked and signed.

    Example:

      stripread lot report UL-2603 UL-2603.html --series series.csv
    """
    from stripread.calibrate import bootstrap_coverage, load_series
    from stripread.cli.site_options import look_up_lot_file, look_up_site
    from stripread.lot import RECORD, load_lot, load_record
    from stripread.report import ReportInputs, lot_report

    keep_existing(out, force=force)
    lot_file = look_up_lot_file(lot, look_up_site(site))
    the_lot = load_lot(lot_file)
    if record is not None and not record.is_file():
        raise WrongUsageError(
            expected=Message("a record of checks"),
            found=Message("no file %(path)s", path=record),
            remedy=Message("Check its name."),
        )
    checks = load_record(record or lot_file.with_name(RECORD))
    photos: dict[str, tuple[Path, ...]] = {}
    for photo in dict.fromkeys(row.photo for one in series or () for row in load_series(one, photos_needed=False)):
        photos[photo.name] = (*photos.get(photo.name, ()), photo)
    coverage = {}
    for pad in the_lot.pads if resamples and not the_lot.provisional else ():
        note(f"pad {pad.pad}: fitting {resamples} resampled series to find the coverage")
        coverage[pad.pad] = bootstrap_coverage(pad, resamples=resamples, seed=_SEED)
    page = lot_report(
        ReportInputs(
            lot=the_lot,
            lot_file=lot_file,
            photos=photos if series else None,
            coverage=coverage,
            checks=checks,
            today=datetime.now().astimezone().date(),
            study=_standing(look_up_site(site), the_lot),
        )
    )
    write_file(out, page)
    note(f"wrote {out}")


def _standing(site: "Site | None", lot: "Lot") -> "StudyStanding | None":
    """Return the latest study of a lot that the site's record knows; None where there is no record."""
    from stripread.records import has_records

    if site is None or not (has_records(site.folder) or site.database is not None):
        return None
    from stripread.cli.site_record import open_site_records
    from stripread.records import study_standing

    with open_site_records(site) as records:
        return study_standing(records, lot.number, lot.sha256)
