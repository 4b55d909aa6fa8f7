"""The loss of a stock's strength in words."""

from typing import Literal

from stripread.i18n import Joined, Message, Number, Shown
from stripread.report.answer import Answer
from stripread.report.terminal.water_strong import strong
from stripread.units import Measured, tell, tell_hours
from stripread.water import Forecast, LossFit

__all__ = ["decay_answer", "widened"]

_MG = "mg/L"


def decay_answer(found: Forecast, *, limit: float | None, at_h: float | None) -> Answer:
    """Tell how fast a stock loses strength, and when it falls below its limit."""
    fit, left, asked = found.fit, found.left_h, found.at_mg_per_l
    facts: list[tuple[Shown, Shown]] = [
        (Message("half-life"), _span(fit.half_life)),
        (Message("at the start"), tell(fit.start_mg_per_l, _MG)),
        (
            Message("at last reading"),
            Message(
                "%(now_mg_per_l)s after %(last)s, by all readings together",
                now_mg_per_l=tell(found.now_mg_per_l, _MG),
                last=tell_hours(fit.last),
            ),
        ),
    ]
    if asked is not None and at_h is not None:
        facts.append((Message("at %(time)s", time=tell_hours(at_h)), tell(asked, _MG)))
    headline, sign = Message("Loses half its strength in %(half_life)s", half_life=_span(fit.half_life)), "="
    if left is not None and limit is not None:
        headline, sign = _limit_words(left, limit)
    notes: list[Shown] = []
    if fit.prior.name != "none":
        notes.append(
            Message(
                "Before any reading, a half-life of %(half_life)s, give or take a factor of %(factor)s, "
                "was taken for %(name)s (%(source)s). It carries %(prior_share)s of what is said here of "
                "the rate; more readings make it less.",
                half_life=tell_hours(fit.prior.half_life),
                factor=Number(fit.prior.factor, "g"),
                name=fit.prior.name,
                source=fit.prior.source,
                prior_share=_percent(min(fit.prior_share, 1.0)),
            )
        )
    else:
        notes.append(Message("No cover was named: the rate rests on the readings alone (and a wide prior)."))
    notes += widened(fit, Message("look for a top-up in between, another tank, or a strip gone wrong"))
    notes.append(
        Message("Loss taken as first-order: the same share in every hour, cover and temperature as they were.")
    )
    answer = Answer(
        sign=sign,
        headline=headline,
        result=found,
        facts=tuple(facts),
        steps=_FALLEN if sign == "▲" else (),
        notes=tuple(notes),
    )
    return strong(answer, fit.start_mg_per_l)


def widened(fit: LossFit, look_for: Shown) -> tuple[Shown, ...]:
    """Return the note that the readings' errors were widened, where they were."""
    if fit.widened_by <= 1:
        return ()
    return (
        Message(
            "The readings scatter %(widened_by)s times as much about the curve as their uncertainties say, and were "
            "widened by that: %(look_for)s.",
            widened_by=Number(fit.widened_by, ".1f"),
            look_for=look_for,
        ),
    )


def _percent(share: float) -> Shown:
    if share < 0.001:
        return Message("under %(bound)s", bound=Joined((Number(0.1), "%")))
    return Joined((Number(100 * share, ".2g"), "%")) if share < 0.995 else Message("nearly 100 %")


_FALLEN = (
    Message("Read a fresh strip of the stock."),
    Message("If it is below the limit, top it up by what `stripread water top-up` says, or make a new one."),
    Message("Look at the cover: an open, warm or sunlit tank loses strength fastest."),
)


def _limit_words(left: Measured, limit: float) -> tuple[Message, str]:
    low, high = left.interval
    if high is not None and high <= 0:
        return Message("BELOW its limit of %(limit)s mg/L already", limit=Number(limit, ".4g")), "▲"
    if low <= 0:
        expected = (
            Message("expected in %(left)s from the last reading", left=_span(left))
            if left.value > 0
            else Message("and probably is")
        )
        return Message(
            "MAY BE BELOW its limit of %(limit)s mg/L already; %(expected)s",
            limit=Number(limit, ".4g"),
            expected=expected,
        ), "▲"
    return Message(
        "Falls below %(limit)s mg/L in %(left)s from the last reading", limit=Number(limit, ".4g"), left=_span(left)
    ), "="


def _span(hours: Measured) -> Message:
    low, high = hours.interval
    least = Message("already") if low < 0 else _year(low, end="lower")
    most = Message("no end known") if high is None else _year(high, end="upper")
    return Message("%(amount)s (95 %%: %(low)s to %(high)s)", amount=_year(hours.value), low=least, high=most)


def _year(hours: float, *, end: Literal["lower", "upper"] | None = None) -> Shown:
    return Message("over a year") if hours > 8760 else tell_hours(hours, end=end)
