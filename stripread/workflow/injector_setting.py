"""An injector's setting: planned for a stock, and judged before it is entered by what it leaves at the outlets."""

from dataclasses import dataclass, replace
from datetime import datetime, timedelta

from stripread.errors import WrongUsageError
from stripread.i18n import Message, Number, Shown
from stripread.records import (
    Batch,
    InjectorSetting,
    ReadingFilter,
    Records,
    drawings,
    find_batch,
    line_of,
    strength_of,
    strength_read,
)
from stripread.report import Answer, crops, delivery_answer, dose_answer, injection_answer
from stripread.site import Expectation, Site
from stripread.units import Measured, System
from stripread.water import Ratio, delivered, dose_for, estimate_demand, inject

__all__ = ["InjectionWish", "judge_setting", "plan_setting"]

_LATELY = timedelta(days=30)  # readings that tell of the water's demand: ours
_TOGETHER = timedelta(hours=24)
_MG = ("mg/L", "ppm")


@dataclass(frozen=True, slots=True, kw_only=True)
class _Dosed:
    """What is expected of the water that an injector doses, and the demand that readings of it show."""

    expected: Expectation
    demand: Measured | None
    crops: tuple[str, ...]


def judge_setting(
    records: Records, site: Site, setting: InjectorSetting, *, demand: Measured | None = None
) -> Answer | None:
    """Return what a setting leaves at the outlets and whether that suits; None where the site expects nothing there.

    Parameters
    ----------
    demand : Measured or None
        What water and pipes take [mg/L]; None: what the record shows, if it shows any.
    """
    dosed = _dosed(records, site, setting)
    if dosed is None:
        return None
    batch = _drawn(records, site, setting)
    stock = None if batch is None else strength_of(records, batch, at=setting.since)
    taken = dosed.demand if demand is None else demand
    ratio, expected = Ratio(setting.ratio, setting.convention), dosed.expected
    limits = (expected.low, expected.high)
    if batch is None or stock is None:
        return dose_answer(ratio, analyte=expected.analyte, stock=None, limits=limits)
    if taken is None:
        answer = dose_answer(ratio, analyte=expected.analyte, stock=stock, limits=limits)
    else:
        answer = delivery_answer(
            ratio, analyte=expected.analyte, stock=stock, demand=taken, wanted=_aim(expected), limits=limits
        )
    dose = delivered(ratio, stock_mg_per_l=stock, demand_mg_per_l=Measured(0.0)).dose_mg_per_l
    named = [words for words in crops(expected.analyte, dose, dosed.crops) if words not in answer.cautions]
    answer = replace(answer, cautions=(*named, *answer.cautions))
    words: list[Shown] = [*answer.notes]
    if demand is None and taken is not None:
        words.append(_as_shown(taken))
    if batch.kind != "concentrate":
        return replace(answer, notes=tuple(words))
    raw = Message("%(batch)s is a CONCENTRATE, not a stock: an injector is set for stock.", batch=batch.id)
    return replace(answer, sign="▲", notes=(raw, *words))


@dataclass(frozen=True, slots=True, kw_only=True)
class InjectionWish:
    """What an injection is planned for; what is None is taken from the record or the site.

    Attributes
    ----------
    stock_mg_per_l : Measured
    demand_mg_per_l : Measured or None
        None: what the outlets' latest readings show.
    residual_mg_per_l : float or None
        To be left at the outlets; None: the site's target, or the middle of its range.
    flow_l_per_h : Measured or None
        Of the dosed water; gives the pump's rate.
    """

    stock_mg_per_l: Measured
    demand_mg_per_l: Measured | None = None
    residual_mg_per_l: float | None = None
    flow_l_per_h: Measured | None = None


