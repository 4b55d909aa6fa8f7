"""The commands ``batch generate``, ``stock``, ``top-up`` and ``list``: what was made, of what, and when."""

from dataclasses import dataclass
from datetime import timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Literal

import typer

from stripread.cli.inputs import Cover, Json, ParsedInputs, Sachet, Sachets, SiteFolder, Temperature, warmth
from stripread.cli.output import note, say
from stripread.cli.records.tank import discard, move
from stripread.cli.typed import At, when
from stripread.errors import WrongUsageError
from stripread.i18n import Message

if TYPE_CHECKING:
    from stripread.records import Batch, BatchStanding, Stamp
    from stripread.site import Site
    from stripread.units import Measured, Moment

__all__ = ["batch_app"]

batch_app = typer.Typer(
    rich_markup_mode=None,
    no_args_is_help=True,
    help="Concentrates and stocks as they were made; volumes as '6 gal' or '20 L'.",
)

_Who = Annotated[
    str | None, typer.Option(metavar="NAME", envvar="STRIPREAD_WHO", help="Who made it. [who is logged in]")
]
_Id = Annotated[str, typer.Argument(metavar="ID", help="What the batch is called, as on its label.")]
_Tank = Annotated[str | None, typer.Option(metavar="NAME", help="The tank that it is in.")]


_Covered = Annotated[
    Cover | None,
    typer.Option(metavar="COVER", help="The tank: open, covered or sealed. Tells how fast it may weaken."),
]


@batch_app.command()
def generate(
    batch: _Id,
    water: Annotated[str, typer.Option(metavar="VOLUME", help="Water that the sachets were put into.")],
    after: Annotated[str, typer.Option(metavar="TIME", help="How long they are left in it.")] = "12 h",
    sachets: Sachets = 1,
    sachet: Sachet = "example",
    temperature: Temperature = None,
    store: Annotated[
        str | None, typer.Option(metavar="NAME", help="The box of the store that the sachets were taken from.")
    ] = None,
    tank: _Tank = None,
    cover: _Covered = None,
    at: At = None,
    who: _Who = None,
    site: SiteFolder = None,
) -> None:
    """Enter a concentrate generated from sachets, and tell how strong it should be.

    Example:

      stripread batch generate C-14 --water "20 L" --cover covered
    """
    from stripread.cli.site_record import open_site_records, site_of_records, stamp_of
    from stripread.records import Batch, StoreUse, as_expected, check_store, take_from_store
    from stripread.water import expected_generation, load_sachet, sachet_source

    where, stamp = site_of_records(site), stamp_of(who)
    typed = ParsedInputs.of(where.units)
    litres = typed.measured(water, "volume", name=Message("the water"))
    hours = typed.exact(after, "time", name=Message("the time"))
    kind, warm = load_sachet(sachet), warmth(typed, temperature)
    made = expected_generation(kind, water_l=litres, hours=hours, sachets=sachets, temperature_c=warm)
    made_at = when(at, stamp.at, typed)
    said = Batch(
        id=batch,
        kind="concentrate",
        made_at=made_at,
        ready_at=made_at + timedelta(hours=hours),
        made_by=stamp.who,
        water_l=litres.value,
        u_water_l=litres.u,
        source=sachet_source(kind, sachets=sachets, hours=hours, temperature_c=warm),
        tank=tank,
        cover=None if cover is None else cover.value,
    )
    use = None if store is None else StoreUse(item=store, count=sachets, at=made_at, batch=batch)
    with open_site_records(where, create=stamp) as records:
        if use is not None:
            check_store(records, use, at=stamp.at)
    _enter(as_expected(said, made.strength_mg_per_l), where, stamp, typed)
    if use is not None:
        with open_site_records(where) as records:
            take_from_store(records, use, stamp)


@batch_app.command()
def stock(
    batch: _Id,
    concentrate: Annotated[
        list[str], typer.Option(metavar="ID", help="The batch of concentrate that it is made of; of two, repeat it.")
    ],
    add: Annotated[list[str], typer.Option(metavar="VOLUME", help="How much of the concentrate; of each in turn.")],
    water: Annotated[str, typer.Option(metavar="VOLUME", help="Into how much water: it goes in first.")],
    tank: _Tank = None,
    cover: _Covered = None,
    at: At = None,
    who: _Who = None,
    site: SiteFolder = None,
) -> None:
    """Enter a stock made from a concentrate, and tell what strength mass balance gives.

    Example:

      stripread batch stock S-14 --concentrate C-14 --add "20 L" --water "17 L" --cover covered
    """
    if len(concentrate) != len(add):
        raise WrongUsageError(
            expected=Message("as many volumes after --add as batches after --concentrate"),
            found=Message("%(volumes)s and %(batches)s", volumes=len(add), batches=len(concentrate)),
            remedy=Message("Name each batch with its volume."),
        )
    parts = tuple(zip(concentrate, add, strict=True))
    made = _Mixture(batch=batch, kind="stock", parts=parts, water=water, tank=tank, cover=cover, at=at)
    _enter_mixture(made, who=who, site=site)


