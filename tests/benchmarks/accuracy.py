"""How accurate readings are, and whether their intervals hold, on simulated photos that no fit has seen.

``make bench-accuracy`` runs it. Printers, lamps and cameras are of the unseen part (`stripread.simulate.conditions`);
with ``--cameras`` the sensors are measured ones from a table. The card is enrolled; the lots are the demo lots. Errors
are against the concentration in which the strip was dipped.
"""

import argparse
import sys
from collections.abc import Sequence
from dataclasses import dataclass
from multiprocessing import get_context
from pathlib import Path

import numpy as np

from stripread.card.design import design_card
from stripread.errors import StripReadError
from stripread.findings import worst_severity
from stripread.lot.lot import load_lot
from stripread.photo.load import open_photo_bytes
from stripread.reading import read_strip
from stripread.simulate.cameras import read_cameras
from stripread.simulate.conditions import dip_strip, random_shot
from stripread.simulate.demo import DEMO_LOTS
from stripread.simulate.lamps import FAMILIES
from stripread.simulate.photograph import enrolled, take_photo
from stripread.simulate.series import STRIP_SCATTER
from stripread.strip.kinds import load_kind

ROOT = Path(__file__).parents[2]
# Concentrations judged, drawn evenly in their logarithm.
SPANS = {"clo2-ultralow": (0.2, 0.5), "clo2-wide": (50.0, 450.0)}


@dataclass(frozen=True)
class Task:
    index: int
    kind: str
    scatter: bool
    cameras: Path | None
    sizes: tuple[tuple[int, int], ...]


@dataclass(frozen=True)
class Outcome:
    kind: str
    lamp: str
    phone: str
    printer: int
    share: float
    truth: float
    error: str | None = None
    value: float | None = None
    u: float | None = None
    low: float | None = None
    high: float | None = None
    censored: str | None = None
    warned: bool = False


def run(task: Task) -> Outcome:
    import cv2

    cv2.setNumThreads(1)
    rng = np.random.default_rng([2026, task.index, task.kind == "clo2-wide"])
    kind = load_kind(task.kind)
    demo = next(d for d in DEMO_LOTS if d.kind == task.kind)
    lot = load_lot(ROOT / "calibration" / demo.number / "lot.json")
    low, high = SPANS[task.kind]
    truth = float(np.exp(rng.uniform(np.log(low), np.log(high))))
    strip = dip_strip(kind, {kind.pads[0].id: truth}, rng, scatter=STRIP_SCATTER[task.kind] if task.scatter else 0.0)
    strip = type(strip)(
        kind=kind, concentrations=strip.concentrations, dye_factor=strip.dye_factor * demo.factor,
        blank_factor=strip.blank_factor,
    )  # fmt: skip
    sensors = read_cameras(task.cameras) if task.cameras else None
    shot = random_shot(design_card(), strip, rng, seen=False, sizes=task.sizes, sensors=sensors)
    facts = {
        "kind": task.kind, "lamp": shot.lamps[0], "phone": shot.phone.name, "printer": shot.printer_seed,
        "share": shot.view.card_width_share, "truth": truth,
    }  # fmt: skip
    data, _ = take_photo(shot, seed=task.index)
    try:
        file = open_photo_bytes(data, "photo.jpg")
        reading = read_strip(file, card=enrolled(design_card(), shot.printer_seed), kind=kind, lot=lot)
    except StripReadError as error:
        return Outcome(**facts, error=f"{error.code}: {error.found}")
    pad = reading.pads[0]
    interval = pad.interval or (None, None)
    return Outcome(
        **facts, value=pad.value, u=pad.standard_uncertainty, low=interval[0], high=interval[1],
        censored=pad.censored or (None if pad.value is not None else "silent"),
        warned=worst_severity((*reading.findings, *pad.findings)) in ("warning", "error"),
    )  # fmt: skip


def row(name: str, outcomes: Sequence[Outcome]) -> str:
    read = [o for o in outcomes if o.value is not None]
    if not read:
        return f"{name:<34} {len(outcomes):>5} {0:>7.1%}"
    relative = np.array([abs(o.value - o.truth) / o.truth for o in read])
    inside = np.mean([(o.low is None or o.low <= o.truth) and (o.high is None or o.truth <= o.high) for o in read])
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
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--no-scatter", action="store_true", help="strips exactly like their lot")
    parser.add_argument("--small", action="store_true", help="3 megapixels only, for a quick look")
    options = parser.parse_args(arguments)
    sizes = ((2000, 1500),) if options.small else ((2000, 1500), (3264, 2448), (4032, 3024))
    tasks = [
        Task(i, kind, not options.no_scatter, options.cameras, sizes)
        for i in range((options.photos + 1) // 2)
        for kind in SPANS
    ]
    if options.jobs > 1:
        with get_context("spawn").Pool(options.jobs) as pool:
            outcomes = list(pool.imap_unordered(run, tasks, chunksize=4))
    else:
        outcomes = [run(task) for task in tasks]
    write = sys.stdout.write
    write(f"{len(outcomes)} photos, {len({o.lamp for o in outcomes})} lamps, {len({o.phone for o in outcomes})} phones, "
          f"{len({o.printer for o in outcomes})} printers; strip-to-strip scatter {not options.no_scatter}\n")  # fmt: skip
    heads = ("n", "read", "median", "95th", "stated u", "covered", "silent")
    write(f"{'':<34} " + " ".join(f"{h:>{w}}" for h, w in zip(heads, (5, 7, 7, 7, 8, 8, 6), strict=True)) + "\n")
    for kind in SPANS:
        own = [o for o in outcomes if o.kind == kind]
        write(row(kind, own) + "\n")
        for family, lamps in FAMILIES.items():
            write(row(f"  {family}", [o for o in own if o.lamp in lamps]) + "\n")
        write(row("  card under half the width", [o for o in own if o.share < 0.5]) + "\n")
    failures = [o for o in outcomes if o.value is None]
    for outcome in failures[:20]:
        write(
            f"no number: {outcome.kind} {outcome.truth:.3g} under {outcome.lamp}: {outcome.error or outcome.censored}\n"
        )
    return outcomes


if __name__ == "__main__":
    main()
