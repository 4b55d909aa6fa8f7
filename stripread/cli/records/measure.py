"""The command ``measure``: a reading by other means than a strip, as typed, into the record."""

from enum import StrEnum
from typing import TYPE_CHECKING, Annotated

import typer

from stripread.cli.inputs import Json, ParsedInputs, SiteFolder
from stripread.cli.output import note, say
from stripread.cli.typed import At, when
from stripread.errors import WrongUsageError
from stripread.i18n import Message, Verbatim

if TYPE_CHECKING:
    from stripread.records import Records
    from stripread.site import SampleType, Site

__all__ = ["measure"]


class _By(StrEnum):
    """By what means (`stripread.check.METHODS`)."""

    meter = "meter"
    titration = "titration"
    laboratory = "laboratory"
    other = "other"


def measure(
    analyte: Annotated[
        str, typer.Argument(metavar="ANALYTE", help="What was measured: 'chlorine dioxide', chlorite, pH, ORP, ...")
    ],
    value: Annotated[
        str, typer.Argument(metavar="VALUE", help="With its unit, as '0.41 mg/L', '68 F' or 'under 0.05 mg/L'.")
    ],
    point: Annotated[str | None, typer.Option(metavar="NAME", help="Where the sample was taken.")] = None,
    sample: Annotated[str | None, typer.Option(metavar="TYPE", help="What was sampled. [the point's]")] = None,
    by: Annotated[_By, typer.Option(metavar="MEANS", help="meter, titration, laboratory or other.")] = _By.meter,
    instrument: Annotated[
        str | None, typer.Option(metavar="NAME", help="Which instrument or laboratory, as 'photometer 2'.")
    ] = None,
    u: Annotated[
        str | None,
        typer.Option("--u", metavar="U", help="Standard uncertainty, as '0.02 mg/L' or '5 %'. [assumed, and said]"),
    ] = None,
    at: At = None,
    batch: Annotated[
        str | None, typer.Option(metavar="ID", help="The batch the sample is of. [the latest of its kind]")
    ] = None,
    remark: Annotated[str, typer.Option("--note", metavar="TEXT", help="What else to know.")] = "",
    who: Annotated[
        str | None, typer.Option(metavar="NAME", envvar="STRIPREAD_WHO", help="Who enters. [who is logged in]")
    ] = None,
    json: Json = False,
    site: SiteFolder = None,
) -> None:
    """Enter a reading by other means than a strip: a meter, a titration, a laboratory.

    Example:

      stripread measure "chlorine dioxide" "0.41 mg/L" --point bench-1 --instrument "photometer 2" --u "0.02 mg/L"

    Exit codes: 0 valid, and within where a range is expected; 1 an error; 2 wrong usage; 3 doubtful or outside its
    range.
    """
    from stripread.check import Method
    from stripread.cli.site_record import open_site_records, site_of_records, stamp_of
    from stripread.report import entered_text, reading_entry_json, to_line
    from stripread.workflow import EnteredSample, SampleContext, parse_entered, record_entered

    where, stamp, typed = site_of_records(site), stamp_of(who), ParsedInputs()
    reading = parse_entered(where.analyte(analyte), value, u=u)
    with open_site_records(where, create=stamp) as records:
        context = SampleContext(sample=_sample(records, where, point, sample), point=point, batch=batch, who=stamp.who)
        method = Method(by=by.value, instrument=(instrument or "").strip() or None)
        taken = when(at, stamp.at, typed)
        entered = EnteredSample(reading=reading, method=method, at=taken, context=context, remark=remark.strip())
        done = record_entered(records, entered, stamp=stamp)
        if json:
            say(to_line(reading_entry_json(records.reading(done.entry.seq))))
        else:
            say(entered_text(done.verdict, method=method, point=point))
    for words in () if json else typed.notes:
        say(str(words))
    note(f"recorded as entry {done.entry.seq}")
    raise typer.Exit(done.verdict.exit_code)


def _sample(records: "Records", site: "Site", point: str | None, sample: str | None) -> "SampleType":
    """Return the sample type that was named, else that of the point."""
    if sample is not None:
        return site.sample(sample)
    if point is None:
        raise WrongUsageError(
            expected=Message("--point or --sample"),
            found=Message("neither"),
            remedy=Message("Say where the sample was taken, or what was sampled."),
        )
    known = next((p.said for p in records.points() if p.said.name == point), None)
    if known is None:
        raise WrongUsageError(
            expected=Message("a point of the record, or --sample beside it"),
            found=Verbatim(repr(point)),
            remedy=Message("Enter the point first, or name the sample type with --sample."),
        )
    return site.sample(known.sample)
