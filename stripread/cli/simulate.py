"""The commands ``simulate photo``, ``vial``, ``series`` and ``season``: with known truth, for trials and tests."""

from pathlib import Path
from typing import Annotated

import typer

from stripread.cli.output import note
from stripread.cli.typed import number_of
from stripread.errors import QuantityError, WrongUsageError
from stripread.files import write_file
from stripread.i18n import Message, Verbatim
from stripread.units import parse_number

__all__ = ["simulate_app"]

simulate_app = typer.Typer(
    rich_markup_mode=None,
    no_args_is_help=True,
    help="Draw SIMULATED photos with known truth. They are no photos of real strips and say nothing about real water.",
)

_KIND = typer.Option(metavar="KIND", help="One of the kinds that come with stripread.")
_SEED = typer.Option(metavar="N", help="The same seed gives the same bytes.")
_PRINTER = typer.Option(metavar="N", help="Number of the simulated printer that printed the card.")
_FACTOR = typer.Option(metavar="F", help="Dye of the lot, relative to its kind's.")
_CARD_OUT = typer.Option(metavar="CARD.toml", help="Also write the card as enrolled for that printer.")


@simulate_app.command()
def photo(
    out: Annotated[Path, typer.Argument(metavar="OUT.jpg", help="The photo; its truth goes to OUT.toml beside it.")],
    kind: Annotated[str, _KIND],
    value: Annotated[
        list[str], typer.Option(metavar="C", help="The concentration; for several pads PAD=C, once for each.")
    ],
    seed: Annotated[int, _SEED] = 1,
    printer: Annotated[int, _PRINTER] = 2,
    lot_factor: Annotated[float, _FACTOR] = 1.0,
    lamp: Annotated[
        str | None, typer.Option(metavar="LAMP", help="The light, such as D55. [any, from the seed]")
    ] = None,
    card_out: Annotated[Path | None, _CARD_OUT] = None,
) -> None:
    """Draw a SIMULATED photo of a dipped strip on the card, as someone in a hurry would take it.

    Example:

      stripread simulate photo try.jpg --kind clo2-ultralow --value 0.35 --seed 7 --card-out card.toml
    """
    import dataclasses

    import numpy as np
    import tomli_w

    from stripread.card import design_card
    from stripread.simulate import STRIP_SCATTER, dip_strip, random_shot, take_photo
    from stripread.strip import load_kind

    _check_kind(kind)
    strip_kind = load_kind(kind)
    concentrations = _concentrations(value, [pad.id for pad in strip_kind.pads])
    rng = np.random.default_rng(seed)
    strip = dip_strip(strip_kind, concentrations, rng, scatter=STRIP_SCATTER[kind])
    strip = dataclasses.replace(strip, dye_factor=strip.dye_factor * lot_factor)
    shot = dataclasses.replace(random_shot(design_card(), strip, rng, seen=True), printer_seed=printer)
    if lamp is not None:
        _check_lamp(lamp)
        shot = dataclasses.replace(shot, lamps=(lamp,))
    take_photo(shot, out, seed=seed)
    truth = {
        "simulated": True,
        "kind": kind,
        "printer": printer,
        "lamp": shot.lamps[0],
        "phone": shot.phone.name,
        "seed": seed,
        "lot_factor": lot_factor,
        "concentration": concentrations,
    }
    write_file(out.with_suffix(".toml"), tomli_w.dumps(truth))
    _write_card(printer, card_out)
    note(f"wrote {out} (simulated) and its truth, {out.with_suffix('.toml')}")


