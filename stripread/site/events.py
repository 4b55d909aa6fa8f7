"""Types of events that a site notes down, and what has to be ticked after each."""

from collections.abc import Mapping
from dataclasses import dataclass

from stripread.files import TomlTable
from stripread.i18n import Message

__all__ = ["EventType", "parse_events"]


@dataclass(frozen=True, slots=True, kw_only=True)
class EventType:
    """A type of event; ``checks`` are to be ticked, each by whoever did it, before it is over."""

    name: str
    checks: tuple[str, ...] = ()


# A shock treatment is far over what crops bear: rinse, and no crop on the line. Common practice, no source.
_KNOWN = {
    "power cut": (),
    "flush": (),
    "shock": ("crop off the line", "line rinsed"),
    "filter change": (),
    "delivery": (),
    "protective equipment": (),
    "re-entry": ("aired", "waiting time of the label over"),
}


def parse_events(top: TomlTable | None) -> Mapping[str, EventType]:
    """Return the types of events: those that any site has, and a site file's own, which go before.

    Raises
    ------
    SiteError
        If a key is misspelt or the checks are no list of words.
    """
    types = {name: EventType(name=name, checks=checks) for name, checks in _KNOWN.items()}
    if top is None or "event" not in top.data:
        return types
    named = top.table("event", Message("tables [event.NAME]"))
    for name in named.data:
        table = named.table(name, Message("a table"))
        table.no_other_keys({"checks"})
        checks = table.data.get("checks", [])
        if not isinstance(checks, list) or not all(isinstance(one, str) and one for one in checks):
            raise table.wrong("checks", Message("a list of words, each to be ticked"))
        types[name] = EventType(name=name, checks=tuple(checks))
    return types
