"""By what means something was read: a strip from its photo, or another one whose answer a person entered."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from stripread.i18n import Message

__all__ = ["METHODS", "METHOD_WORDS", "Method"]

METHODS: tuple[str, ...] = ("meter", "titration", "laboratory", "other")
"""Other means than a strip."""

METHOD_WORDS: Mapping[str, Message] = {
    "strip": Message("strip"),
    "meter": Message("meter"),
    "titration": Message("titration"),
    "laboratory": Message("laboratory"),
    "other": Message("other means"),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Method:
    """By what means, and with which instrument or by which laboratory; None where nobody said."""

    by: str = "strip"
    instrument: str | None = None

    @classmethod
    def of_payload(cls, payload: Mapping[str, Any]) -> "Method":
        """Return what a recorded reading was read by; a strip where it says nothing, as all did before."""
        said = (payload.get("how") or {}).get("method") or {}
        return cls(by=said.get("by", "strip"), instrument=said.get("instrument"))

    @property
    def is_strip(self) -> bool:
        """Whether it is a strip."""
        return self.by == "strip"

    @property
    def words(self) -> Message:
        """What people call it, with the instrument in brackets."""
        word = METHOD_WORDS.get(self.by, Message(self.by))
        if self.instrument is None:
            return word
        return Message("%(method)s (%(instrument)s)", method=word, instrument=self.instrument)
