"""How accurate flash pairs are: lots calibrated from pairs with one phone, read with the same phone in any other light.

``python -m tests.benchmarks.flash_pair`` draws on the seen part; ``--unseen`` is the figure to quote. Calibration is in
four lights. No strip-to-strip scatter, in calibration and reading; card enrolled; photos of 1600 x 1200. With
``--alone`` the photos of the same pairs are also read by themselves: with a lot from the flash photos, and with one
from the photos without flash.
"""

import argparse
import sys
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np

from stripread.calibrate import SeriesRow, calibrate_lot, load_series
from stripread.card import design_card
from stripread.errors import StripReadError
from stripread.findings import worst_severity
from stripread.photo import open_photo_bytes
from stripread.read import read_strip
from stripread.simulate import SeriesPlan, enrolled, shoot_series, take_photo
from stripread.simulate.optics.cameras import make_phone
from stripread.simulate.optics.conditions import SEEN_PRINTERS, UNSEEN_PRINTERS, random_pair
from stripread.simulate.optics.lamps import SEEN, UNSEEN, lamp
from stripread.simulate.scene.photograph import DippedStrip
from stripread.strip import load_kind

SPANS = {"clo2-ultralow": (0.2, 0.5), "clo2-wide": (50.0, 450.0)}
SIZE = ((1600, 1200),)
WAYS = ("pair", "flash photo alone", "photo without flash")


@dataclass(frozen=True)
class Outcome:
    kind: str
    way: str
    truth: float
    ratio: float
    value: float | None = None
    u: float = 0.0
    low: float | None = None
    high: float | None = None
    codes: tuple[str, ...] = ()
    warned: bool = False


def one_lot(
    kind_name: str, index: int, *, unseen: bool, reads: int, alone: bool, ratio: tuple[float, float], folder: Path
) -> list[Outcome]:
    """Calibrate a lot of one phone in two lights from pairs, and read pairs in others."""
    rng = np.random.default_rng([71, index, kind_name == "clo2-wide", unseen])
    kind, design = load_kind(kind_name), design_card()
    printer = int(rng.choice(UNSEEN_PRINTERS if unseen else SEEN_PRINTERS))
    phone = make_phone(int(rng.integers(0, 1000)) + (10_000 if unseen else 0))
    lamps = [str(name) for name in rng.choice(UNSEEN if unseen else SEEN, size=4, replace=False)]
    # Two strips a level: the first is photographed in two of the lights, the second in the two others.
    for strip, two in enumerate((lamps[:2], lamps[2:]), start=1):
        plan = SeriesPlan(
            kind=kind, card=design, printer_seed=printer, lot_factor=1.0, strips=1, flash=True, scatter=0.0,
            conditions=tuple((phone, name) for name in two),
        )  # fmt: skip
        shoot_series(plan, folder / f"strip{strip}", seed=1000 * unseen + 10 * index + strip, beyond=False)
    rows = _series(folder, "photo", flash=True)
    card = enrolled(design, printer)
    how = {"kind": kind, "card": card, "number": "F", "expires": date(2030, 1, 1), "calibrated_on": date(2026, 1, 1)}
    lots = {"pair": calibrate_lot(rows, **how)}
    if alone:
        lots["flash photo alone"] = calibrate_lot(_series(folder, "flash"), **how)
        lots["photo without flash"] = calibrate_lot(_series(folder, "photo"), **how)
    outcomes = []
    for _ in range(reads):
        truth = float(np.exp(rng.uniform(*np.log(SPANS[kind_name]))))
        strip = DippedStrip(kind=kind, concentrations={"clo2": truth})
        shots = random_pair(
            design, strip, rng, seen=not unseen, phone=phone, printer_seed=printer, sizes=SIZE, ratio=ratio
        )
        flash = shots[1].flash
        assert flash is not None
        drawn = float((flash.power @ phone.sensor)[1]) / sum(float((lamp(n) @ phone.sensor)[1]) for n in shots[0].lamps)
        files = [open_photo_bytes(take_photo(s, seed=int(rng.integers(2**31)))[0], "photo.jpg") for s in shots]
        for way in lots:
            file, second = (files[0], files[1]) if way == "pair" else (files[way == WAYS[1]], None)
            try:
                reading = read_strip(file, card=card, kind=kind, lot=lots[way], flash=second)
            except StripReadError as error:
                outcomes.append(Outcome(kind_name, way, truth, drawn, codes=(error.code,)))
                continue
            pad = reading.pads[0]
            findings = (*reading.findings, *pad.findings)
            low, high = pad.interval or (None, None)
            outcomes.append(
                Outcome(
                    kind_name, way, truth, drawn, pad.value, pad.standard_uncertainty or 0.0, low, high,
                    tuple(f.code for f in findings), worst_severity(findings) in ("warning", "error"),
                )
            )  # fmt: skip
    return outcomes