@batch_app.command(name="top-up")
def top_up(
    batch: _Id,
    stock: Annotated[str, typer.Option(metavar="ID", help="The batch of stock that is brought to strength.")],
    left: Annotated[str, typer.Option(metavar="VOLUME", help="How much of it was left.")],
    concentrate: Annotated[str | None, typer.Option(metavar="ID", help="The concentrate that was added.")] = None,
    add: Annotated[str | None, typer.Option(metavar="VOLUME", help="How much of the concentrate.")] = None,
    water: Annotated[str, typer.Option(metavar="VOLUME", help="Water that was added.")] = "0 L",
    tank: _Tank = None,
    cover: _Covered = None,
    at: At = None,
    who: _Who = None,
    site: SiteFolder = None,
) -> None:
    """Enter a stock brought to strength with concentrate, or thinned with water.

    Example:

      stripread batch top-up S-15 --stock S-14 --left "22 L" --concentrate C-15 --add "4 L"
    """
    if (concentrate is None) != (add is None):
        raise WrongUsageError(
            expected=Message("--concentrate and --add together"),
            found=Message("one of them"),
            remedy=Message("Name both, or neither."),
        )
    parts = ((stock, left), *(() if concentrate is None or add is None else ((concentrate, add),)))
    made = _Mixture(batch=batch, kind="top-up", parts=parts, water=water, tank=tank, cover=cover, at=at)
    _enter_mixture(made, who=who, site=site)


batch_app.command()(discard)
batch_app.command()(move)


@batch_app.command(name="list")
def list_batches(
    limit: Annotated[int, typer.Option(metavar="N", min=1, help="How many, the latest first.")] = 20,
    json: Json = False,
    site: SiteFolder = None,
) -> None:
    """List batches with what they should be, what they were last read as, and what the mass balance says.

    Example:

      stripread batch list
    """
    from stripread.cli.site_record import open_site_records, site_of_records
    from stripread.records import batch_standing, to_payload
    from stripread.report import strength_words as words
    from stripread.report import table, to_line

    rows, lines = [], []
    with open_site_records(site_of_records(site)) as records:
        for found in records.batches(limit=limit):
            said, standing = found.said, batch_standing(records, found.said)
            recipe, first, last, finding = standing.recipe, standing.first, standing.last, standing.finding
            made = said.made_at.isoformat(sep=" ", timespec="minutes")[:16]
            rows.append(
                (said.id, said.kind, made, _recipe_words(standing), words(first), standing.balance, words(last))
            )
            lines.append(
                {
                    **to_payload(said),
                    "recipe": _plain(recipe),
                    "first_reading": _plain(first),
                    "last_reading": _plain(last),
                    "example": standing.example,
                    "finding": None if finding is None else {"code": finding.code, "message": finding.message},
                }
            )
    if json:
        for line in lines:
            say(to_line(line))
        return
    heads = (
        "batch",
        "kind",
        "made",
        "recipe [mg/L]",
        "first reading [mg/L]",
        "mass balance",
        "last reading [mg/L]",
    )
    say(table(heads, rows) if rows else "No batches yet: stripread batch generate")


@dataclass(frozen=True, slots=True, kw_only=True)
class _Mixture:
    """A stock or top-up as it was typed: its parts by batch and volume, and the water that was added."""

    batch: str
    kind: Literal["stock", "top-up"]
    parts: tuple[tuple[str, str], ...]
    water: str
    tank: str | None
    cover: Cover | None
    at: "Moment | None"


def _enter_mixture(made: _Mixture, *, who: str | None, site: Path | None) -> None:
    from stripread.cli.site_record import site_of_records, stamp_of
    from stripread.records import Batch, Part

    where, stamp = site_of_records(site), stamp_of(who)
    typed = ParsedInputs.of(where.units)
    volumes = [
        (name, typed.measured(text, "volume", name=Message("the volume of %(name)s", name=name)))
        for name, text in made.parts
    ]
    litres = typed.measured(made.water, "volume", name=Message("the water"), positive=False)
    said = Batch(
        id=made.batch,
        kind=made.kind,
        made_at=when(made.at, stamp.at, typed),
        made_by=stamp.who,
        water_l=litres.value,
        u_water_l=litres.u,
        parts=tuple(Part(batch=name, volume_l=v.value, u_volume_l=v.u) for name, v in volumes),
        tank=made.tank,
        cover=None if made.cover is None else made.cover.value,
    )
    _enter(said, where, stamp, typed)


def _enter(said: "Batch", site: "Site", stamp: "Stamp", typed: ParsedInputs) -> None:
    from stripread.cli.site_record import open_site_records
    from stripread.records import complete_batch, enter_batch, entered_strength
    from stripread.report import EXAMPLE_FIGURES, WAIT, off_range, strength_words, strong_cautions
    from stripread.water import of_example

    with open_site_records(site, create=stamp) as records:
        said = complete_batch(records, site, said)
        entry = enter_batch(records, site, said, stamp)
    strength = entered_strength(said)
    if of_example(said.source):
        say(f"▲ {EXAMPLE_FIGURES}")
    if strength is not None:
        sample = site.sample_of_batch(said.kind)
        if (off := off_range(strength, sample)) is not None:
            say(f"▲ {off.message}\n  {off.advice}")
        say(f"{said.id} should be {strength_words(strength)} mg/L (95 %). Read it before it is used:")
        if said.parts:
            say(f"  {WAIT}")
        name = said.kind if sample is None else sample.name
        say(f"  stripread read PHOTO --lot LOT --sample {name} --batch {said.id} --record")
    else:
        say(
            f"{said.id}: what it is made of was never read nor predicted, so nothing is known of its strength. Read it."
        )
    for line in typed.notes:
        say(str(line))
    for caution in strong_cautions(*(() if strength is None else (strength,))):
        say(str(caution))
    note(f"recorded as entry {entry.seq}")


def _recipe_words(standing: "BatchStanding") -> str:
    from stripread.report import strength_words

    words = str(strength_words(standing.recipe))
    return f"{words} (EXAMPLE FIGURES)" if standing.example else words


def _plain(strength: "Measured | None") -> dict[str, object] | None:
    if strength is None:
        return None
    return {"value": strength.value, "standard_uncertainty": strength.u, "interval": list(strength.interval)}
