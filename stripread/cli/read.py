"""The command ``read``: every photo read and checked, then shown as JSON or text, and as pictures where asked."""

import os
import time
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date
from functools import partial
from pathlib import Path

from stripread.check import Verdict, check_reading, check_replicates, doubted
from stripread.cli.output import as_we_go, say
from stripread.cli.processes import in_order
from stripread.cli.read_options import Wishes
from stripread.cli.site_options import Named, look_up
from stripread.cli.site_record import Recorder
from stripread.errors import StripReadError, WrongUsageError
from stripread.photo.load import decode_photo, open_photo, suggested_reduction
from stripread.photo.photo import Photo
from stripread.read import Reading, combine_readings, read_strip
from stripread.report.json_lines import error_json, reading_json, to_line
from stripread.report.pictures.overlay import draw_error, draw_verdict, save_picture, shrunk
from stripread.report.terminal.reading import error_text, verdict_text

__all__ = ["read_photos"]


@dataclass(frozen=True, slots=True, kw_only=True)
class _Taken:
    """What a photo gave before it is judged: a reading, without the photo itself, or an error, one of the two."""

    photo: Path
    reading: Reading | None
    error: StripReadError | None
    timing_ms: Mapping[str, float]


@dataclass(frozen=True, slots=True, kw_only=True)
class _Read:
    """What became of one photo: a verdict or an error, one of the two."""

    photo: Path
    verdict: Verdict | None
    error: StripReadError | None
    timing_ms: Mapping[str, float]


def read_photos(wishes: Wishes, *, today: date) -> int:
    """Read the photos, print them in their order, and return the exit code."""
    named = look_up(lot=wishes.lot, sample=wishes.sample, card=wishes.card, kind=wishes.kind, site_folder=wishes.site)
    _check_overlay(wishes)
    if wishes.flash is not None and len(wishes.photos) != 1:
        raise WrongUsageError(
            expected="one photo with --flash, that of the same strip without it",
            found=f"{len(wishes.photos)} photos",
            remedy="Read each pair with a command of its own.",
        )
    recorder = Recorder.begin(wishes, named) if wishes.record else None
    code = 0
    reads = (_judged(taken, wishes, named, today, recorder) for taken in _read_all(wishes, named))
    seen = []  # of a batch nothing is kept but what is still to be compared or combined, and no photo of that
    for read in as_we_go(_compared(list(reads)) if wishes.replicates else reads, len(wishes.photos)):
        _show(read, wishes, named)
        code = _worse(code, 1 if read.verdict is None else read.verdict.exit_code)
        if wishes.together:
            seen.append(read)
        if recorder is not None and read.verdict is not None and not wishes.together:
            recorder.keep(read.verdict, [read.photo])
    return _show_together(seen, wishes, named, today, recorder) if wishes.together else code


def _show_together(reads: Sequence[_Read], wishes: Wishes, named: Named, today: date, recorder: Recorder | None) -> int:
    """Show what the photos say together; the exit code is its own, or 1 where a photo could not be read."""
    readings = [read.verdict.reading for read in reads if read.verdict is not None]
    names = " + ".join(str(read.photo) for read in reads if read.verdict is not None)
    try:
        combined = combine_readings(readings, one_strip=wishes.one_strip)
    except StripReadError as error:
        say(to_line(error_json(error, photo=names)) if wishes.json else error_text(error, photo=names) + "\n")
        return 1
    verdict = _judge(combined, wishes, named, today, recorder)
    if wishes.json:
        photos = [str(read.photo) for read in reads if read.verdict is not None]
        record = reading_json(
            verdict, photo=combined.photo, sample=named.sample.name, point=wishes.point, timing_ms={},
            budget=wishes.budget,
        )  # fmt: skip
        say(to_line({**record, "together": photos}))
    else:
        say(verdict_text(verdict, photo=f"together: {combined.photo}", point=wishes.point, budget=wishes.budget) + "\n")
    if recorder is not None:
        recorder.keep(verdict, [read.photo for read in reads if read.verdict is not None])
    return 1 if len(readings) < len(reads) else verdict.exit_code


def _worse(one: int, other: int) -> int:
    """Return the worse code: an error (1) wins over doubt (3), and doubt over none (0)."""
    return max(one, other, key=(0, 3, 1).index)


def _read_all(wishes: Wishes, named: Named) -> Iterator[_Taken]:
    """Read the photos, one after another or in several processes, and hand them on in their order."""
    jobs = wishes.jobs or min(os.cpu_count() or 1, 4)
    return in_order(
        partial(_read_one, named=named, flash=wishes.flash, drawn=wishes.overlay is not None), wishes.photos, jobs=jobs
    )


