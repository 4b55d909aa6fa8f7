"""The rules that look back: a reading held against what was done and read before.

As in ``rules.py``, each is a small function that takes a case and yields findings.
"""

import math
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import replace
from datetime import datetime, timedelta

import numpy as np

from stripread.check.case import ReadAnalyte, SampleCase, StripCase
from stripread.check.clock import span_words
from stripread.check.control_chart import self_starting_cusum
from stripread.check.expected import plain_number, reported
from stripread.check.history import PastReading
from stripread.check.methods import methods_differ
from stripread.check.own_past import expected_change, expected_next, steps_between
from stripread.findings import Finding, make_finding
from stripread.i18n import Message, Number, Shown, Verbatim
from stripread.units import Measured, difference, lower_end, upper_end
from stripread.water import recipe_finding, recipe_range_finding

__all__ = ["SAMPLE_HISTORY_RULES", "STRIP_HISTORY_RULES", "clock_may_be_right", "drifted"]

_K = 3.0  # standard uncertainties that chance does not bridge
_P = 0.0027  # chance of a normal distribution to lie as far off
_FEWEST = 5  # earlier readings from which a point's own scatter is known: ours
# In standard deviations: half the shift to be found fast, and a limit that a steady chart reaches once in about 465
# values (NIST/SEMATECH e-Handbook 6.3.2.3.1: h of 4 or 5 with k of 0.5).
_ALLOWANCE, _LIMIT = 0.5, 5.0
_LEAST_SPREAD = 0.2  # of what is stated of check standards: ours; closer ones are close by chance
_CLOCK = timedelta(minutes=5)  # ours: clocks of phones and servers are apart by less
_KEPT_BACK = timedelta(days=1)  # ours: a photo this old is no longer the water of today


# --- the strip and its photo -----------------------------------------------------------------------------------------


def photo_seen_before(case: StripCase) -> Iterator[Finding]:
    """Refuse a photo that stands in the record already."""
    used = case.history.photos.get(case.reading.photo_sha256) if case.history else None
    if used is not None:
        yield make_finding("photo_seen_before", Message("This very photo was recorded before: %(used)s.", used=used))


def dip_seen_before(case: StripCase) -> Iterator[Finding]:
    """Doubt a sample that was taken so soon after another point's that nobody could have flushed and dipped anew."""
    history = case.history
    if history is None or history.point is None or case.reading.taken_at is None:
        return
    needed = timedelta(seconds=history.point.flush_s + case.kind.dip.seconds + case.kind.dip.read_from_s)
    for other in history.lately:
        apart = history.at - other.at
        if other.point not in (None, history.point.name) and timedelta() <= apart < needed:
            yield make_finding(
                "dip_seen_before",
                Message(
                    "%(sample)s (%(point)s) was photographed %(apart)s s earlier; to flush, dip and "
                    "wait at %(here)s takes %(needed)s s.",
                    sample=other.name,
                    point=other.point,
                    apart=Number(apart.total_seconds(), ".0f"),
                    here=history.point.name,
                    needed=Number(needed.total_seconds(), ".0f"),
                ),
            )
            return


def clock_wrong(case: StripCase) -> Iterator[Finding]:
    """Doubt a time that lies ahead; note one that lies long ago."""
    history = case.history
    if history is None or case.reading.taken_at is None:
        return
    ahead = history.at - history.now
    if ahead > _CLOCK:
        yield make_finding(
            "clock_wrong",
            Message(
                "The photo's time, %(taken)s, lies %(apart)s ahead of now.", taken=_time(case), apart=span_words(ahead)
            ),
        )
    elif -ahead > _KEPT_BACK:
        yield make_finding(
            "clock_wrong",
            Message("The photo's time, %(taken)s, lies %(apart)s back.", taken=_time(case), apart=span_words(-ahead)),
            severity="info",
            advice=Message(
                "Set the phone's clock, or say in a note that the photo is old. Then read the water of today."
            ),
        )


def clock_stepped(case: StripCase) -> Iterator[Finding]:
    """Doubt the time of a reading whose entry would not follow the one before it on the computer's clock."""
    if case.history is not None and case.history.clock_step is not None:
        yield make_finding(
            "clock_stepped", Message("By the computer's clock it is entered %(step)s.", step=case.history.clock_step)
        )


