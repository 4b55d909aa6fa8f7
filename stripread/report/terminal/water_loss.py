"""The loss of a stock's strength in words."""

from stripread.check.verdict import CAUTION
from stripread.report.answer import Answer
from stripread.units import Measured
from stripread.units.amounts import tell, tell_hours
from stripread.water.decay import Forecast

__all__ = ["decay_answer"]

_MG = "mg/L"


def decay_answer(found: Forecast, *, limit: float | None, at_h: float | None) -> Answer:
    """Tell how fast a stock loses strength, and when it falls below its limit."""
    fit, left, asked = found.fit, found.left_h, found.at_mg_per_l
    facts = [
        ("half-life", _span(fit.half_life)),
        ("at the start", tell(fit.start_mg_per_l, _MG)),
        ("at last reading", f"{tell(found.now_mg_per_l, _MG)} after {tell_hours(fit.last)}, by all readings together"),
    ]
    if asked is not None and at_h is not None:
        facts.append((f"at {tell_hours(at_h)}", tell(asked, _MG)))
    headline, sign = f"Loses half its strength in {_span(fit.half_life)}", "="
    if left is not None and limit is not None:
        headline, sign = _limit_words(left, limit)
    notes = []
    if fit.prior.name != "none":
        notes.append(
            f"Before any reading, a half-life of {tell_hours(fit.prior.half_life)}, give or take a factor of "
            f"{fit.prior.factor:g}, was taken for {fit.prior.name} ({fit.prior.source}). It carries "
            f"{_percent(min(fit.prior_share, 1.0))} of what is said here of the rate; more readings make it less."
        )
    else:
        notes.append("No cover was named: the rate rests on the readings alone (and a wide prior).")
    if fit.widened_by > 1:
        notes.append(
            f"The readings scatter {fit.widened_by:.1f} times as much about the curve as their uncertainties say, and "
            "were widened by that: look for a top-up in between, another tank, or a strip gone wrong."
        )
    notes.append("Loss taken as first-order: the same share in every hour, cover and temperature as they were.")
    return Answer(
        sign=sign,
        headline=headline,
        result=found,
        facts=tuple(facts),
        steps=_FALLEN if sign == "▲" else (),
        notes=tuple(notes),
        cautions=(CAUTION,),
    )


def _percent(share: float) -> str:
    return "under 0.1 %" if share < 0.001 else f"{100 * share:.2g} %" if share < 0.995 else "nearly 100 %"


_FALLEN = (
    "Read a fresh strip of the stock.",
    "If it is below the limit, top it up by what `stripread water top-up` says, or make a new one.",
    "Look at the cover: an open, warm or sunlit tank loses strength fastest.",
)


def _limit_words(left: Measured, limit: float) -> tuple[str, str]:
    low, high = left.interval
    if high is not None and high <= 0:
        return f"BELOW its limit of {limit:.4g} mg/L already", "▲"
    if low <= 0:
        expected = f"expected in {_span(left)} from the last reading" if left.value > 0 else "and probably is"
        return f"MAY BE BELOW its limit of {limit:.4g} mg/L already; {expected}", "▲"
    return f"Falls below {limit:.4g} mg/L in {_span(left)} from the last reading", "="


def _span(hours: Measured) -> str:
    low, high = hours.interval
    least = "already" if low < 0 else _year(low)
    return f"{_year(hours.value)} (95 %: {least} to {'no end known' if high is None else _year(high)})"


def _year(hours: float) -> str:
    return "over a year" if hours > 8760 else tell_hours(hours)
