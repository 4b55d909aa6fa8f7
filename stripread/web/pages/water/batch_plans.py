"""Plans of batches for the page: what the record and the site know, and what follows from it for what was asked."""

import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime
from pathlib import Path
from typing import Any

from stripread.errors import StripReadError, WrongUsageError
from stripread.i18n import Message, Verbatim
from stripread.records import Batch, Records, batch_left, batch_readings, find_batch, store_standings, strength_of
from stripread.report import Answer, dilution_answer, generation_answer, top_up_answer
from stripread.site import Site, load_site
from stripread.units import ASSUMED_U, Measured, ParsedInputs, Units, volume_as_typed
from stripread.water import Dilution, Sachet, TopUp, dilute, expected_generation, load_sachet, shipped_sachets, top_up
from stripread.web.forms import chosen, needed, text, whole

__all__ = ["BATCH", "Plan", "known_sachets", "load_known", "plan_generation", "plan_stock", "plan_top_up", "warmth_of"]

BATCH = 40  # signs of a batch's name, as fit on a label
_CHOICES = 12  # the latest batches to choose from
_POUR_U = ASSUMED_U["volume"]

_Fields = Mapping[str, Any]


@dataclass(frozen=True, slots=True, kw_only=True)
class Plan:
    """What a page of a batch shows.

    Attributes
    ----------
    next_id : str
        A name for the next batch.
    concentrates, stocks : list of (Batch, (time, strength) or None)
        To choose from, each with its last valid reading; the latest first.
    target : str or None
        What the site aims at.
    sachets : list of str
    boxes : list of (str, int)
        Of the store, with how many sachets are left in each.
    answer : Answer or None
        The plan; None where nothing was asked for.
    fill : mapping
        What the plan asks to be poured, as it is typed.
    trouble : StripReadError or None
        Why there is no plan.
    """

    next_id: str
    concentrates: list[tuple[Batch, tuple[datetime, Measured] | None]] = field(default_factory=list)
    stocks: list[tuple[Batch, tuple[datetime, Measured] | None]] = field(default_factory=list)
    target: str | None = None
    sachets: list[str] = field(default_factory=list)
    boxes: list[tuple[str, int]] = field(default_factory=list)
    answer: Answer | None = None
    fill: Mapping[str, str] = field(default_factory=dict)
    trouble: StripReadError | None = None


def plan_generation(records: Records, folder: Path, asked: _Fields, units: Units) -> Plan:
    """Plan a concentrate from sachets."""
    kept = store_standings(records, at=datetime.now().astimezone())
    plan = Plan(
        next_id=_next_id(records, ("concentrate",), "C-1"),
        sachets=list(known_sachets(folder)),
        boxes=[(one.said.name, one.left) for one in kept if one.said.what == "sachets" and one.left > 0],
    )

    def made() -> Plan:
        typed, sachets = ParsedInputs.of(units), whole(asked, "sachets", most=1000) or 1
        water = typed.measured(text(asked, "water"), "volume", name=Message("the water"))
        hours = typed.exact(needed(asked, "after", Message("the time")), "time", name=Message("the time"))
        kind = load_known(known_sachets(folder), asked)
        warm = warmth_of(typed, asked)
        gives = expected_generation(kind, water_l=water, hours=hours, sachets=sachets, temperature_c=warm)
        answer = generation_answer(gives, kind, water_l=water.value, hours=hours, sachets=sachets, system=typed.system)
        return replace(plan, answer=_with_notes(answer, typed))

    return _planned(plan, asked, "water", made)


def plan_stock(records: Records, folder: Path, asked: _Fields, units: Units) -> Plan:
    """Plan a stock from a concentrate as it was read."""
    plan = replace(_known(records, folder, asked), next_id=_next_id(records, ("stock", "top-up"), "S-1"))

    def made() -> Plan:
        typed = ParsedInputs.of(units)
        total = typed.exact(text(asked, "make"), "volume", name=Message("the stock to make"))
        strength = _strength(records, typed, text(asked, "strength"), plan.concentrates, text(asked, "concentrate"))
        aim = _aim(typed, plan, asked)
        pours = dilute(
            strength,
            wanted_mg_per_l=aim,
            total_l=total,
            pour_u=_POUR_U,
            available_l=typed.maybe_exact(
                text(asked, "available") or None, "volume", name=Message("the concentrate there is")
            )
            or _left(records, load_site(folder), text(asked, "concentrate")),
            tank_l=typed.maybe_exact(text(asked, "holds") or None, "volume", name=Message("the tank")),
        )
        answer = dilution_answer(pours, concentrate=strength, wanted=aim, pour_u=_POUR_U, system=typed.system)
        fill = {}
        if isinstance(answer.result, Dilution):  # as a jug shows it
            fill = {
                "add": volume_as_typed(answer.result.concentrate_l, typed.system),
                "water": volume_as_typed(answer.result.water_l, typed.system),
            }
        return replace(plan, answer=_with_notes(answer, typed), fill=fill)

    return _planned(plan, asked, "make", made)


