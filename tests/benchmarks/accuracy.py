"""How accurate readings are, and whether their intervals hold, on simulated photos that no fit has seen.

``make bench-accuracy`` runs it. Printers, lamps and cameras are of the unseen part
(`stripread.simulate.optics.conditions`); with ``--cameras`` the sensors are measured ones from a table. The card is
enrolled. Each kind is read with several lots, as a single lot's calibration is one draw: the demo lot, and others
calibrated here from photos of their own in seen conditions (two lamps, one phone). Errors are against the concentration
in which the strip was dipped.

``--place same`` reads with the phone, the card print and one of the two lamps of the lot's own calibration instead,
which is then of the unseen part as well. ``--together 3`` combines three photos of one strip on one card, each with a
phone and a lamp of its own; its slices go by the first of them.

``--looks`` draws strips, cards, benches and phones by looks of unseen families (`stripread.simulate.looks.families`),
``--looks camera`` only what the phone does; the table then has a row for each effect of the camera. ``--looks usual``
draws the same photos without these effects. ``--seen`` draws
seen families, lamps, phones and printers instead, for work on what is judged; ``--seed`` draws other photos.

``--ends`` draws concentrations from the LOQ to twice that and from 0.85 to 0.99 of the top; *covered* counts bounds.
"""

import argparse
import sys
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date
from multiprocessing import get_context
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np

from stripread.calibrate import calibrate_lot, load_series
from stripread.card import design_card
from stripread.errors import CalibrationRefusedError, StripReadError
from stripread.findings import worst_severity
from stripread.lot import Lot, load_lot, save_lot
from stripread.photo import open_photo_bytes
from stripread.read import combine_readings, read_strip
from stripread.simulate import (
    FAMILIES,
    STRIP_SCATTER,
    SeriesPlan,
    dip_strip,
    enrolled,
    random_shot,
    shoot_series,
    take_photo,
)
from stripread.simulate.demo import DEMO_LOTS
from stripread.simulate.looks.families import CAMERA_ASPECTS, USUAL, Look, random_look
from stripread.simulate.looks.families import FAMILIES as LOOKS
from stripread.simulate.optics.cameras import make_phone, read_cameras
from stripread.simulate.optics.conditions import SEEN_PRINTERS, UNSEEN_PRINTERS, with_look
from stripread.simulate.optics.lamps import SEEN, UNSEEN
from stripread.simulate.scene.heic import heif_encoder
from stripread.simulate.scene.scene import Cover, Defects
from stripread.strip import load_kind
from tests.benchmarks.ends import holds

ROOT = Path(__file__).parents[2]
# Concentrations judged, drawn evenly in their logarithm.
SPANS = {"clo2-ultralow": (0.2, 0.5), "clo2-wide": (50.0, 450.0)}


@dataclass(frozen=True)
class MadeLot:
    """A lot of the benchmark and where it was calibrated; ``phone`` is its seed, None for the demo lots."""

    kind: str
    path: Path
    factor: float
    printer: int = 0
    phone: int | None = None
    lamps: tuple[str, ...] = ()

    @property
    def name(self) -> str:
        """Where it was calibrated, for the table."""
        return f"lot of {' and '.join(self.lamps)}" if self.lamps else "demo lot"


@dataclass(frozen=True)
class Task:
    index: int
    scatter: bool
    lot: MadeLot
    same_place: bool
    cameras: Path | None
    sizes: tuple[tuple[int, int], ...]
    together: int = 1
    spectra: bool = False
    without: str | None = None  # "strip" or "card": nothing may then be read
    looks: str = ""  # "all", "camera" or "usual": which aspects of a look are drawn
    seen: bool = False
    seed: int = 0
    ends: bool = False


@dataclass(frozen=True)
class Outcome:
    kind: str
    lot: str
    lamp: str
    phone: str
    printer: int
    share: float
    blur_mm: float
    contrast: float
    truth: float
    error: str | None = None
    value: float | None = None
    u: float | None = None
    low: float | None = None
    high: float | None = None
    censored: str | None = None
    holds: bool | None = None  # whether what is stated is true: interval, or bound; None where nothing is
    warned: bool = False
    families: Mapping[str, str] = field(default_factory=dict)  # of the look


