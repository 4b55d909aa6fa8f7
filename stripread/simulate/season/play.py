"""Plays the script of a season: every strip is drawn as a photo, read as any photo is, judged and recorded."""

import json
from collections.abc import Callable, Iterator
from contextlib import nullcontext
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta
from multiprocessing import get_context
from pathlib import Path
from typing import TypeVar

import numpy as np
import tomli_w

from stripread.card import design_card
from stripread.check import Method, StandardCheck, check_row
from stripread.errors import RecordsError, SiteError, StripReadError
from stripread.files import write_file
from stripread.i18n import Message
from stripread.lot import RECORD, append_row
from stripread.photo import PhotoFile, open_photo_bytes
from stripread.records import (
    Action,
    Batch,
    Note,
    Records,
    Stamp,
    StoreItem,
    as_expected,
    close_action,
    complete_batch,
    enter_batch,
    open_site_records,
    take_from_store,
    tick_check,
)
from stripread.simulate.demo import DEMO_LOTS, DEMO_PRINTER
from stripread.simulate.optics.conditions import dip_strip, random_shot
from stripread.simulate.scene.photograph import Shot, take_photo
from stripread.simulate.season.duties import (
    SITE_TABLES,
    Closed,
    Duty,
    Measured,
    Noted,
    Opened,
    Stored,
    Ticked,
    duty_events,
    is_missed,
)
from stripread.simulate.season.script import (
    LOTS,
    OLD_LOT,
    START,
    WHO,
    Check,
    Event,
    Made,
    Remark,
    Sample,
    Set,
    season_events,
    season_points,
)
from stripread.simulate.series import STRIP_SCATTER, demo_conditions
from stripread.site import Site, load_site, resolve_card
from stripread.strip import load_kind
from stripread.units import Measured as Amount
from stripread.water import expected_generation, load_sachet, parse_dilution
from stripread.workflow import (
    EnteredSample,
    KnownDilution,
    RecordedSample,
    ResolvedInputs,
    SampleContext,
    accept_card_file,
    accept_lot_file,
    parse_entered,
    read_and_record_sample,
    read_check,
    record_check,
    record_entered,
    resolve_inputs,
)

__all__ = ["play_season"]

_Answer = TypeVar("_Answer")

NAME = "Quillmere Demo Nursery, SIMULATED"
_OLD_EXPIRES = "2026-04-30"
_LAMPS = ("D55", "canopy D65", "LED-B3")  # by the window, under the plants, on the bench
_SIZE = ((1600, 1200),)
_CLOSE = 0.55  # of the picture's width: they know that the card should fill half of it
_WAIT = timedelta(seconds=20)  # from dip to photo
_RETAKES = 4
_BEGUN = START - timedelta(days=1)
_ENTERED = timedelta(minutes=1)  # from photo to entry


def play_season(folder: Path, demo: Path, *, seed: int, faults: bool, report: Callable[[int, int], None]) -> Site:
    """Make a site with its record in a new folder and play the season there.

    Parameters
    ----------
    folder : Path
        For site, record and photos; must not be there, or be empty.
    demo : Path
        The demo site, whose card print and lots are copied.
    report : callable
        Told how many of how many strips are done.

    Raises
    ------
    SiteError
        If the folder is in use, or the demo site lacks a lot.
    """
    site = _make_site(folder, demo)
    script = season_events(np.random.default_rng([seed, 97]), faults=faults)
    duties = duty_events(script, np.random.default_rng([seed, 96]), faults=faults)
    taken = [event for event in script if not (isinstance(event, Sample) and is_missed(event))]
    events = sorted([*taken, *duties], key=lambda event: event.at)
    strips = [event for event in events if isinstance(event, Sample | Check)]
    jobs = [(_shot(event, np.random.default_rng([seed, 98, index])), index) for index, event in enumerate(strips)]
    with (
        get_context("spawn").Pool(2) as pool,
        open_site_records(site, create=_stamp(_BEGUN)) as records,
    ):
        player = _Player(site, records, pool.imap(_draw, jobs), seed)
        player.begin()
        for event in events:
            player.play(event)
            if isinstance(event, Sample | Check):
                report(player.done, len(strips))
    truth = [_truth(event) for event in strips]
    told = {"simulated": True, "seed": seed, "faults": faults, "strips": truth}
    write_file(folder / "truth.toml", tomli_w.dumps(told))
    return site


