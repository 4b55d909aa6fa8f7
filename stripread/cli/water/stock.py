"""The commands ``water generate``, ``dilute``, ``tank``, ``recipe``, ``top-up`` and ``decay``: batches and stock."""

from typing import Annotated

import typer

from stripread.cli.inputs import (
    AnswerUnits,
    Cover,
    Json,
    Sachet,
    Sachets,
    SiteFolder,
    Temperature,
    give,
    inputs_at,
    strength_of,
    timed,
    wanted_strength,
    warmth,
)
from stripread.cli.water.line import line_commands
from stripread.errors import WrongUsageError
from stripread.i18n import Message

__all__ = ["water_app"]

water_app = typer.Typer(
    rich_markup_mode=None,
    no_args_is_help=True,
    help="Plan concentrate, stock and injection; amounts as '10 gal', '0.35 mg/L', '220 mg/L u 11'.",
)

Concentrate = Annotated[
    str,
    typer.Option(metavar="STRENGTH", help="Of the concentrate, as read: '420 mg/L, 390 to 450'; or a batch."),
]
Wanted = Annotated[
    str | None,
    typer.Option(metavar="STRENGTH", help="Of the stock that is wanted. [the target of the site's sample stock]"),
]


@water_app.command()
def generate(
    after: Annotated[str, typer.Option(metavar="TIME", help="How long the sachets are left in the water.")],
    water: Annotated[str | None, typer.Option(metavar="VOLUME", help="Water for the sachets; or --wanted.")] = None,
    wanted: Annotated[
        str | None, typer.Option(metavar="STRENGTH", help="Strength that is wanted: gives the volume of water.")
    ] = None,
    sachets: Sachets = 1,
    sachet: Sachet = "example",
    temperature: Temperature = None,
    reading: Annotated[
        str | None, typer.Option(metavar="STRENGTH", help="What was read: tells what the sachet really gave.")
    ] = None,
    units: AnswerUnits = None,
    json: Json = False,
) -> None:
    """Tell how strong a sachet's concentrate will be, or what the sachet gave by a reading.

    Example:

      stripread water generate --after "12 h" --water "20 L"

    Exit codes: 0 done; 1 an error; 2 wrong usage; 3 the reading is unlike what the sachet's file says, or so strong a
    solution may explode.
    """
    from stripread.report import generation_answer
    from stripread.units import ASSUMED_U, Measured, jug
    from stripread.water import expected_generation, load_sachet, water_for
    from stripread.workflow import yield_sum

    if (water is None) == (wanted is None) or (water is None and reading is not None):
        raise WrongUsageError(
            expected=Message("--water, or without a reading --wanted in its place"),
            found=Message("both or neither"),
            remedy=Message("Name one."),
        )
    typed = inputs_at(None, answer_in=units)
    hours = typed.exact(after, "time", name=Message("the time"), positive=False)
    read = typed.maybe_measured(reading, "strength", name=Message("the reading"))
    kind, warm = load_sachet(sachet), warmth(typed, temperature)
    if water is not None:
        litres = typed.measured(water, "volume", name=Message("the water"))
    else:
        aim = typed.exact(wanted or "", "strength", name=Message("the wanted strength"))
        needed = water_for(kind, wanted_mg_per_l=aim, hours=hours, sachets=sachets, temperature_c=warm)
        volume = jug(needed.value, typed.system)
        litres = Measured(volume, ASSUMED_U["volume"] * volume)
    if read is None:
        made = expected_generation(kind, water_l=litres, hours=hours, sachets=sachets, temperature_c=warm)
        answer = generation_answer(made, kind, water_l=litres.value, hours=hours, sachets=sachets, system=typed.system)
    else:
        answer = yield_sum(typed, kind, sachets=sachets, water=litres, hours=hours, reading=read, temperature=warm)
    give(answer, typed, command="water generate", json=json)