def draw_look(task: Task) -> Look:
    if task.looks == "usual":
        return Look()
    look = random_look(_generator(task, 2027), seen=task.seen)
    if task.looks == "all":
        return look
    return replace(Look(), **{aspect: getattr(look, aspect) for aspect in CAMERA_ASPECTS})


def _ends(lot: Lot, index: int) -> tuple[float, float]:
    """Return the span of the range's lower end, or of its upper one."""
    pad = lot.pads[0]
    assert pad.loq.value is not None
    return (0.85 * pad.curve.top, 0.99 * pad.curve.top) if index % 2 else (pad.loq.value, 2 * pad.loq.value)


def _generator(task: Task, purpose: int) -> np.random.Generator:
    """Return random numbers for one photo; seed 0 draws the photos of earlier tables."""
    seeds = [purpose, task.index, int(task.lot.kind == "clo2-wide")]
    return np.random.default_rng([*seeds, task.seed] if task.seed else seeds)


def run(task: Task) -> Outcome:
    import cv2

    cv2.setNumThreads(1)
    name = task.lot.kind
    rng = _generator(task, 2026)
    kind = load_kind(name)
    lot = load_lot(task.lot.path)
    low, high = _ends(lot, task.index) if task.ends else SPANS[name]
    truth = float(np.exp(rng.uniform(np.log(low), np.log(high))))
    strip = dip_strip(kind, {kind.pads[0].id: truth}, rng, scatter=STRIP_SCATTER[name] if task.scatter else 0.0)
    strip = type(strip)(
        kind=kind, concentrations=strip.concentrations, dye_factor=strip.dye_factor * task.lot.factor,
        blank_factor=strip.blank_factor,
    )  # fmt: skip
    sensors = read_cameras(task.cameras) if task.cameras else None
    shots = [
        random_shot(design_card(), strip, rng, seen=task.seen, sizes=task.sizes, sensors=sensors)
        for _ in range(task.together)
    ]
    if task.same_place:
        assert task.lot.phone is not None
        phone = make_phone(task.lot.phone)
        shots = [replace(s, phone=phone, lamps=(str(rng.choice(task.lot.lamps)),)) for s in shots]
    if task.looks:
        shots = [with_look(s, draw_look(task)) for s in shots]
    shot = shots[0]
    printer = task.lot.printer if task.same_place else shot.printer_seed
    px_per_mm = shot.view.card_width_share * shot.view.size_px[0] / shot.card.width_mm
    facts = {
        "kind": name, "lot": task.lot.name, "lamp": shot.lamps[0], "phone": shot.phone.name, "printer": printer,
        "share": shot.view.card_width_share, "truth": truth, "contrast": shot.phone.contrast,
        "blur_mm": shot.optics.blur_sigma_px / px_per_mm,
        "families": {} if shot.look is None else shot.look.families,
    }  # fmt: skip
    if task.without == "strip":
        shots = [replace(shot, strip=None, placement=None)]
    elif task.without == "card":
        width, height = shot.card.width_mm, shot.card.height_mm
        sheet = ((-5.0, -5.0), (width + 5, -5.0), (width + 5, height + 5), (-5.0, height + 5))
        shots = [replace(shot, defects=Defects(covers=(Cover(polygon_mm=sheet, material="clutter:1"),)))]
    card = enrolled(design_card(), printer, spectra=task.spectra)
    try:
        readings = []
        for number, one in enumerate(shots):
            data, _ = take_photo(
                replace(one, printer_seed=printer), seed=task.index + 10_000 * number + 1_000_000 * task.seed
            )
            readings.append(read_strip(open_photo_bytes(data, "photo.jpg"), card=card, kind=kind, lot=lot))
        reading = readings[0] if len(readings) == 1 else combine_readings(readings, one_strip=True)
    except StripReadError as error:
        return Outcome(**facts, error=f"{error.code}: {error.found}")
    pad = reading.pads[0]
    interval = pad.interval or (None, None)
    return Outcome(
        **facts, value=pad.value, u=pad.standard_uncertainty, low=interval[0], high=interval[1],
        censored=pad.censored or (None if pad.value is not None else "silent"), holds=holds(pad, truth),
        warned=worst_severity((*reading.findings, *pad.findings)) in ("warning", "error"),
    )  # fmt: skip