def clock_may_be_right(at: datetime, *, now: datetime) -> bool:
    """Tell whether a photo's time is one at which it may have been taken, if it is judged now."""
    return -_KEPT_BACK <= at - now <= _CLOCK


def _time(case: StripCase) -> Shown:
    taken = case.reading.taken_at
    return Message("unknown") if taken is None else Verbatim(taken.isoformat(sep=" ", timespec="minutes"))


def flush_not_kept(case: StripCase) -> Iterator[Finding]:
    """Doubt a sample from an outlet that was not flushed for as long as its point asks."""
    history = case.history
    if history is None or history.point is None or history.flushed_s is None:
        return
    if history.flushed_s < history.point.flush_s:
        yield make_finding(
            "flush_not_kept",
            Message(
                "%(name)s asks for %(flush_s)s s of flushing and got %(flushed_s)s.",
                name=history.point.name,
                flush_s=Number(history.point.flush_s, ".0f"),
                flushed_s=Number(history.flushed_s, ".0f"),
            ),
        )


def lot_never_checked(case: StripCase) -> Iterator[Finding]:
    """Say that no check standard was ever read with the lot."""
    if case.history is not None and case.history.checks == () and not case.lot.provisional:
        yield make_finding(
            "lot_never_checked",
            Message("No valid check standard of lot %(number)s stands in the record.", number=case.lot.number),
        )


def lot_drifts(case: StripCase) -> Iterator[Finding]:
    """Doubt a lot whose check standards have moved away from their known values."""
    words = drifted(case.history.checks) if case.history and case.history.checks else None
    if words is not None:
        yield make_finding(
            "lot_drifts", Message("Of lot %(number)s %(finding)s.", number=case.lot.number, finding=words)
        )


def drifted(checks: Sequence[float]) -> Message | None:
    """Say how scores of check standards, oldest first and one at least, tell of a lot that is off; None if they do not.

    The last one alone is held against its known value. All of them are held against each other: what they have in
    common, such as the error of the lot's curve, is no drift.
    """
    if abs(checks[-1]) > _K:
        score = Number(abs(checks[-1]), ".1f")
        if checks[-1] > 0:
            return Message("the last check standard lay %(z)s standard uncertainties over its known value", z=score)
        return Message("the last check standard lay %(z)s standard uncertainties under its known value", z=score)
    sums = self_starting_cusum(checks, allowance=_ALLOWANCE, limit=_LIMIT, least_spread=_LEAST_SPREAD)
    if not sums.signals[-1]:
        return None
    highest, limit = Number(max(sums.high[-1], sums.low[-1]), ".1f"), Number(_LIMIT, "g")
    if sums.high[-1] > sums.low[-1]:
        return Message(
            "the check standards have risen from where the first ones lay: CUSUM %(cusum)s, limit %(limit)s",
            cusum=highest,
            limit=limit,
        )
    return Message(
        "the check standards have fallen from where the first ones lay: CUSUM %(cusum)s, limit %(limit)s",
        cusum=highest,
        limit=limit,
    )


def stock_past_its_time(case: SampleCase) -> Iterator[Finding]:
    """Tell of a stock that is older than it is good for, unless this very reading shows that it is still good."""
    forecast, expected = case.history.forecast if case.history else None, case.expected
    if forecast is None or forecast.use_until is None or case.history is None or case.history.at <= forecast.use_until:
        return
    if forecast.use_until <= forecast.made_at or expected is None or not _main(case):
        return  # weak from the start, which its range tells
    least = case.pad.interval[0] if case.pad.interval else None
    if least is not None and least >= expected.low:
        return
    yield make_finding(
        "stock_past_its_time",
        Message(
            "The stock of %(made_at)s was good until %(minutes)s.",
            made_at=forecast.made_at.date().isoformat(),
            minutes=forecast.use_until.isoformat(sep=" ", timespec="minutes"),
        ),
    )


# --- the water -------------------------------------------------------------------------------------------------------