def plan_setting(
    records: Records, site: Site, injector: str, wish: InjectionWish, *, at: datetime, system: System
) -> Answer:
    """Return how an injector is to be set for a stock.

    Raises
    ------
    WrongUsageError
        If nobody said what the water takes and no readings show it, or what is to be left.
    """
    dosed = _dosed(records, site, InjectorSetting(injector=injector, since=at, ratio=1.0, convention="in"))
    expected = None if dosed is None else dosed.expected
    shown = None if dosed is None else dosed.demand
    taken = shown if wish.demand_mg_per_l is None else wish.demand_mg_per_l
    if taken is None:
        raise WrongUsageError(
            expected=Message("what the water takes, or readings of the outlets behind this injector that show it"),
            found=Message("neither"),
            remedy=Message("Read just after the injector and at the outlets, and type the difference."),
        )
    left = wish.residual_mg_per_l
    if left is None and expected is not None:
        left = _aim(expected)
    if left is None:
        raise WrongUsageError(
            expected=Message("the residual that is wanted at the outlets, or what the site expects there"),
            found=Message("neither"),
            remedy=Message("Type the residual that is wanted."),
        )
    stock = wish.stock_mg_per_l
    dose = dose_for(residual_mg_per_l=Measured(left), demand_mg_per_l=taken)
    made = inject(dose_mg_per_l=dose, stock_mg_per_l=stock, flow_l_per_h=wish.flow_l_per_h)
    analyte = "chlorine dioxide" if expected is None else expected.analyte
    answer = injection_answer(made, analyte=analyte, stock=stock, system=system)
    if wish.demand_mg_per_l is not None:
        return answer
    return replace(answer, notes=(*answer.notes, _as_shown(taken)))


def _aim(expected: Expectation) -> float:
    """Return the residual that a site aims at: its target, else the middle of its range."""
    return (expected.low + expected.high) / 2 if expected.target is None else expected.target


def _as_shown(demand: Measured) -> Message:
    return Message(
        "The water is taken to use %(demand)s mg/L, as the outlets' latest readings show.",
        demand=Number(max(demand.value, 0.0), ".2g"),
    )


def _drawn(records: Records, site: Site, setting: InjectorSetting) -> Batch | None:
    if setting.batch is not None:
        return find_batch(records, setting.batch)
    now = drawings(records, site, at=setting.since)
    own = [one.batch for one in now if one.injector in (setting.injector, None)]
    if own:
        return own[0]
    known = site.supply.injectors.get(setting.injector)
    return None if known is not None else next((one.batch for one in now), None)


def _dosed(records: Records, site: Site, setting: InjectorSetting) -> _Dosed | None:
    """Return what the outlets behind an injector are judged by, and what the water takes by their latest readings."""
    known = site.supply.injectors.get(setting.injector)
    line = setting.injector if known is None or known.line is None else known.line
    outlets = [p.said for p in records.points() if line_of(site, p.said) is not None and not p.said.before_injector]
    own = [point for point in outlets if line_of(site, point) == line] or outlets
    sample = next((site.samples[p.sample] for p in own if p.sample in site.samples), site.samples.get("line"))
    if sample is None or sample.main.unit not in _MG:
        return None
    demand = _demand(records, site, setting, {point.name for point in own})
    watered = site.supply.lines.get(line)
    return _Dosed(expected=sample.main, demand=demand, crops=() if watered is None else watered.crops)


def _demand(records: Records, site: Site, setting: InjectorSetting, points: set[str]) -> Measured | None:
    """Return what the water took when the outlets were read last, by the setting and the stock of then."""
    wanted = ReadingFilter(validity="valid", since=setting.since - _LATELY, until=setting.since)
    read = [r for r in records.readings(wanted, limit=200) if r.point in points and strength_read(r) is not None]
    if not read:
        return None
    last = read[0].when
    then = next((one for one in drawings(records, site, at=last) if one.injector == setting.injector), None)
    if then is None or then.setting is None or then.batch is None:
        return None
    stock = strength_of(records, then.batch, at=last)
    if stock is None:
        return None
    ratio = Ratio(then.setting.ratio, then.setting.convention)
    dose = delivered(ratio, stock_mg_per_l=stock, demand_mg_per_l=Measured(0.0)).dose_mg_per_l
    latest = {r.point: strength_read(r) for r in reversed(read) if last - r.when <= _TOGETHER}
    outlets = [strength for strength in latest.values() if strength is not None]
    return estimate_demand(dose, outlets).mean_mg_per_l