def _make_site(folder: Path, demo: Path) -> Site:
    if folder.exists() and any(folder.iterdir()):
        raise SiteError(
            expected=Message("a new folder"),
            found=Message("%(folder)s with files in it", folder=folder),
            remedy=Message("Name another folder."),
        )
    folder.mkdir(parents=True, exist_ok=True)
    for number in LOTS.values():
        if not (demo / number / "lot.json").is_file():
            raise SiteError(
                expected=Message("the demo site with lot %(number)s", number=number),
                found=Message("none in %(demo)s", demo=demo),
                remedy=Message("Name it with --site."),
            )
        (folder / number).mkdir()
        write_file(folder / number / "lot.json", (demo / number / "lot.json").read_bytes())
    write_file(folder / "card-print-a.toml", (demo / "card-print-a.toml").read_bytes())
    text = (demo / "site.toml").read_text(encoding="utf-8")
    name = load_site(demo).name
    text = text.replace(f'name = "{name}"', f'name = "{NAME}"').replace(
        "[lots]\n", f'[lots]\n"{OLD_LOT}" = "{OLD_LOT}/lot.json"\n', 1
    )
    write_file(folder / "site.toml", text + SITE_TABLES)
    # The older vial is of the same strips; only its number and date matter here.
    old = json.loads((demo / LOTS["ultralow"] / "lot.json").read_text(encoding="utf-8"))
    old |= {"number": OLD_LOT, "expires": _OLD_EXPIRES}
    (folder / OLD_LOT).mkdir()
    write_file(folder / OLD_LOT / "lot.json", json.dumps(old))
    return load_site(folder)


def _shot(event: Sample | Check, rng: np.random.Generator) -> Shot:
    """Return a photo as a technician takes it: with the lot's phone, wherever there is light."""
    number = LOTS["ultralow"] if event.lot == OLD_LOT else event.lot
    made = next(lot for lot in DEMO_LOTS if lot.number == number)
    kind = load_kind(made.kind)
    diluted = event.diluted if isinstance(event, Sample) else None
    dipped = event.truth if diluted is None else event.truth / parse_dilution(diluted).factor
    strip = dip_strip(kind, {kind.pads[0].id: dipped}, rng, scatter=STRIP_SCATTER[made.kind])
    strip = replace(strip, dye_factor=strip.dye_factor * made.factor)
    phone = demo_conditions(made.seed)[0][0]
    while True:
        shot = random_shot(design_card(), strip, rng, seen=True, sizes=_SIZE)
        if shot.view.card_width_share >= _CLOSE:
            break
    lamp = str(rng.choice(_LAMPS))
    return replace(shot, printer_seed=DEMO_PRINTER, phone=phone, lamps=(lamp,), taken_at=event.at + _WAIT)


def _draw(job: tuple[Shot, int]) -> bytes:
    import cv2

    cv2.setNumThreads(1)
    shot, seed = job
    return take_photo(shot, seed=seed)[0]


def _truth(event: Sample | Check) -> dict[str, object]:
    point = event.point if isinstance(event, Sample) else "check standard"
    return {"at": event.at.isoformat(), "point": point, "lot": event.lot, "truth_mg_per_l": event.truth}