@water_app.command()
def dilute(
    concentrate: Concentrate,
    make: Annotated[str, typer.Option(metavar="VOLUME", help="How much stock to make.")],
    available: Annotated[str | None, typer.Option(metavar="VOLUME", help="How much concentrate there is.")] = None,
    tank: Annotated[str | None, typer.Option(metavar="VOLUME", help="What the tank holds.")] = None,
    wanted: Wanted = None,
    site: SiteFolder = None,
    units: AnswerUnits = None,
    json: Json = False,
) -> None:
    """Give the volumes for a stock from the concentrate as it was read, and the steps to make it.

    A still tank is layered: wait half an hour, and sample at the depth from which the injector draws.

    Example:

      stripread water dilute --concentrate "435 mg/L, 400 to 470" --wanted "220 mg/L" --make "10 gal"
    """
    from stripread.report import dilution_answer
    from stripread.units import ASSUMED_U
    from stripread.water import dilute as plan_dilution

    typed = inputs_at(site, answer_in=units)
    total = typed.exact(make, "volume", name=Message("the stock to make"))
    strength = strength_of(typed, concentrate, name=Message("the concentrate"), site=site)
    aim = wanted_strength(typed, wanted, option="wanted", sample="stock", site=site)
    made = plan_dilution(
        strength,
        wanted_mg_per_l=aim,
        total_l=total,
        pour_u=ASSUMED_U["volume"],
        available_l=typed.maybe_exact(available, "volume", name=Message("the concentrate available")),
        tank_l=typed.maybe_exact(tank, "volume", name=Message("the tank")),
    )
    answer = dilution_answer(made, concentrate=strength, wanted=aim, pour_u=ASSUMED_U["volume"], system=typed.system)
    give(answer, typed, command="water dilute", json=json)


@water_app.command(name="tank")
def fill(
    tank: Annotated[str, typer.Option(metavar="VOLUME", help="What the tank holds.")],
    concentrate: Concentrate,
    available: Annotated[str, typer.Option(metavar="VOLUME", help="How much concentrate there is.")],
    wanted: Wanted = None,
    site: SiteFolder = None,
    units: AnswerUnits = None,
    json: Json = False,
) -> None:
    """Tell how much stock a tank can hold and the concentrate is enough for, and the steps to make it.

    Example:

      stripread water tank --tank "16 gal" --concentrate "435 mg/L u 18" --available "6 gal" --wanted "220 mg/L"
    """
    from stripread.report import dilution_answer
    from stripread.units import ASSUMED_U, tell_volume
    from stripread.water import fill_tank

    typed = inputs_at(site, answer_in=units)
    tank_l = typed.exact(tank, "volume", name=Message("the tank"))
    available_l = typed.exact(available, "volume", name=Message("the concentrate available"))
    strength = strength_of(typed, concentrate, name=Message("the concentrate"), site=site)
    aim = wanted_strength(typed, wanted, option="wanted", sample="stock", site=site)
    made = fill_tank(strength, wanted_mg_per_l=aim, tank_l=tank_l, available_l=available_l, pour_u=ASSUMED_U["volume"])
    full = made.total_l >= tank_l * (1 - 1e-9)
    left = tell_volume(available_l - made.concentrate_l, typed.system)
    also = (
        f"The tank is full; {left} of concentrate is left over."
        if full
        else f"The concentrate is used up; room is left for {tell_volume(tank_l - made.total_l, typed.system)}."
    )
    answer = dilution_answer(
        made, concentrate=strength, wanted=aim, pour_u=ASSUMED_U["volume"], system=typed.system, also=also
    )
    give(answer, typed, command="water tank", json=json)


@water_app.command()
def recipe(
    concentrate: Concentrate,
    add: Annotated[str, typer.Option(metavar="VOLUME", help="How much concentrate is added.")],
    water: Annotated[str, typer.Option(metavar="VOLUME", help="To how much water.")],
    reading: Annotated[
        str | None, typer.Option(metavar="STRENGTH", help="What the stock was read as: can both be right?")
    ] = None,
    site: SiteFolder = None,
    units: AnswerUnits = None,
    json: Json = False,
) -> None:
    """Tell what strength a recipe must give by mass balance, and whether a reading of it can be right.

    Example:

      stripread water recipe --concentrate "420 mg/L" --add "20 L" --water "34 L" --reading "220 mg/L"

    Exit codes: 0 done, or both agree; 1 an error; 2 wrong usage; 3 recipe and reading can hardly both be right.
    """
    from stripread.workflow import recipe_sum

    typed = inputs_at(None, answer_in=units)
    strength = strength_of(typed, concentrate, name=Message("the concentrate"), site=site)
    answer = recipe_sum(typed, strength, add=add, water=water, reading=reading)
    give(answer, typed, command="water recipe", json=json)