def _read_one(photo: Path, *, named: Named, flash: Path | None, drawn: bool) -> _Taken:
    """Read a photo; what comes back is light, as it may wait for others or have to go to another process."""
    timing_ms: dict[str, float] = {}
    start = time.perf_counter()
    try:
        file = open_photo(photo)
        timing_ms["open"] = 1e3 * (time.perf_counter() - start)
        with_flash = None if flash is None else open_photo(flash)
        reading = read_strip(file, card=named.card, kind=named.kind, lot=named.lot, flash=with_flash)
    except StripReadError as error:
        return _Taken(photo=photo, reading=None, error=error, timing_ms=timing_ms)
    timing_ms |= reading.timing_ms
    timing_ms["curve"] = 1e3 * (time.perf_counter() - start) - sum(timing_ms.values())
    return _Taken(photo=photo, reading=_without_photo(reading, drawn=drawn), error=None, timing_ms=timing_ms)


def _without_photo(reading: Reading, *, drawn: bool) -> Reading:
    """Return the reading with its photo at the size of a drawing, or without pixels where it will not be drawn."""

    def lighter(photo: Photo) -> Photo:
        return replace(photo, pixels=shrunk(photo)[0] if drawn else photo.pixels[:0, :0].copy())

    measured = reading.measurement
    flash = None if measured.flash_photo is None else lighter(measured.flash_photo)
    card = replace(measured.card, photo=lighter(measured.card.photo))
    return replace(reading, measurement=replace(measured, card=card, flash_photo=flash))


def _judged(taken: _Taken, wishes: Wishes, named: Named, today: date, recorder: Recorder | None) -> _Read:
    """Judge a reading, in the order of the photos: with a record, those before it are in there by then."""
    if taken.reading is None:
        return _Read(photo=taken.photo, verdict=None, error=taken.error, timing_ms=taken.timing_ms)
    start = time.perf_counter()
    try:
        verdict = _judge(taken.reading, wishes, named, today, recorder)
    except StripReadError as error:
        return _Read(photo=taken.photo, verdict=None, error=error, timing_ms=taken.timing_ms)
    total = sum(taken.timing_ms.values()) + 1e3 * (time.perf_counter() - start)
    return _Read(photo=taken.photo, verdict=verdict, error=None, timing_ms={**taken.timing_ms, "total": total})


def _judge(reading: Reading, wishes: Wishes, named: Named, today: date, recorder: Recorder | None) -> Verdict:
    history = None if recorder is None else recorder.history(reading)
    verdict = check_reading(reading, sample=named.sample, today=today, dipped_at=wishes.dipped_at, history=history)
    return replace(verdict, cautions=(*verdict.cautions, *named.cautions))


def _compared(reads: Sequence[_Read]) -> list[_Read]:
    """Hold the strips of one sample against each other; where they differ, every one of them is in doubt."""
    verdicts = [read.verdict for read in reads if read.verdict is not None]
    pads = zip(*(verdict.pads for verdict in verdicts), strict=True)
    findings = [finding for pad in pads if (finding := check_replicates([judged.reading for judged in pad]))]
    return [read if read.verdict is None else replace(read, verdict=doubted(read.verdict, findings)) for read in reads]


def _draw(read: _Read, out: Path) -> None:
    if read.verdict is not None:
        picture = draw_verdict(read.verdict)
    elif read.error is not None:
        picture = draw_error(read.error, _decoded(read.photo), name=read.photo.name)
    save_picture(picture, out)


def _decoded(path: Path) -> Photo | None:
    try:
        file = open_photo(path)
        return decode_photo(file, reduction=suggested_reduction(file))
    except StripReadError:  # the error at hand says so already
        return None


def _overlay_path(photo: Path, wishes: Wishes) -> Path | None:
    out = wishes.overlay
    if out is None:
        return None
    if out.is_dir():
        return out / f"{photo.stem}.png"
    return out.with_name(out.name.replace("{}", photo.stem))


def _check_overlay(wishes: Wishes) -> None:
    """Refuse a name that several pictures would share, or a folder that is not there, before any photo is read."""
    out = wishes.overlay
    if out is None or out.is_dir():
        return
    if len(wishes.photos) > 1 and "{}" not in out.name:
        raise WrongUsageError(
            expected="for several photos a folder that exists, or a name with {} for the photo's name",
            found=str(out),
            remedy="Name a folder, or write for example out-{}.png.",
        )
    if not out.parent.is_dir():
        raise WrongUsageError(expected="a folder for the picture", found=f"no folder {out.parent}", remedy="Make it.")


def _show(read: _Read, wishes: Wishes, named: Named) -> None:
    photo = str(read.photo)
    if (out := _overlay_path(read.photo, wishes)) is not None:
        _draw(read, out)
    if read.verdict is not None and wishes.json:
        record = reading_json(
            read.verdict,
            photo=photo,
            sample=named.sample.name,
            point=wishes.point,
            timing_ms=read.timing_ms,
            budget=wishes.budget,
        )
        say(to_line(record))
    elif read.verdict is not None:
        say(verdict_text(read.verdict, photo=photo, point=wishes.point, budget=wishes.budget) + "\n")
    elif read.error is not None:
        say(to_line(error_json(read.error, photo=photo)) if wishes.json else error_text(read.error, photo=photo) + "\n")
