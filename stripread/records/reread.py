"""The stored photos of a lot read again, with the lot file of now; what moved supersedes what was read before."""

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from stripread.errors import StripReadError
from stripread.records.chain.entries import Draft, Entry, FileRef, Stamp
from stripread.records.store import Records

__all__ = ["Reread", "reread_lot"]

_WORSE = ("valid", "doubtful", "invalid")


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


def reread_lot(
    records: Records,
    lot: str,
    *,
    lot_file: FileRef,
    read: Callable[[Entry], Mapping[str, Any]],
    stamp: Stamp,
    software: str,
    dry_run: bool = False,
) -> Iterator[Reread]:
    """Read all readings of a lot again that hold now, the latest first; each is recorded before the next is read.

    Parameters
    ----------
    lot : str
        The lot's number.
    lot_file : FileRef
        The lot file of now, kept.
    read : callable
        Reads an entry's photos with it; returns the JSON of the reading, or raises `StripReadError`.
    software : str
        Of now; a reading made with the same one and the same lot file is left alone.
    dry_run : bool
        Only tell what would move.
    """
    for recorded in records.iterate_readings(lot=lot):
        old = recorded.entry
        same = any(ref.role == "lot" and ref.sha256 == lot_file.sha256 for ref in old.files)
        if same and old.payload.get("how", {}).get("software") == software:
            yield Reread(old=old, new=None, seq=None, why_not="read with this lot file already")
            continue
        try:
            now = read(old)
            new = {**now, **_kept_of(old, now, software), "correction": {"why": _why(lot_file), "changed": {}}}
        except StripReadError as error:
            yield Reread(old=old, new=None, seq=None, why_not=f"expected {error.expected}; found {error.found}")
            continue
        seq = None
        if not dry_run:
            files = (*(ref for ref in old.files if ref.role != "lot"), lot_file)
            draft = Draft(kind="reading", payload=new, subject=old.subject, supersedes=old.seq, files=files)
            seq = records.append([draft], stamp)[0].seq
        yield Reread(old=old, new=new, seq=seq, why_not=None)


def _kept_of(old: Entry, new: Mapping[str, Any], software: str) -> dict[str, Any]:
    """Return what people said of the reading: it stays with it."""
    kept = {key: old.payload[key] for key in ("point", "taken_at", "remark", "imported") if key in old.payload}
    kept["how"] = {**old.payload["how"], "software": software}
    changed = (old.payload.get("correction") or {}).get("changed", {})
    if "validity" in changed:  # a person called it worse than it looks
        kept["validity"] = max(old.payload["validity"], new["validity"], key=_WORSE.index)
    return kept


def _why(lot_file: FileRef) -> str:
    return f"read again with lot file {lot_file.name}, SHA-256 {lot_file.sha256}"