def _series(folder: Path, column: str, *, flash: bool = False) -> tuple[SeriesRow, ...]:
    """Both strips' series as one, of the photos of one column; as pairs where ``flash``."""
    found = []
    for strip in (1, 2):
        for row in load_series(folder / f"strip{strip}" / "series.csv"):
            photo = row.flash if column == "flash" else row.photo
            assert photo is not None
            found.append(replace(row, photo=photo, flash=row.flash if flash else None, replicate=str(strip)))
    return tuple(found)


def row(name: str, outcomes: Sequence[Outcome]) -> str:
    read = [o for o in outcomes if o.value is not None]
    if not read:
        return f"  {name:<30} {len(outcomes):>4} {0:>7.0%}"
    error = np.array([abs(o.value - o.truth) / o.truth for o in read])
    inside = np.mean([(o.low is None or o.low <= o.truth) and (o.high is None or o.truth <= o.high) for o in read])
    bounded = [o for o in read if o.low is not None and o.high is not None]
    silent = sum(abs(o.value - o.truth) > 1.5 * (o.high - o.low) and not o.warned for o in bounded)
    return (
        f"  {name:<30} {len(outcomes):>4} {len(read) / len(outcomes):>7.0%} {np.median(error):>7.2%} "
        f"{np.percentile(error, 95):>7.2%} {np.median([o.u / o.value for o in read]):>8.2%} {inside:>8.1%} {silent:>6} "
        f"{np.mean([o.warned for o in read]):>7.0%}"
    )


def main(arguments: Sequence[str] | None = None) -> list[Outcome]:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--unseen", action="store_true", help="lamps, printers and phones that nothing was fitted on")
    parser.add_argument("--lots", type=int, default=3, help="lots of each kind")
    parser.add_argument("--reads", type=int, default=12, help="pairs read with each lot")
    parser.add_argument("--alone", action="store_true", help="read the photos of the pairs by themselves as well")
    parser.add_argument("--kinds", nargs="*", default=list(SPANS), help="kinds of strips")
    parser.add_argument("--first", type=int, default=0, help="number of the first lot, for other draws")
    parser.add_argument("--ratio", type=float, nargs=2, default=(0.5, 5.0), help="flash over the other light, of reads")
    options = parser.parse_args(arguments)
    outcomes: list[Outcome] = []
    for kind in options.kinds:
        for index in range(options.first, options.first + options.lots):
            with TemporaryDirectory() as folder:
                outcomes += one_lot(
                    kind,
                    index,
                    unseen=options.unseen,
                    reads=options.reads,
                    alone=options.alone,
                    ratio=(options.ratio[0], options.ratio[1]),
                    folder=Path(folder),
                )
    write = sys.stdout.write
    heads = ("n", "read", "median", "95th", "stated u", "covered", "silent", "warned")
    write(f"{'':<32} " + " ".join(f"{h:>{w}}" for h, w in zip(heads, (4, 7, 7, 7, 8, 8, 6, 7), strict=True)) + "\n")
    for kind in options.kinds:
        own = [o for o in outcomes if o.kind == kind]
        write(kind + "\n")
        pair = [o for o in own if o.way == "pair"]
        write(row("pair", pair) + "\n")
        write(row("  flash under the ambient light", [o for o in pair if o.ratio < 1]) + "\n")
        write(row("  flash over the ambient light", [o for o in pair if o.ratio >= 1]) + "\n")
        for way in WAYS[1:] if options.alone else ():
            write(row(way, [o for o in own if o.way == way]) + "\n")
        codes = sorted({c for o in pair for c in o.codes})
        write("  " + ", ".join(f"{c} {sum(c in o.codes for o in pair)}" for c in codes) + "\n")
    return outcomes


if __name__ == "__main__":
    main()