def make_lot(plan: tuple[str, int, Path, bool, bool, bool]) -> MadeLot | None:
    """Calibrate an invented lot in random conditions, of the seen part or not; None where the series is refused."""
    name, index, folder, seen, scatter, spectra = plan
    rng = np.random.default_rng([31, index, name == "clo2-wide", *([] if seen else [1])])
    kind, design = load_kind(name), design_card()
    printer = int(rng.choice(SEEN_PRINTERS if seen else UNSEEN_PRINTERS))
    phone = int(rng.integers(0, 1000)) + (0 if seen else 10_000)
    lamps = tuple(str(lamp) for lamp in rng.choice(SEEN if seen else UNSEEN, size=2, replace=False))
    factor = float(rng.uniform(0.9, 1.1))
    home = folder / f"{name}-{index}"
    series = shoot_series(
        SeriesPlan(
            kind=kind, card=design, printer_seed=printer, lot_factor=factor,
            conditions=tuple((make_phone(phone), lamp) for lamp in lamps), scatter=float(scatter),
        ), home, seed=index, beyond=False,
    )  # fmt: skip
    try:
        lot = calibrate_lot(
            load_series(series), kind=kind, card=enrolled(design, printer, spectra=spectra), number=f"B-{index}",
            expires=date(2030, 1, 1), calibrated_on=date(2026, 1, 1),
        )  # fmt: skip
    except CalibrationRefusedError as error:
        sys.stderr.write(f"lot {index} of {name} refused: {error}\n")
        return None
    save_lot(lot, home / "lot.json")
    return MadeLot(name, home / "lot.json", factor, printer, phone, lamps)


def row(name: str, outcomes: Sequence[Outcome]) -> str:
    read = [o for o in outcomes if o.value is not None]
    if not read:
        return f"{name:<34} {len(outcomes):>5} {0:>7.1%}"
    relative = np.array([abs(o.value - o.truth) / o.truth for o in read])
    inside = np.mean([o.holds for o in outcomes if o.holds is not None])
    wide = np.array([abs(o.value - o.truth) / max((o.high - o.low) / 2, 1e-9) for o in read])
    silent = sum(1 for o, w in zip(read, wide, strict=True) if w > 3 and not o.warned)
    stated = np.median([o.u / o.value for o in read])
    return (
        f"{name:<34} {len(outcomes):>5} {len(read) / len(outcomes):>7.1%} {np.median(relative):>7.1%} "
        f"{np.percentile(relative, 95):>7.1%} {stated:>8.1%} {inside:>8.1%} {silent:>6}"
    )