@water_app.command(name="top-up")
def top_up(
    stock: Annotated[str, typer.Option(metavar="STRENGTH", help="Of the stock, as read; or a batch's name.")],
    volume: Annotated[str, typer.Option(metavar="VOLUME", help="How much of it there is.")],
    concentrate: Annotated[
        str | None,
        typer.Option(metavar="STRENGTH", help="Of the concentrate, to raise a weak stock; or a batch."),
    ] = None,
    tank: Annotated[str | None, typer.Option(metavar="VOLUME", help="What the tank holds.")] = None,
    wanted: Wanted = None,
    site: SiteFolder = None,
    units: AnswerUnits = None,
    json: Json = False,
) -> None:
    """Bring a weak stock to strength with concentrate, or a strong one with water.

    A still tank is layered: wait half an hour, and sample at the depth from which the injector draws.

    Example:

      stripread water top-up --stock "165 mg/L u 9" --volume "28 L" --concentrate "420 mg/L u 21" --wanted "220 mg/L"
    """
    from stripread.report import top_up_answer
    from stripread.units import ASSUMED_U
    from stripread.water import top_up as plan_top_up

    typed = inputs_at(site, answer_in=units)
    stock_l = typed.measured(volume, "volume", name=Message("the stock's volume"))
    strength = strength_of(typed, stock, name=Message("the stock"), site=site, positive=False)
    aim = wanted_strength(typed, wanted, option="wanted", sample="stock", site=site)
    with_what = (
        None if concentrate is None else strength_of(typed, concentrate, name=Message("the concentrate"), site=site)
    )
    made = plan_top_up(
        strength,
        stock_l=stock_l,
        wanted_mg_per_l=aim,
        concentrate_mg_per_l=with_what,
        pour_u=ASSUMED_U["volume"],
        tank_l=typed.maybe_exact(tank, "volume", name=Message("the tank")),
    )
    answer = top_up_answer(
        made,
        stock=strength,
        stock_l=stock_l,
        concentrate=with_what,
        wanted=aim,
        pour_u=ASSUMED_U["volume"],
        system=typed.system,
    )
    give(answer, typed, command="water top-up", json=json)


@water_app.command()
def decay(
    reading: Annotated[
        list[str],
        typer.Option(metavar="TIME=STRENGTH", help="A reading and the stock's age: '24 h=260 mg/L u 12'. Repeat it."),
    ],
    cover: Annotated[
        Cover | None,
        typer.Option(metavar="COVER", help="The tank: open, covered or sealed. Helps where readings are few."),
    ] = None,
    limit: Annotated[
        str | None, typer.Option(metavar="STRENGTH", help="Least strength that is of use: when is it passed?")
    ] = None,
    at: Annotated[str | None, typer.Option(metavar="TIME", help="Strength expected at this age.")] = None,
    temperature: Temperature = None,
    json: Json = False,
) -> None:
    """Tell how fast a stock loses strength: half-life, and when it falls below its limit.

    Example:

      stripread water decay --reading "0 h=226 mg/L u 11" --reading "24 h=192 mg/L u 10" --limit "180 mg/L"

    Exit codes: 0 done; 1 an error; 2 wrong usage; 3 the stock may be below its limit already.
    """
    from stripread.workflow import decay_sum

    typed = inputs_at(None)
    answer = decay_sum(
        typed,
        [timed(text) for text in reading],
        cover=None if cover is None else cover.value,
        limit=limit,
        at=at,
        temperature=temperature,
    )
    give(answer, typed, command="water decay", json=json)


line_commands(water_app)
