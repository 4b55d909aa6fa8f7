"""What the command ``read`` was asked for."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

__all__ = ["ReadOptions"]


@dataclass(frozen=True, slots=True, kw_only=True)
class ReadOptions:
    """What the user asked for."""

    photos: Sequence[Path]
    lot: str
    sample: str
    card: str | None
    kind: str | None
    point: str | None
    dipped_at: datetime | None
    replicates: bool
    together: bool
    one_strip: bool
    budget: bool
    json: bool
    overlay: Path | None
    site: Path | None
    jobs: int | None
    flash: Path | None = None
    record: bool = False
    who: str | None = None
    batch: str | None = None
    flushed_s: float | None = None
    diluted: str | None = None
