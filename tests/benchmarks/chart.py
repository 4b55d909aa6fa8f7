"""How well a vial's colour chart is found, and how good readings from a provisional lot are, on simulated photos.

``python tests/benchmarks/chart.py --photos 40`` takes printers, labels, lamps and phones of the unseen part; ``--seen``
those that constants and thresholds were judged on. Each chart photo that gives a lot serves for two strips,
photographed in other conditions with the same card print.
"""

import argparse
import sys
from collections import Counter
from collections.abc import Sequence
from dataclasses import replace
from datetime import date
from pathlib import Path

import numpy as np

from stripread.calibrate import check_chart, order_blocks, provisional_lot
from stripread.card import design_card
from stripread.errors import StripReadError
from stripread.lot import Lot, load_lot
from stripread.measure import measure_chart
from stripread.photo import open_photo_bytes
from stripread.read import read_strip
from stripread.report import agrees
from stripread.simulate import STRIP_SCATTER, dip_strip, enrolled, random_shot, random_vial, take_photo
from stripread.simulate.demo import DEMO_LOTS
from stripread.strip import load_kind

CHARTS = {
    "clo2-wide": ("violet", (0.0, 50.0, 100.0, 250.0, 400.0, 600.0)),
    "clo2-ultralow": ("pink", (0.0, 0.1, 0.25, 0.5, 1.0, 2.5)),
}
SPANS = {"clo2-ultralow": (0.15, 1.5), "clo2-wide": (40.0, 500.0)}
SIZES = ((2000, 1500),)


def main(arguments: Sequence[str] | None = None) -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--photos", type=int, default=40)
    parser.add_argument("--seen", action="store_true")
    parser.add_argument("--u-print", type=float, default=1.0, help="Printing error of the label. [CIELAB]")
    options = parser.parse_args(arguments)
    counts: Counter[str] = Counter()
    errors: dict[str, list[tuple[float, float, bool, float]]] = {kind: [] for kind in CHARTS}
    demo = {lot.kind: load_lot_of(lot.number) for lot in DEMO_LOTS}
    for index in range(options.photos):
        rng = np.random.default_rng([index, 73 + options.seen])
        kind = load_kind(list(CHARTS)[index % 2])
        chemistry, values = CHARTS[kind.name]
        vial = random_vial(chemistry, values, rng, seen=options.seen, u_print=options.u_print)
        shot = replace(random_shot(design_card(), None, rng, seen=options.seen, sizes=SIZES), vial=vial)
        card = enrolled(shot.card, shot.printer_seed)
        data, drawn = take_photo(shot, seed=index)
        counts["photos"] += 1
        try:
            chart = measure_chart(open_photo_bytes(data, "chart.jpg"), card)
        except StripReadError as error:
            counts[f"no chart: {error.code}"] += 1
            continue
        middles = np.array([block.polygon_px.mean(axis=0) for block in chart.blocks])
        truth = drawn.block_middles_px
        assert truth is not None
        near = np.linalg.norm(middles[:, None] - truth[None], axis=2) / chart.card.pose.px_per_mm < 3.0
        right = near.shape[0] == near.shape[1] and bool(near.any(axis=0).all())
        counts["found, all blocks right" if right else "found, blocks wrong"] += 1
        try:
            rise, ordered = order_blocks(chart, values, blank=True, reverse=None)
        except StripReadError as error:
            counts["refused: number of blocks" if "blocks on the vial" in error.expected else "refused: order"] += 1
            continue
        first = ordered[0].polygon_px.mean(axis=0)
        own_first = truth[vial.words.index(f"{rise[0]:g}")]
        wrong = float(np.linalg.norm(first - own_first)) / chart.card.pose.px_per_mm > 3.0
        counts["lots made"] += 1
        counts["lots made in a wrong order or of wrong blocks"] += wrong
        checks = check_chart(chart, values, calibration=demo[kind.name].pads[0], blank=True)
        counts["calibrated demo lot agrees with the chart"] += agrees(checks)
        lot = provisional_lot(
            chart, values, kind=kind, pad=kind.pads[0], number="X", expires=date(2099, 1, 1), made_on=date(2026, 1, 1)
        )
        for _ in range(2):
            low, high = SPANS[kind.name]
            true = float(np.exp(rng.uniform(np.log(low), np.log(high))))
            strip = dip_strip(kind, {kind.pads[0].id: true}, rng, scatter=STRIP_SCATTER[kind.name])
            strip = replace(strip, dye_factor=strip.dye_factor * float(np.exp(rng.normal(0, 0.05))))
            other = random_shot(design_card(), strip, rng, seen=options.seen, sizes=SIZES)
            other = replace(other, printer_seed=shot.printer_seed)
            try:
                data, _ = take_photo(other, seed=1000 + index)
                pad = read_strip(open_photo_bytes(data, "s.jpg"), card=card, kind=kind, lot=lot).pads[0]
            except StripReadError:
                counts["strips not read"] += 1
                continue
            if pad.interval is None:
                counts["strips without a number (off the curve or ambiguous)"] += 1
                continue
            ends = (pad.interval[0] or 0.0, np.inf if pad.interval[1] is None else pad.interval[1])
            inside = ends[0] <= true <= ends[1]
            counts["intervals"] += 1
            counts["intervals that hold the truth"] += inside
            if pad.value is not None:
                errors[kind.name].append((true, pad.value, inside, pad.interval[1] - pad.interval[0]))  # type: ignore[operator]
    write = sys.stdout.write
    for name, count in counts.items():
        write(f"{name}: {count}\n")
    for name, rows in errors.items():
        if rows:
            table = np.array([(abs(value / true - 1), inside, width / true) for true, value, inside, width in rows])
            median, p95 = np.percentile(table[:, 0], [50, 95])
            write(
                f"{name}: {len(rows)} values, relative error median {median:.0%}, 95th percentile {p95:.0%}, "
                f"coverage {table[:, 1].mean():.0%}, width of interval / true {np.median(table[:, 2]):.0%} (median)\n"
            )


def load_lot_of(number: str) -> Lot:
    return load_lot(Path(__file__).parents[2] / "calibration" / number / "lot.json")


if __name__ == "__main__":
    main()