def recipe_mismatch(case: SampleCase) -> Iterator[Finding]:
    """Tell of a batch whose recipe and reading cannot both be right."""
    recipe, pad = case.history.recipe if case.history else None, case.pad
    if recipe is None or not _main(case) or pad.value is None or pad.standard_uncertainty is None:
        return
    found = recipe_finding(recipe.strength, _measured(pad.value, pad))
    if found is not None:
        yield replace(found, message=Message("%(recipe)s: %(message)s", recipe=recipe.words, message=found.message))


def recipe_off_range(case: SampleCase) -> Iterator[Finding]:
    """Tell of a batch whose recipe cannot give what the sample is expected to have."""
    recipe, sample = case.history.recipe if case.history else None, case.sample
    if recipe is None or sample is None or not _main(case):
        return
    low, high = sample.main.low, sample.main.high
    found = recipe_range_finding(recipe.strength, low=low, high=high)
    if found is not None:
        yield replace(found, message=Message("%(recipe)s: %(message)s", recipe=recipe.words, message=found.message))


def weaker_than_forecast(case: SampleCase) -> Iterator[Finding]:
    """Tell of a stock that has lost more than its own loss of strength predicted."""
    forecast, pad = case.history.forecast if case.history else None, case.pad
    if forecast is None or not _main(case) or pad.value is None or pad.standard_uncertainty is None:
        return
    apart = difference(forecast.strength, _measured(pad.value, pad))
    if apart.value < 0 and apart.probability < _P:
        words = {
            "forecast": plain_number(forecast.value), "unit": pad.unit, "u": plain_number(forecast.u),
            "reading": reported(pad),
        }  # fmt: skip
        yield make_finding(
            "weaker_than_forecast",
            Message("%(forecast)s %(unit)s was predicted for now (u = %(u)s); the strip reads %(reading)s.", **words)
            if case.by_strip
            else Message(
                "%(forecast)s %(unit)s was predicted for now (u = %(u)s); it was read as %(reading)s.", **words
            ),
        )


def jump_at_point(case: SampleCase) -> Iterator[Finding]:
    """Tell of a reading that lies outside what the point's own past lets expect."""
    past = _past(case)
    if case.history is None or len(past) < _FEWEST or case.pad.value is None or case.pad.standard_uncertainty is None:
        return
    usual, steps = _usual_u(past), steps_between([*(p.at for p in past), case.history.at])
    # The scatter holds the usual uncertainty of a reading; a worse photo adds what it has more.
    more = math.sqrt(max(case.pad.standard_uncertainty**2 - usual**2, 0.0))
    expected = expected_next(_values(past), steps, u=usual, u_more=more)
    if not expected.low <= case.pad.value <= expected.high:
        words = {
            "reading": reported(case.pad), "past": len(past), "low": lower_end(max(expected.low, 0.0)),
            "high": upper_end(expected.high), "unit": case.pad.unit,
        }  # fmt: skip
        yield make_finding(
            "jump_at_point",
            Message(
                "The strip reads %(reading)s; going by the last %(past)s readings here, %(low)s to %(high)s %(unit)s "
                "was expected (99 %%).",
                **words,
            )
            if case.by_strip
            else Message(
                "It was read as %(reading)s; going by the last %(past)s readings here by the same means, %(low)s to "
                "%(high)s %(unit)s was expected (99 %%).",
                **{**words, "low": lower_end(expected.low)},
            ),
        )


def drift_at_point(case: SampleCase) -> Iterator[Finding]:
    """Tell of a point whose readings creep, by a straight line through all of them."""
    past = _past(case)
    if case.history is None or len(past) < 2 * _FEWEST or case.pad.value is None:
        return
    steps = steps_between([*(p.at for p in past), case.history.at])
    change = expected_change([*_values(past), case.pad.value], steps, u=_usual_u(past))
    if change.low <= 0 <= change.high:
        return
    count, unit = len(past) + 1, case.pad.unit
    yield make_finding(
        "drift_at_point",
        (
            Message(
                "%(analyte)s here has risen by %(low)s to %(high)s %(unit)s (99 %%) over the last %(count)s readings.",
                analyte=case.pad.analyte,
                low=lower_end(change.low),
                high=upper_end(change.high),
                unit=unit,
                count=count,
            )
            if change.low > 0
            else Message(
                "%(analyte)s here has fallen by %(low)s to %(high)s %(unit)s (99 %%) over the last %(count)s readings.",
                analyte=case.pad.analyte,
                low=lower_end(-change.high),
                high=upper_end(-change.low),
                unit=unit,
                count=count,
            )
        ),
    )


