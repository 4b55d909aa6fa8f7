"""Words that the parts of a period's report share."""

from datetime import datetime

from stripread.findings import REGISTRY
from stripread.records.period import Episode

__all__ = ["MARKS", "day", "meaning", "moment", "span"]

MARKS = {"error": "✘", "warning": "▲"}


def meaning(code: str) -> str:
    """Return what a finding means."""
    return REGISTRY[code].meaning if code in REGISTRY else f"{code}."


def span(episode: Episode) -> str:
    """Return the days of an episode."""
    first, last = episode.first, episode.last
    return day(first) if first.date() == last.date() else f"{day(first)} to {day(last)}"


def day(when: datetime) -> str:
    """Return a day."""
    return f"{when.day} {when:%b %Y}"


def moment(when: datetime) -> str:
    """Return a day and a time, without the year."""
    return f"{when.day} {when:%b %H:%M}"
