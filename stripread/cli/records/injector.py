"""The commands ``injector set`` and ``injector list``: how the injectors were set, and since when."""

import sys
from enum import StrEnum
from typing import Annotated

import typer

from stripread.cli.inputs import ParsedInputs, SiteFolder
from stripread.cli.output import note, say
from stripread.cli.typed import At, when
from stripread.errors import WrongUsageError
from stripread.i18n import Message, Verbatim

__all__ = ["injector_app"]

injector_app = typer.Typer(rich_markup_mode=None, no_args_is_help=True, help="The injectors and their settings.")


class _Convention(StrEnum):
    part_in = "in"
    part_to = "to"


@injector_app.command(name="set")
def enter(
    name: Annotated[str, typer.Argument(metavar="NAME", help="What the injector is called.")],
    ratio: Annotated[str, typer.Option(metavar="1:N", help="Its setting; or as '1 in 100', '1 to 99', 1%.")],
    means: Annotated[
        _Convention,
        typer.Option(metavar="in|to", help="What 1:N means: 1 part in N of what comes out, or 1 part to N of water."),
    ] = _Convention.part_in,
    batch: Annotated[str | None, typer.Option(metavar="ID", help="The batch of stock that it draws from.")] = None,
    flow: Annotated[str | None, typer.Option(metavar="FLOW", help="Of the dosed water, as '20 gpm'.")] = None,
    at: At = None,
    demand: Annotated[
        str | None,
        typer.Option(metavar="STRENGTH", help="What water and pipes take. [by the outlets' latest readings]"),
    ] = None,
    remark: Annotated[str, typer.Option(metavar="TEXT", help="Why it was changed, or what else to know.")] = "",
    yes: Annotated[bool, typer.Option("--yes", help="Do not ask, also where it may not suit.")] = False,
    who: Annotated[
        str | None, typer.Option(metavar="NAME", envvar="STRIPREAD_WHO", help="Who set it. [who is logged in]")
    ] = None,
    site: SiteFolder = None,
) -> None:
    """Enter how an injector was set, and tell what it leaves at the outlets with the batch that it draws from.

    Where that may not suit, it asks before it enters. The settings before stay, they held until then.

    Example:

      stripread injector set main --ratio 1:275 --means in --batch S-14 --flow "20 gpm"
    """
    from stripread.cli.site_record import open_site_records, site_of_records, stamp_of
    from stripread.records import InjectorSetting, find_batch
    from stripread.report import answer_text
    from stripread.water import parse_ratio
    from stripread.workflow import judge_setting

    where, stamp = site_of_records(site), stamp_of(who)
    typed = ParsedInputs.of(where.units)
    setting = parse_ratio(ratio, convention=means.value)
    litres_per_h = typed.maybe_exact(flow, "flow", name=Message("the flow"))
    since = when(at, stamp.at, typed)
    said = InjectorSetting(
        injector=name,
        since=since,
        ratio=setting.n,
        convention=setting.convention,
        batch=batch,
        flow_l_per_min=None if litres_per_h is None else litres_per_h / 60,
        note=remark,
    )
    with open_site_records(where, create=stamp) as records:
        if batch is not None and find_batch(records, batch) is None:
            known = ", ".join(b.said.id for b in records.batches(limit=10)) or Message("none")
            raise WrongUsageError(
                expected=Message("a batch of the record, such as %(known)s", known=known),
                found=Verbatim(repr(batch)),
                remedy=Message("Enter it first."),
            )
        taken = typed.maybe_measured(demand, "strength", name=Message("the demand"), positive=False)
        judged = judge_setting(records, where, said, demand=taken)
        if judged is not None:
            say(answer_text(judged))
            if judged.needs_attention and not yes:
                _ask()
        entry = records.add_injector_setting(said, stamp)
    say(f"{name}: {setting}")
    for line in typed.notes:
        say(str(line))
    note(f"recorded as entry {entry.seq}")


def _ask() -> None:
    """Ask whether a setting that may not suit is to be entered; where nobody can answer, it is not."""
    if not sys.stdin.isatty():
        raise WrongUsageError(
            expected=Message("a setting that suits, or --yes"),
            found=Message("one that may not suit, and nobody to ask"),
            remedy=Message("Nothing was entered. Correct the setting, or add --yes."),
        )
    if not typer.confirm("Enter it nevertheless?", err=True):
        raise typer.Exit(3)


@injector_app.command(name="list")
def list_settings(
    limit: Annotated[int, typer.Option(metavar="N", min=1, max=1000, help="How many, the latest first.")] = 20,
    json: Annotated[bool, typer.Option("--json", help="Print one JSON object per setting, a line each.")] = False,
    site: SiteFolder = None,
) -> None:
    """List the settings of the injectors, the last entered first.

    Example:

      stripread injector list
    """
    from stripread.cli.site_record import open_site_records, site_of_records
    from stripread.records import to_payload
    from stripread.report import table, to_line
    from stripread.units import tell_line_flow
    from stripread.water import Ratio

    where = site_of_records(site)
    with open_site_records(where) as records:
        settings = [(s.entry.seq, s.said) for s in records.injector_settings(limit=limit)]
    if json:
        for seq, said in settings:
            say(to_line({**to_payload(said), "entry": seq}))
        return
    rows = [
        (
            said.injector,
            said.since.isoformat(sep=" ", timespec="minutes")[:16],
            str(Ratio(said.ratio, said.convention)),
            said.batch or "",
            "" if said.flow_l_per_min is None else tell_line_flow(said.flow_l_per_min, where.units),
            said.note,
        )
        for _, said in settings
    ]
    titles = ("injector", "since", "setting", "batch", "flow", "remark")
    say(table(titles, rows) if rows else "No settings yet: stripread injector set")