def plan_top_up(records: Records, folder: Path, asked: _Fields, units: Units) -> Plan:
    """Plan how to bring a stock to strength."""
    plan = replace(_known(records, folder, asked), next_id=_next_id(records, ("stock", "top-up"), "S-1"))

    def made() -> Plan:
        typed = ParsedInputs.of(units)
        left = typed.measured(text(asked, "volume"), "volume", name=Message("the stock's volume"))
        stock = _strength(records, typed, text(asked, "strength"), plan.stocks, text(asked, "stock"))
        named, said = text(asked, "concentrate"), text(asked, "concentrate_strength")
        concentrate = _strength(records, typed, said, plan.concentrates, named) if named or said else None
        aim = _aim(typed, plan, asked)
        holds = typed.maybe_exact(text(asked, "holds") or None, "volume", name=Message("the tank"))
        adds = top_up(
            stock, stock_l=left, wanted_mg_per_l=aim, concentrate_mg_per_l=concentrate, pour_u=_POUR_U, tank_l=holds
        )
        answer = top_up_answer(
            adds, stock=stock, stock_l=left, concentrate=concentrate, wanted=aim, pour_u=_POUR_U, system=typed.system
        )
        fill = {}
        if isinstance(answer.result, TopUp) and answer.result.add != "nothing":
            poured = volume_as_typed(answer.result.add_l, typed.system)
            fill = {
                "left": volume_as_typed(left.value - answer.result.remove_l, typed.system),
                "add": poured if answer.result.add == "concentrate" else "",
                "water": poured if answer.result.add == "water" else volume_as_typed(0.0, typed.system),
            }
        return replace(plan, answer=_with_notes(answer, typed), fill=fill)

    return _planned(plan, asked, "volume", made)


def _left(records: Records, site: Site, name: str) -> float | None:
    """Return the litres that are left of a batch; None where it is not known what it was."""
    batch = find_batch(records, name) if name else None
    now = datetime.now().astimezone()
    return None if batch is None else batch_left(records, batch, at=now, site=site).volume_l.value


def known_sachets(folder: Path) -> dict[str, str]:
    """Return the sachets to choose from, by name: those of the site's folder ``sachets``, then the shipped ones."""
    own = {path.stem: str(path) for path in sorted((folder / "sachets").glob("*.toml"))}
    return {**own, **{name: name for name in shipped_sachets() if name not in own}}


def load_known(known: Mapping[str, str], fields: _Fields) -> Sachet:
    """Return the sachet of a form, by its name among the known ones; the first where none is named."""
    name = chosen(fields, "sachet", list(known), Message("a sachet: %(known)s", known=", ".join(known))) or next(
        iter(known)
    )
    return load_sachet(known[name])


def warmth_of(typed: ParsedInputs, fields: _Fields) -> Measured | None:
    """Return the water's temperature of a form; None where it was left empty."""
    return typed.maybe_measured(text(fields, "temperature") or None, "temperature", name=Message("the temperature"))


def _planned(plan: Plan, asked: _Fields, first: str, made: Callable[[], Plan]) -> Plan:
    """Return the plan made, or why it cannot be; as it is where its first field was left empty."""
    try:
        return made() if text(asked, first) else plan
    except StripReadError as error:
        return replace(plan, trouble=error)


def _known(records: Records, folder: Path, asked: _Fields) -> Plan:
    """Return the batches to choose from and the site's target of a stock."""
    batches = [b.said for b in records.batches(limit=10 * _CHOICES)]
    site = load_site(folder)
    sample = site.sample_of_batch("stock")
    main = None if sample is None else sample.main
    aims = main is not None and main.target is not None

    def choices(*kinds: str) -> list[tuple[Batch, tuple[datetime, Measured] | None]]:
        own = [batch for batch in batches if batch.kind in kinds][:_CHOICES]
        return [(batch, next(iter(reversed(batch_readings(records, batch))), None)) for batch in own]

    return Plan(
        next_id="",
        concentrates=choices("concentrate"),
        stocks=choices("stock", "top-up"),
        target=f"{main.target:.12g} {main.unit}" if main is not None and aims else None,
    )


def _strength(
    records: Records,
    typed: ParsedInputs,
    said: str,
    choices: Sequence[tuple[Batch, tuple[datetime, Measured] | None]],
    name: str,
) -> Measured:
    """Return a strength as typed, else what the batch has now by its readings."""
    if said:
        return typed.measured(said, "strength", name=Message("the strength"), positive=False)
    for batch, read in choices:
        if batch.id == name:
            if read is None:
                raise WrongUsageError(
                    expected=Message("a batch that was read"),
                    found=Message("%(name)s, which was never read", name=name),
                    remedy=Message(
                        "Read a strip of it first, diluted 1 part in 10 where it is over the strip's range."
                    ),
                )
            now = strength_of(records, batch, at=datetime.now().astimezone())
            return read[1] if now is None else now
    raise WrongUsageError(
        expected=Message("a batch of the list, or a strength"),
        found=Verbatim(repr(name)),
        remedy=Message("Choose one, or type what was read."),
    )


def _aim(typed: ParsedInputs, plan: Plan, asked: _Fields) -> float:
    wanted = text(asked, "wanted") or plan.target
    if wanted is None:
        raise WrongUsageError(
            expected=Message("a wanted strength, or a target of the site's sample stock"), found=Message("neither"),
            remedy=Message("Type the strength that is wanted, as 220 mg/L."),
        )  # fmt: skip
    return typed.exact(wanted, "strength", name=Message("the wanted strength"))


def _with_notes(answer: Answer, typed: ParsedInputs) -> Answer:
    return replace(answer, notes=(*answer.notes, *typed.notes))


def _next_id(records: Records, kinds: tuple[str, ...], first: str) -> str:
    """Return the name after that of the latest batch of such a kind: S-15 after S-14."""
    latest = next((b.said.id for b in records.batches(limit=50) if b.said.kind in kinds), None)
    found = None if latest is None else re.fullmatch(r"(.*?)(\d{1,9})", latest)
    if found is None:
        return first if latest is None else ""
    return f"{found[1]}{int(found[2]) + 1:0{len(found[2])}d}"
