"""What became of a reading of the record whose photos were read again (`stripread.workflow.reread`)."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from stripread.records.chain.entries import Entry

__all__ = ["Reread"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Reread:
    """What became of one reading.

    Attributes
    ----------
    old : Entry
        The reading as it was.
    new : mapping or None
        The JSON of the reading as it is now; None where nothing was read.
    seq : int or None
        The superseding entry; None where none was added.
    why_not : str or None
        Why nothing was read again.
    """

    old: Entry
    new: Mapping[str, Any] | None
    seq: int | None
    why_not: str | None

    @property
    def shifts(self) -> list[tuple[str, float, float, float]]:
        """Pad, value before and now, and the change in units of the larger u; where both have numbers."""
        if self.new is None:
            return []
        found = []
        for was, now in zip(self.old.payload["pads"], self.new["pads"], strict=True):
            if was["value"] is not None and now["value"] is not None:
                u = max(was["standard_uncertainty"], now["standard_uncertainty"])
                found.append((was["pad"], was["value"], now["value"], (now["value"] - was["value"]) / u))
        return found

    @property
    def judged_anew(self) -> bool:
        """Whether validity, range state or what may be reported has changed."""
        if self.new is None:
            return False
        keys = ("range_state", "censored")
        return self.old.payload["validity"] != self.new["validity"] or any(
            any(was[key] != now[key] for key in keys) or (was["value"] is None) != (now["value"] is None)
            for was, now in zip(self.old.payload["pads"], self.new["pads"], strict=True)
        )