@simulate_app.command()
def vial(
    out: Annotated[Path, typer.Argument(metavar="OUT.jpg", help="The photo; its truth goes to OUT.toml beside it.")],
    kind: Annotated[str, _KIND],
    values: Annotated[str, typer.Option(metavar="C,C,...", help="The values of the chart's blocks, rising.")],
    pad: Annotated[str | None, typer.Option(metavar="ID", help="The chart's pad, where the kind has several.")] = None,
    seed: Annotated[int, _SEED] = 1,
    printer: Annotated[int, _PRINTER] = 2,
    card_out: Annotated[Path | None, _CARD_OUT] = None,
) -> None:
    """Draw a SIMULATED photo of a vial on the card, its colour chart up, for ``lot from-chart``.

    Example:

      stripread simulate vial vial.jpg --kind clo2-wide --values 0,50,100,250,400,600 --seed 7 --card-out card.toml
    """
    import dataclasses

    import numpy as np
    import tomli_w

    from stripread.card import design_card
    from stripread.cli.lot.vial import chart_numbers, chart_pad
    from stripread.simulate import CHEMISTRY, random_shot, random_vial, take_photo
    from stripread.strip import load_kind

    _check_kind(kind)
    the_pad, numbers = chart_pad(load_kind(kind), pad), chart_numbers(values)
    rng = np.random.default_rng(seed)
    drawn = random_vial(CHEMISTRY[kind, the_pad.id], tuple(sorted(numbers)), rng, seen=True)
    shot = dataclasses.replace(random_shot(design_card(), None, rng, seen=True), printer_seed=printer, vial=drawn)
    take_photo(shot, out, seed=seed)
    truth = {
        "simulated": True,
        "kind": kind,
        "pad": the_pad.id,
        "from_the_cap": [float(word) for word in drawn.words],
        "printer": printer,
        "label_printer": drawn.label_printer,
        "lamp": shot.lamps[0],
        "phone": shot.phone.name,
        "seed": seed,
    }
    write_file(out.with_suffix(".toml"), tomli_w.dumps(truth))
    _write_card(printer, card_out)
    note(f"wrote {out} (simulated) and its truth, {out.with_suffix('.toml')}")


@simulate_app.command()
def series(
    folder: Annotated[
        Path, typer.Argument(metavar="DIR", help="Folder for the photos and series.csv; made if need be.")
    ],
    kind: Annotated[str, _KIND],
    seed: Annotated[int, _SEED] = 1,
    printer: Annotated[int, _PRINTER] = 2,
    lot_factor: Annotated[float, _FACTOR] = 1.0,
    card_out: Annotated[Path | None, _CARD_OUT] = None,
) -> None:
    """Draw the SIMULATED photos of a dilution series, as someone careful would take them to calibrate a lot.

    Example:

      stripread simulate series try-series --kind clo2-wide --seed 7 --card-out card.toml
    """
    import tomli_w

    from stripread.card import design_card
    from stripread.simulate import SeriesPlan, demo_conditions, shoot_series
    from stripread.strip import load_kind

    _check_kind(kind)
    plan = SeriesPlan(
        kind=load_kind(kind),
        card=design_card(),
        printer_seed=printer,
        lot_factor=lot_factor,
        conditions=demo_conditions(seed),
    )
    path = shoot_series(plan, folder, seed=seed)
    truth = {
        "simulated": True,
        "kind": kind,
        "printer": printer,
        "lamps": [lamp for _, lamp in plan.conditions],
        "phones": [phone.name for phone, _ in plan.conditions],
        "seed": seed,
        "lot_factor": lot_factor,
    }
    write_file(folder / "truth.toml", tomli_w.dumps(truth))
    _write_card(printer, card_out)
    note(f"wrote {path} and its photos (simulated)")


@simulate_app.command()
def season(
    folder: Annotated[Path, typer.Argument(metavar="DIR", help="A new folder for the site, its record and photos.")],
    site: Annotated[
        Path, typer.Option(metavar="DIR", help="The demo site, whose card print and lots are used.")
    ] = Path("calibration"),
    seed: Annotated[int, _SEED] = 1,
    faults: Annotated[
        bool, typer.Option("--faults/--no-faults", help="Hide four faults in it, or none: all goes well.")
    ] = True,
) -> None:
    """Play six SIMULATED weeks of an invented nursery: every strip drawn as a photo, read, judged and recorded.

    Example:

      stripread simulate season demo-season --site calibration

    Takes a minute or two. `stripread report` then tells what went wrong; the truth is in truth.toml.
    """
    from stripread.simulate import play_season

    def told(done: int, of: int) -> None:
        if done % 20 == 0 or done == of:
            note(f"{done} of {of} strips read and recorded (simulated)")

    play_season(folder, site, seed=seed, faults=faults, report=told)
    note(f"the site: {folder}")


