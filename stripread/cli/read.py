"""The command ``read``: every photo read and checked, then shown as JSON or text, and as pictures where asked."""

import os
import time
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from functools import partial
from pathlib import Path
from typing import Any

from stripread.check import Verdict, check_strips, doubted
from stripread.cli.output import as_we_go, say
from stripread.cli.processes import in_order
from stripread.cli.read_options import ReadOptions
from stripread.cli.site_options import look_up_inputs, look_up_sample, look_up_site
from stripread.cli.site_record import Recorder, site_of_records, stamp_of, standings_of
from stripread.errors import StripReadError, WrongUsageError
from stripread.i18n import Message, Verbatim
from stripread.photo import Photo, decode_photo, open_photo, suggested_reduction
from stripread.read import Reading, combine_readings
from stripread.report import (
    draw_error,
    draw_verdict,
    error_json,
    error_text,
    reading_json,
    save_picture,
    shrunk,
    to_line,
    verdict_text,
)
from stripread.site import Site
from stripread.water import parse_dilution
from stripread.workflow import ResolvedInputs, SampleContext, judge_reading, measured_payload
from stripread.workflow import read_photos as read_photos_of_sample

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


@dataclass(frozen=True, slots=True, kw_only=True)
class _Task:
    """What the photos of one command are read with, and what is known of their sample."""

    options: ReadOptions
    inputs: ResolvedInputs
    context: SampleContext
    now: datetime
    recorder: Recorder | None
    site: Site | None

    def judge(self, reading: Reading) -> Verdict:
        """Judge a reading, with a record by what that knows."""
        if self.recorder is None:
            return judge_reading(reading, self.context, now=self.now, files=standings_of(self.site, reading))
        history, files = self.recorder.history(reading)
        return judge_reading(reading, self.context, now=self.now, history=history, files=files)

    def as_json(self, verdict: Verdict, *, photo: str, timing_ms: Mapping[str, float]) -> dict[str, Any]:
        """Return a verdict as it is printed."""
        payload = measured_payload(verdict, self.context)
        shown = reading_json(payload, photo=photo, timing_ms=timing_ms, budget=self.options.budget)
        dilution = self.context.dilution
        return shown if dilution is None else {**shown, "diluted": dilution.as_payload()}

    def as_text(self, verdict: Verdict, *, photo: str) -> str:
        """Return a verdict as text."""
        return verdict_text(verdict, photo=photo, point=self.context.point, budget=self.options.budget) + "\n"


def read_photos(options: ReadOptions, *, now: datetime) -> int:
    """Read the photos, print them in their order, and return the exit code."""
    task = _task(options, now=now)
    code = 0
    reads = (_judged(taken, task) for taken in _read_all(task))
    seen = []  # of a batch nothing is kept but what is still to be compared or combined, and no photo of that
    for read in as_we_go(_compared(list(reads)) if options.replicates else reads, len(options.photos)):
        _show(read, task)
        code = _worse(code, 1 if read.verdict is None else read.verdict.exit_code)
        if options.together:
            seen.append(read)
        elif task.recorder is not None and read.verdict is not None:
            task.recorder.keep(read.verdict, [read.photo], flash=options.flash)
    return _show_together(seen, task) if options.together else code


def _task(options: ReadOptions, *, now: datetime) -> _Task:
    """Look up all that was named; what is amiss is told before any photo is read."""
    site = look_up_site(options.site)
    sample, cautions = look_up_sample(options.sample, site)
    inputs = look_up_inputs(options.lot, site, card=options.card, kind=options.kind)
    context = SampleContext(
        sample=sample,
        point=options.point,
        batch=options.batch,
        dipped_at=options.dipped_at,
        flushed_s=options.flushed_s,
        dilution=None if options.diluted is None else parse_dilution(options.diluted),
        together=options.together,
        one_strip=options.one_strip,
        replicates=options.replicates,
        cautions=cautions,
    )
    _check_overlay(options)
    if options.flash is not None and len(options.photos) != 1:
        raise WrongUsageError(
            expected=Message("one photo with --flash, that of the same strip without it"),
            found=Message("%(photos)s photos", photos=len(options.photos)),
            remedy=Message("Read each pair with a command of its own."),
        )
    recorder = None
    if options.record:
        recorder = Recorder.begin(site_of_records(options.site), inputs, context, stamp=stamp_of(options.who))
        now = recorder.now
    return _Task(options=options, inputs=inputs, context=context, now=now, recorder=recorder, site=site)


