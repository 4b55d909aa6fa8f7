"""Words that the parts of a period's report share."""

from datetime import datetime

from stripread.findings import REGISTRY
from stripread.i18n import Message, Say, plural
from stripread.records import Episode

__all__ = ["MARKS", "day", "how_many", "meaning", "moment", "span"]

MARKS = {"error": "✘", "warning": "▲"}


def meaning(code: str, say: Say) -> str:
    """Return what a finding means."""
    return say(REGISTRY[code].meaning) if code in REGISTRY else f"{code}."


def how_many(readings: int, say: Say) -> str:
    """Return a number of readings."""
    return say(plural("1 reading", "%(count)s readings", count=readings))


def span(episode: Episode, say: Say) -> str:
    """Return the days of an episode."""
    first, last = day(episode.first, say), day(episode.last, say)
    return first if first == last else say(Message("%(first)s to %(last)s", first=first, last=last))


def day(when: datetime, say: Say) -> str:
    """Return a day."""
    return f"{when.day} {say(Message(format(when, '%b')))} {when.year}"


def moment(when: datetime, say: Say) -> str:
    """Return a day and a time, without the year."""
    return f"{when.day} {say(Message(format(when, '%b')))} {when:%H:%M}"