def line_falls_faster(case: SampleCase) -> Iterator[Finding]:
    """Tell of a line that takes more from one outlet to the next than it used to."""
    line = case.history.line if case.history else None
    pad = case.pad
    if line is None or len(line.usual_left) < _FEWEST or pad.value is None or pad.standard_uncertainty is None:
        return
    before = line.before
    if before.analyte != pad.analyte or before.value is None or before.u is None or before.value <= 0:
        return
    left = pad.value / before.value
    u_left = left * math.hypot(pad.standard_uncertainty / pad.value, before.u / before.value) if pad.value > 0 else 1.0
    days = len(line.usual_left)
    usual = expected_next(line.usual_left, np.arange(days + 1.0), u=u_left)
    if left < usual.low:
        yield make_finding(
            "line_falls_faster",
            Message(
                "Of %(before)s %(unit)s at %(point)s, %(left)s %% is left here; going by the last %(days)s days, at "
                "least %(low)s %% was expected.",
                before=plain_number(before.value),
                unit=pad.unit,
                point=before.point,
                left=Number(100 * left, ".0f"),
                low=Number(math.floor(100 * usual.low), ".0f"),
                days=days,
            ),
        )


def event_not_over(case: SampleCase) -> Iterator[Finding]:
    """Tell of a treatment of the line, as with a shock dose, whose checks are not all ticked."""
    if case.history is not None and case.history.not_over is not None and _main(case):
        yield make_finding("event_not_over", Message("%(event)s.", event=case.history.not_over))


def residual_before_injector(case: SampleCase) -> Iterator[Finding]:
    """Tell of a residual in water that should not have met the injector yet."""
    point = case.history.point if case.history else None
    if point is None or not point.before_injector or not _main(case):
        return
    low = case.pad.interval[0] if case.pad.interval else None
    if case.pad.value is not None and low is not None and low > 0:
        words = {"name": point.name, "reading": reported(case.pad)}
        yield make_finding(
            "residual_before_injector",
            Message("%(name)s lies before the injector, and the strip reads %(reading)s.", **words)
            if case.by_strip
            else Message("%(name)s lies before the injector, and was read as %(reading)s.", **words),
        )


def _measured(value: float, pad: ReadAnalyte) -> Measured:
    return Measured(value, pad.standard_uncertainty or 0.0, degrees_of_freedom=pad.degrees_of_freedom)


def _main(case: SampleCase) -> bool:
    """Tell whether the pad's analyte is the one that the sample is judged by."""
    return case.sample is None or case.pad.analyte.casefold() == case.sample.main.analyte.casefold()


def _past(case: SampleCase) -> list[PastReading]:
    """Earlier readings of this point and analyte that bear a number and no doubt, oldest first."""
    if case.history is None:
        return []
    return [
        p
        for p in case.history.same_point
        if p.valid
        and p.value is not None
        and p.u is not None
        and (p.analyte, p.unit) == (case.pad.analyte, case.pad.unit)
    ]


def _values(past: Sequence[PastReading]) -> list[float]:
    return [p.value for p in past if p.value is not None]


def _usual_u(past: Sequence[PastReading]) -> float:
    """Return the standard uncertainty of a usual one among earlier readings."""
    return math.sqrt(sum(p.u**2 for p in past if p.u is not None) / len(past))


STRIP_HISTORY_RULES: tuple[Callable[[StripCase], Iterable[Finding]], ...] = (
    photo_seen_before,
    dip_seen_before,
    clock_wrong,
    clock_stepped,
    flush_not_kept,
    lot_never_checked,
    lot_drifts,
)
SAMPLE_HISTORY_RULES: tuple[Callable[[SampleCase], Iterable[Finding]], ...] = (
    event_not_over,
    residual_before_injector,
    recipe_off_range,
    recipe_mismatch,
    weaker_than_forecast,
    stock_past_its_time,
    jump_at_point,
    line_falls_faster,
    drift_at_point,
    methods_differ,
)