@dataclass(slots=True)
class _Player:
    """Enters one event after another, as the people of the nursery would."""

    site: Site
    records: Records
    photos: Iterator[bytes]
    seed: int
    done: int = 0
    last: dict[str, int] = field(default_factory=dict)  # entry of the last reading at each point
    found: dict[tuple[str, str], int] = field(default_factory=dict)  # of the last one with a finding
    event: int = 0  # entry of the last event
    action: int = 0  # and of the last action
    loaded: dict[str, ResolvedInputs] = field(default_factory=dict)

    def begin(self) -> None:
        for point in season_points():
            self.records.add_point(point, _stamp(_BEGUN))
        for number in (*LOTS.values(), OLD_LOT):
            inputs = self._with(number)
            accept_lot_file(self.records, inputs.lot, inputs.lot_file, _stamp(_BEGUN))
        for name, file in self.site.cards.items():
            accept_card_file(self.records, resolve_card(name, self.site), file, _stamp(_BEGUN))

    def play(self, event: Event | Duty) -> None:
        match event:
            case Sample():
                self._sample(event)
            case Check():
                self._check(event)
            case Made():
                self._made(_predicted(event.batch), _stamp(event.at))
            case Set():
                self.records.add_injector_setting(event.setting, _stamp(event.at))
            case Remark():
                about = None if event.about_point is None else self.last[event.about_point]
                self.records.add_note(Note(text=event.text, about=about), _stamp(event.at))

            case Measured():
                self._measured(event)
            case Noted():
                self.event = self.records.add_note(event.note, _stamp(event.at)).seq
            case Ticked():
                tick_check(
                    self.records, self.site.events, self.event, check=event.check, at=None, stamp=_stamp(event.at)
                )
            case Stored():
                self._stored(event)
            case Opened():
                self._opened(event)
            case Closed():
                if self.action:
                    reading = self.last[event.point]
                    close_action(self.records, self.action, text=event.text, reading=reading, stamp=_stamp(event.at))

    def _stored(self, event: Stored) -> None:
        if isinstance(event.said, StoreItem):
            self.records.add_store_item(event.said, _stamp(event.at))
        else:
            take_from_store(self.records, event.said, _stamp(event.at))

    def _opened(self, event: Opened) -> None:
        """Open an action, where the finding was made: a season may be so drawn that it was not."""
        about = self.found.get((event.point, event.code))
        if about is not None:
            said = Action(about=about, code=event.code, text=event.text, owner=WHO, by=event.by)
            self.action = self.records.add_action(said, _stamp(event.at)).seq

    def _measured(self, event: Measured) -> None:
        sample = self.site.sample(event.sample)
        reading = parse_entered(self.site.analyte(sample.main.analyte), event.text)
        context = SampleContext(sample=sample, point=event.point, batch=event.batch, who=WHO)
        method = Method(by=event.by, instrument=event.instrument)
        entered = EnteredSample(reading=reading, method=method, at=event.at, context=context)
        record_entered(self.records, entered, stamp=_stamp(event.at + _ENTERED))

    def _made(self, batch: Batch, stamp: Stamp) -> None:
        enter_batch(self.records, self.site, complete_batch(self.records, self.site, batch), stamp)

    def _sample(self, event: Sample) -> None:
        context = SampleContext(
            sample=self.site.sample(event.sample),
            point=event.point,
            who=WHO,
            dipped_at=event.at,
            flushed_s=event.flushed_s,
            dilution=None if event.diluted is None else parse_dilution(event.diluted),
        )

        def read(photo: PhotoFile) -> RecordedSample:
            return read_and_record_sample(
                lambda: nullcontext(self.records), [photo], self._with(event.lot), context, now=event.at + _ENTERED
            )

        name = f"{event.at:%m%d-%H%M}-{event.point.replace(' ', '-')}.jpg"
        taken = self._taken(event, name, read)
        self.last[event.point] = taken.entry
        for finding in taken.verdict.findings:
            self.found[event.point, finding.code] = taken.entry
        self.done += 1

    def _check(self, event: Check) -> None:
        inputs = self._with(event.lot)
        known = KnownDilution(pad=inputs.lot.pads[0].pad, value=event.known, u=event.u_known)

        def read(photo: PhotoFile) -> tuple[PhotoFile, StandardCheck]:
            return photo, read_check(photo, inputs, known, now=event.at)

        photo, check = self._taken(event, f"{event.at:%m%d-%H%M}-check.jpg", read)
        rows = inputs.lot_file.with_name(RECORD)
        row = check_row(check, photo=photo.name, when=event.at)
        append_row(rows, row)
        record_check(self.records, row, photo, inputs, rows_file=rows, stamp=_stamp(event.at + _ENTERED))
        self.done += 1

    def _taken(self, event: Sample | Check, name: str, read: Callable[[PhotoFile], _Answer]) -> _Answer:
        """Read a strip's photo; one that cannot be read is taken again."""
        data = next(self.photos)
        for again in range(1, _RETAKES + 1):
            file = open_photo_bytes(data, name)
            try:
                return read(file)
            except StripReadError as error:
                if again == _RETAKES or isinstance(error, RecordsError):
                    raise
                shot = _shot(event, np.random.default_rng([self.seed, 98, self.done, again]))
                data = _draw((shot, 1000 * again + self.done))
        raise AssertionError  # the loop returns or raises

    def _with(self, number: str) -> ResolvedInputs:
        if number not in self.loaded:
            self.loaded[number] = resolve_inputs(number, self.site)
        return self.loaded[number]


def _stamp(at: datetime) -> Stamp:
    return Stamp(at=at, who=WHO)


def _predicted(batch: Batch) -> Batch:
    """Return a concentrate with what its sachets should give."""
    if batch.kind != "concentrate":
        return batch
    water = Amount(batch.water_l, batch.u_water_l)
    made = expected_generation(
        load_sachet("example"), water_l=water, hours=12.0, sachets=2, temperature_c=Amount(20.0)
    ).strength_mg_per_l
    return replace(as_expected(batch, made), ready_at=batch.made_at + timedelta(hours=12.0))
