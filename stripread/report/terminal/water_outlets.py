"""What the outlets say: how much of the dose the water takes, and how strength falls along a line, in words."""

from collections.abc import Sequence

from stripread.i18n import Message, Number, Shown, Verbatim
from stripread.report.answer import Answer
from stripread.report.terminal.water_loss import widened
from stripread.units import Measured, lower_end, plain, tell, upper_end
from stripread.water import Demand, LineLoss, Outlet

__all__ = ["demand_answer", "line_answer"]

_MG = "mg/L"
_SEEN = {
    "falls": Message("falls"),
    "rises": Message("rises"),
    "no difference seen": Message("no difference seen"),
}


def demand_answer(found: Demand, *, dose: Measured, names: Sequence[str], readings: Sequence[Measured]) -> Answer:
    """Tell how much of the dose the water takes on its way to each outlet."""
    facts: list[tuple[Shown, Shown]] = [(Message("dose"), tell(dose, _MG))]
    each = zip(names, readings, found.per_outlet_mg_per_l, found.at_least, strict=True)
    for name, reading, one, bound in each:
        said = (
            Message("under %(bound)s mg/L", bound=Number(reading.interval[1] or 0.0, "g"))
            if bound
            else tell(reading, _MG)
        )
        facts.append(
            (Verbatim(name), Message("reads %(reading)s; takes %(demand)s", reading=said, demand=_taken(one, bound)))
        )
    facts.append((Message("mean demand"), _taken(found.mean_mg_per_l, any(found.at_least))))
    above = [name for name, gap in zip(names, found.above_dose, strict=True) if gap is not None]
    largest, bound = found.per_outlet_mg_per_l[found.largest], found.at_least[found.largest]
    if above:
        headline = (
            Message("CANNOT BE: %(above)s reads more than the dose", above=", ".join(above))
            if len(above) == 1
            else Message("CANNOT BE: %(above)s read more than the dose", above=", ".join(above))
        )
    elif bound:
        headline = Message(
            "Demand %(largest)s, at %(outlet)s", largest=_taken(largest, bound), outlet=names[found.largest]
        )
    else:
        headline = Message(
            "Demand up to %(largest)s, at %(outlet)s", largest=tell(largest, _MG), outlet=names[found.largest]
        )
    steps: tuple[Shown, ...] = (
        Message(
            "Plan the dose with the largest demand, %(demand)s mg/L, so that no outlet falls short: "
            "`stripread water inject`.",
            demand=Number(max(largest.value, 0), ".3g"),
        ),
    )
    if above:
        steps = (
            Message(
                "Check stock and injector: read a strip of the stock, and look at the setting and which 1:N it means."
            ),
            Message("Read %(above)s again with a new strip of the right kind.", above=", ".join(above)),
        )
    elif bound:
        steps = (
            Message(
                "How much more it takes is not known: raise the dose until %(outlet)s reads a number, or read it with "
                "a kind of a lower range, and estimate again.",
                outlet=names[found.largest],
            ),
        )
    return Answer(sign="▲" if above else "=", headline=headline, result=found, facts=tuple(facts), steps=steps)


def _taken(demand: Measured, bound: bool) -> Shown:
    """Return a demand with its interval; of a bound only the least, by the lower end of what is known of it."""
    if not bound:
        return tell(demand, _MG)
    return Message("at least %(least)s mg/L", least=lower_end(max(demand.interval[0], 0.0), digits=2))


def line_answer(
    found: LineLoss, outlets: Sequence[Outlet], *, length: tuple[str, float], strength: tuple[str, float]
) -> Answer:
    """Tell how strength falls from outlet to outlet.

    Parameters
    ----------
    length, strength : (str, float)
        The units to answer in, and how many metres or mg/L they are.
    """
    facts: list[tuple[Shown, Shown]] = []
    for outlet in outlets:
        label: Shown = Verbatim(outlet.name)
        if outlet.distance_m is not None:
            at = Number(outlet.distance_m / length[1], ".4g")
            label = Message("%(outlet)s, %(distance)s %(unit)s", outlet=outlet.name, distance=at, unit=length[0])
        facts.append((label, tell(outlet.reading_mg_per_l.scaled(1 / strength[1]), strength[0])))
    for step in found.steps:
        lost = Message("%(left)s left; %(seen)s", left=tell(step.left.scaled(100), "%"), seen=_SEEN[step.seen])
        facts.append((Message("%(first)s to %(second)s", first=step.first, second=step.second), lost))
    notes: tuple[Shown, ...] = ()
    if found.fit is not None:
        facts.append((Message("halves in"), _halves(found.fit.half_life.scaled(1 / length[1]), length[0])))
        notes = widened(found.fit, Message("look for a line not flushed, or a strip gone wrong"))
    rises = [step for step in found.steps if step.seen == "rises"]
    falls = [step for step in found.steps if step.seen == "falls"]
    if rises:
        headline = Message(
            "CANNOT BE LOSS: rises from %(first)s to %(second)s", first=rises[0].first, second=rises[0].second
        )
    elif falls:
        worst = min(falls, key=lambda step: step.left.value)
        headline = Message(
            "Falls most from %(first)s to %(second)s: %(left)s left",
            first=worst.first,
            second=worst.second,
            left=tell(worst.left.scaled(100), "%"),
        )
    else:
        headline = Message("No difference between neighbours beyond what the readings' uncertainties allow")
    steps = (Message("Let the line run and read both outlets again, a new strip each."),) if rises else ()
    return Answer(
        sign="▲" if rises else "=", headline=headline, result=found, facts=tuple(facts), steps=steps, notes=notes
    )


def _halves(half: Measured, unit: str) -> Message:
    """Return the length of a half with its ends, each with its own digits; a line is built for the lower one."""
    low, high = half.interval
    return Message(
        "%(length)s %(unit)s, at the least %(low)s %(unit)s (95 %%: %(low)s to %(high)s %(unit)s)",
        length=plain(half.value, 2),
        low=lower_end(low, digits=2),
        high=Message("no end known") if high is None else upper_end(high, digits=2),
        unit=unit,
    )