def main(arguments: Sequence[str] | None = None) -> list[Outcome]:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--photos", type=int, default=400, help="photos in all, half of each kind")
    parser.add_argument("--cameras", type=Path, default=None, help="table of measured camera sensitivities")
    parser.add_argument("--place", choices=("any", "same"), default="any", help="where and with which phone to read")
    parser.add_argument("--lots", type=int, default=4, help="lots of each kind, the demo lot among them")
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--no-scatter", action="store_true", help="strips exactly like their lot, also in its series")
    parser.add_argument("--small", action="store_true", help="3 megapixels only, for a quick look")
    parser.add_argument("--spectra", action="store_true", help="card prints with measured spectra")
    parser.add_argument("--together", type=int, default=1, help="photos of each strip that are combined")
    parser.add_argument(
        "--looks",
        nargs="?",
        const="all",
        default="",
        choices=("all", "camera", "usual"),
        help="looks of unseen families",
    )
    parser.add_argument("--seen", action="store_true", help="seen lamps, phones, printers and looks")
    parser.add_argument("--seed", type=int, default=0, help="draws other photos")
    parser.add_argument("--ends", action="store_true", help="concentrations at the ends of the range")
    options = parser.parse_args(arguments)
    sizes = ((2000, 1500),) if options.small else ((2000, 1500), (3264, 2448), (4032, 3024))
    same = options.place == "same"
    demos = [] if same or options.no_scatter or options.spectra else DEMO_LOTS
    demo = [MadeLot(d.kind, ROOT / "calibration" / d.number / "lot.json", d.factor) for d in demos]
    lots = {kind: [lot for lot in demo if lot.kind == kind] for kind in SPANS}
    with TemporaryDirectory() as folder, get_context("spawn").Pool(options.jobs) as pool:
        plans = [
            (kind, index, Path(folder), not same, not options.no_scatter, options.spectra)
            for kind in SPANS
            for index in range(1, options.lots + 1 - len(lots[kind]))
        ]
        for lot in pool.imap(make_lot, plans):
            if lot is not None:
                lots[lot.kind].append(lot)
        tasks = [
            Task(
                i,
                not options.no_scatter,
                lots[kind][i % len(lots[kind])],
                same,
                options.cameras,
                sizes,
                options.together,
                options.spectra,
                looks=options.looks,
                seen=options.seen,
                seed=options.seed,
                ends=options.ends,
            )
            for i in range((options.photos + 1) // 2)
            for kind in SPANS
        ]
        empty = [replace(t, without=("strip", "card")[t.index % 2]) for t in tasks[: max(len(tasks) // 20, 4)]]
        outcomes = list(pool.imap_unordered(run, tasks, chunksize=4))
        nothing = list(pool.imap_unordered(run, empty, chunksize=1))
    write = sys.stdout.write
    counts = {name: len({getattr(o, name) for o in outcomes}) for name in ("lamp", "phone", "printer")}
    write(f"{len(outcomes)} photos; " + ", ".join(f"{n} {name}s" for name, n in counts.items()))
    scatter = "no" if options.no_scatter else "yes"
    each = f"{options.together} photos" if options.together > 1 else "a photo"
    spectra = "with" if options.spectra else "without"
    write(
        f"; {options.lots} lots a kind, read in {options.place} place, {each} each; strip-to-strip scatter {scatter}; "
    )
    write(f"{spectra} spectra{f'; looks: {options.looks}' if options.looks else ''}; ")
    place = "ends of the range; " if options.ends else ""
    write(f"{'seen' if options.seen else 'unseen'} conditions; {place}seed {options.seed}\n")
    heads = ("n", "read", "median", "95th", "stated u", "covered", "silent")
    write(f"{'':<34} " + " ".join(f"{h:>{w}}" for h, w in zip(heads, (5, 7, 7, 7, 8, 8, 6), strict=True)) + "\n")
    for kind in SPANS:
        own = [o for o in outcomes if o.kind == kind]
        write(row(kind, own) + "\n")
        for family, lamps in FAMILIES.items():
            write(row(f"  {family}", [o for o in own if o.lamp in lamps]) + "\n")
        for lot in dict.fromkeys(lot.name for lot in lots[kind]):
            write(row(f"  {lot}", [o for o in own if o.lot == lot]) + "\n")
        middle = float(np.sqrt(np.prod(SPANS[kind])))
        for name, chosen in (
            (f"under {middle:.2g}", [o for o in own if o.truth < middle]),
            (f"over {middle:.2g}", [o for o in own if o.truth >= middle]),
            ("card under half the width", [o for o in own if o.share < 0.5]),
            ("blur over 0.15 mm", [o for o in own if o.blur_mm > 0.15]),
            ("tone curve with much contrast", [o for o in own if o.contrast > 0.35]),
        ):
            write(row(f"  {name}", chosen) + "\n")
    write(row("both kinds", outcomes) + "\n")
    if options.looks:
        write("both kinds, by effect of the camera" + ("\n" if heif_encoder() else " (no heif-enc here: no HEIC)\n"))
        for aspect in CAMERA_ASPECTS:
            for family in (USUAL, *LOOKS[aspect].of(seen=options.seen)):
                chosen = [o for o in outcomes if o.families[aspect] == family]
                if chosen:
                    write(row(f"  {aspect}: {family}", chosen) + "\n")
    numbers = sum(o.value is not None for o in nothing)
    write(f"photos without strip or card: {len(nothing)}, given a number: {numbers}\n")
    failures = [o for o in outcomes if o.value is None]
    for outcome in failures[:20]:
        write(
            f"no number: {outcome.kind} {outcome.truth:.3g} under {outcome.lamp}: {outcome.error or outcome.censored}\n"
        )
    return outcomes


if __name__ == "__main__":
    main()
