"""Whether the computer's clock ran on from entry to entry: a record in order may have been entered out of time."""

from datetime import datetime, timedelta

from stripread.i18n import Message, plural

__all__ = ["clock_step", "span_words"]

_BACK = timedelta(minutes=5)  # ours: computers that enter into one record are apart by less
_FORWARD = timedelta(days=3 * 366)  # ours: no nursery rests for so long


def clock_step(before: datetime, now: datetime) -> Message | None:
    """Say how far the clock stands before that of the last entry, or far ahead of it; None where it runs on."""
    apart = now - before
    if apart < -_BACK:
        return Message("%(span)s before the entry that it follows", span=span_words(-apart))
    if apart > _FORWARD:
        return Message("%(span)s after the entry that it follows", span=span_words(apart))
    return None


def span_words(time: timedelta) -> Message:
    """Return a span of time in whole minutes, hours or days."""
    hours = time.total_seconds() / 3600
    if hours < 2:
        return plural("%(count)s minute", "%(count)s minutes", count=round(hours * 60))
    if hours < 48:
        return plural("%(count)s hour", "%(count)s hours", count=round(hours))
    return plural("%(count)s day", "%(count)s days", count=round(hours / 24))