def _show_together(reads: Sequence[_Read], task: _Task) -> int:
    """Show what the photos say together; the exit code is its own, or 1 where a photo could not be read."""
    photos = [read.photo for read in reads if read.verdict is not None]
    readings = [read.verdict.reading for read in reads if read.verdict is not None]
    names = " + ".join(map(str, photos))
    try:
        combined = combine_readings(readings, one_strip=task.options.one_strip)
    except StripReadError as error:
        say(to_line(error_json(error, photo=names)) if task.options.json else error_text(error, photo=names) + "\n")
        return 1
    verdict = task.judge(combined)
    if task.options.json:
        record = task.as_json(verdict, photo=combined.photo, timing_ms={})
        say(to_line({**record, "together": [str(photo) for photo in photos]}))
    else:
        say(task.as_text(verdict, photo=f"together: {combined.photo}"))
    if task.recorder is not None:
        task.recorder.keep(verdict, photos, flash=task.options.flash)
    return 1 if len(readings) < len(reads) else verdict.exit_code


def _worse(one: int, other: int) -> int:
    """Return the worse code: an error (1) wins over doubt (3), and doubt over none (0)."""
    return max(one, other, key=(0, 3, 1).index)


def _read_all(task: _Task) -> Iterator[_Taken]:
    """Read the photos, one after another or in several processes, and hand them on in their order."""
    options, inputs = task.options, task.inputs
    read = partial(
        _read_one, inputs=inputs, context=task.context, flash=options.flash, drawn=options.overlay is not None
    )
    jobs = options.jobs or min(os.cpu_count() or 1, 4)
    return in_order(read, options.photos, jobs=jobs, shared=(inputs.card, inputs.kind, inputs.lot))


def _read_one(
    photo: Path, *, inputs: ResolvedInputs, context: SampleContext, flash: Path | None, drawn: bool
) -> _Taken:
    """Read a photo; what comes back is light, as it may wait for others or have to go to another process."""
    timing_ms: dict[str, float] = {}
    start = time.perf_counter()
    try:
        file = open_photo(photo)
        timing_ms["open"] = 1e3 * (time.perf_counter() - start)
        alone = replace(context, flash=None if flash is None else open_photo(flash), together=False)
        reading = read_photos_of_sample([file], inputs, alone)
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


def _judged(taken: _Taken, task: _Task) -> _Read:
    """Judge a reading, in the order of the photos: with a record, those before it are in there by then."""
    if taken.reading is None:
        return _Read(photo=taken.photo, verdict=None, error=taken.error, timing_ms=taken.timing_ms)
    start = time.perf_counter()
    try:
        verdict = task.judge(taken.reading)
    except StripReadError as error:
        return _Read(photo=taken.photo, verdict=None, error=error, timing_ms=taken.timing_ms)
    total = sum(taken.timing_ms.values()) + 1e3 * (time.perf_counter() - start)
    return _Read(photo=taken.photo, verdict=verdict, error=None, timing_ms={**taken.timing_ms, "total": total})


def _compared(reads: Sequence[_Read]) -> list[_Read]:
    """Hold the strips of one sample against each other; where they differ, every one of them is in doubt."""
    verdicts = [read.verdict for read in reads if read.verdict is not None]
    pads = zip(*(verdict.pads for verdict in verdicts), strict=True)
    findings = check_strips([v.reading for v in verdicts], ([judged.reading for judged in pad] for pad in pads))
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


def _overlay_path(photo: Path, options: ReadOptions) -> Path | None:
    out = options.overlay
    if out is None:
        return None
    if out.is_dir():
        return out / f"{photo.stem}.png"
    return out.with_name(out.name.replace("{}", photo.stem))


def _check_overlay(options: ReadOptions) -> None:
    """Refuse a name that several pictures would share, or a folder that is not there, before any photo is read."""
    out = options.overlay
    if out is None or out.is_dir():
        return
    if len(options.photos) > 1 and "{}" not in out.name:
        raise WrongUsageError(
            expected=Message("for several photos a folder that exists, or a name with {} for the photo's name"),
            found=Verbatim(str(out)),
            remedy=Message("Name a folder, or write for example out-{}.png."),
        )
    if not out.parent.is_dir():
        raise WrongUsageError(
            expected=Message("a folder for the picture"),
            found=Message("no folder %(folder)s", folder=out.parent),
            remedy=Message("Make it."),
        )


def _show(read: _Read, task: _Task) -> None:
    photo, json = str(read.photo), task.options.json
    if (out := _overlay_path(read.photo, task.options)) is not None:
        _draw(read, out)
    if read.verdict is not None and json:
        say(to_line(task.as_json(read.verdict, photo=photo, timing_ms=read.timing_ms)))
    elif read.verdict is not None:
        say(task.as_text(read.verdict, photo=photo))
    elif read.error is not None:
        say(to_line(error_json(read.error, photo=photo)) if json else error_text(read.error, photo=photo) + "\n")