@simulate_app.command()
def study(
    folder: Annotated[Path, typer.Argument(metavar="DIR", help="A new folder for the site, its study and photos.")],
    site: Annotated[
        Path, typer.Option(metavar="DIR", help="The demo site, whose card print and lots are used.")
    ] = Path("calibration"),
    lot: Annotated[str, typer.Option(metavar="LOT", help="The demo lot to be proven, one of one pad.")] = "UL-2603",
    seed: Annotated[int, _SEED] = 1,
    short: Annotated[bool, typer.Option("--short", help="The short form, 15 strips.")] = False,
    small: Annotated[bool, typer.Option("--small", help="Photos of 1600 x 1200 in place of the phone's.")] = False,
    bias: Annotated[
        float,
        typer.Option(
            metavar="SHARE", parser=number_of("--bias", low=-0.5, high=1), help="By how much the strips read too high."
        ),
    ] = 0.0,
) -> None:
    """Play a SIMULATED study of an invented nursery: plan it, draw all photos, and write what people would enter.

    Example:

      stripread simulate study demo-study --site calibration --small

    Takes some minutes, more without --small. Then `stripread study run demo` takes it in, and `stripread study report
    demo` opens the truth.
    """
    from stripread.simulate import PHONE_PX, SMALL_PX, play_study
    from stripread.study import FULL, SHORT

    def told(done: int, of: int) -> None:
        if done % 20 == 0 or done == of:
            note(f"{done} of {of} photos drawn (simulated)")

    size = SMALL_PX if small else PHONE_PX
    play_study(folder, site, lot=lot, seed=seed, form=SHORT if short else FULL, size_px=size, bias=bias, report=told)
    note(f"the site: {folder}; photos, sheet.csv and assays.csv in it are what people would bring")


def _check_kind(kind: str) -> None:
    from stripread.simulate import LEVELS

    if kind not in LEVELS:
        raise WrongUsageError(
            expected=Message("a kind whose pads the simulator knows: %(known)s", known=", ".join(LEVELS)),
            found=Verbatim(repr(kind)),
            remedy=Message("Name one of these."),
        )


def _check_lamp(name: str) -> None:
    from stripread.simulate import FAMILIES

    lamps = [lamp for family in FAMILIES.values() for lamp in family]
    if name not in lamps:
        raise WrongUsageError(
            expected=Message("a lamp of the simulator: %(lamps)s", lamps=", ".join(lamps)),
            found=Verbatim(repr(name)),
            remedy=Message("Name one of these."),
        )


def _concentrations(values: list[str], pads: list[str]) -> dict[str, float]:
    """Read ``C`` for the only pad, or ``PAD=C`` for each."""
    concentrations = {}
    for text in values:
        pad, _, number = text.rpartition("=")
        try:
            concentrations[pad or pads[0]] = parse_number(number, name=Verbatim("C"), low=0)
        except QuantityError:
            concentrations = {}
            break
    numbers_fit = all(0 <= c < 1e6 for c in concentrations.values())  # also false for NaN
    if set(concentrations) != set(pads) or not numbers_fit:
        form = Message("--value C") if len(pads) == 1 else " ".join(f"--value {pad}=C" for pad in pads)
        raise WrongUsageError(
            expected=Message("%(form)s, with C of 0 or more", form=form),
            found=Verbatim(" ".join(values)),
            remedy=Message("Give each pad its concentration."),
        )
    return concentrations


def _write_card(printer: int, out: Path | None) -> None:
    if out is None:
        return
    from stripread.card import design_card, save_card
    from stripread.simulate import enrolled

    save_card(enrolled(design_card(), printer), out)
    note(f"wrote {out}, the card of simulated printer {printer}")
