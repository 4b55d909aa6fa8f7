"""The command ``read``: every photo read and checked, then shown as JSON or text, and as pictures where asked."""

import os
import time
from collections.abc import Iterator, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from datetime import date, datetime
from pathlib import Path

from stripread.check import Verdict, check_reading
from stripread.cli_names import Named, look_up
from stripread.cli_talk import as_we_go, say
from stripread.colour.lab import colour_science
from stripread.errors import StripReadError
from stripread.photo.load import open_photo
from stripread.reading import read_strip
from stripread.report.json_lines import error_json, reading_json, to_line
from stripread.report.text import error_text, verdict_text

__all__ = ["Wishes", "read_photos"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Wishes:
    """What the user asked for."""

    photos: Sequence[Path]
    lot: str
    sample: str
    card: str | None
    kind: str | None
    point: str | None
    dipped_at: datetime | None
    replicates: bool
    budget: bool
    json: bool
    overlay: Path | None
    site: Path | None
    jobs: int | None


@dataclass(frozen=True, slots=True, kw_only=True)
class _Read:
    """What became of one photo: a verdict or an error."""

    photo: Path
    verdict: Verdict | None
    error: StripReadError | None
    timing_ms: Mapping[str, float]


def read_photos(wishes: Wishes, *, today: date) -> int:
    """Read the photos, print them in their order, and return the exit code."""
    named = look_up(lot=wishes.lot, sample=wishes.sample, card=wishes.card, kind=wishes.kind, site_folder=wishes.site)
    code = 0
    reads = _read_all(wishes, named, today)
    for read in as_we_go(reads, len(wishes.photos)):
        _show(read, wishes, named)
        code = _worse(code, 1 if read.verdict is None else read.verdict.exit_code)
    return code


def _worse(one: int, other: int) -> int:
    """Return the worse code: an error (1) wins over doubt (3), and doubt over none (0)."""
    return max(one, other, key=(0, 3, 1).index)


def _read_all(wishes: Wishes, named: Named, today: date) -> Iterator[_Read]:
    """Read in threads: OpenCV lets several run at once."""
    jobs = wishes.jobs or min(os.cpu_count() or 1, 4)

    def read_one(photo: Path) -> _Read:
        return _read_one(photo, wishes, named, today)

    if jobs == 1 or len(wishes.photos) == 1:
        yield from map(read_one, wishes.photos)
        return
    colour_science()  # its import changes settings of the whole process for a moment: not in several threads at once
    with ThreadPoolExecutor(jobs) as pool:
        yield from pool.map(read_one, wishes.photos)


def _read_one(photo: Path, wishes: Wishes, named: Named, today: date) -> _Read:
    timing_ms: dict[str, float] = {}
    start = time.perf_counter()
    try:
        file = open_photo(photo)
        timing_ms["open"] = 1e3 * (time.perf_counter() - start)
        reading = read_strip(file, card=named.card, kind=named.kind, lot=named.lot)
        timing_ms |= reading.timing_ms
        timing_ms["curve"] = 1e3 * (time.perf_counter() - start) - sum(timing_ms.values())
    except StripReadError as error:
        return _Read(photo=photo, verdict=None, error=error, timing_ms=timing_ms)
    verdict = check_reading(reading, sample=named.sample, today=today, dipped_at=wishes.dipped_at)
    verdict = replace(verdict, cautions=(*verdict.cautions, *named.cautions))
    timing_ms["total"] = 1e3 * (time.perf_counter() - start)
    return _Read(photo=photo, verdict=verdict, error=None, timing_ms=timing_ms)


def _show(read: _Read, wishes: Wishes, named: Named) -> None:
    photo = str(read.photo)
    if read.verdict is None:
        error = read.error
        assert error is not None  # one of the two is there
        say(to_line(error_json(error, photo=photo)) if wishes.json else error_text(error, photo=photo) + "\n")
        return
    if wishes.json:
        record = reading_json(
            read.verdict,
            photo=photo,
            sample=named.sample.name,
            point=wishes.point,
            timing_ms=read.timing_ms,
            budget=wishes.budget,
        )
        say(to_line(record))
    else:
        say(verdict_text(read.verdict, photo=photo, point=wishes.point, budget=wishes.budget) + "\n")
