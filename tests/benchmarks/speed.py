"""How long a reading takes against decoding the same photo, both in this process, in turn.

``make bench-speed`` runs it. Prints the ratio of medians, the stages, and the peak memory of the process.
"""

import argparse
import resource
import statistics
import sys
import time
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np

from stripread.card.layout import load_card
from stripread.lot.lot import load_lot
from stripread.photo.load import open_photo
from stripread.reading import read_strip
from stripread.strip.kinds import load_kind

ROOT = Path(__file__).parents[2]


@dataclass(frozen=True)
class Speed:
    decode_ms: float
    read_ms: float
    ratio: float
    stages_ms: dict[str, float]
    peak_mb: float


def measure(photo: Path, runs: int) -> Speed:
    card = load_card(ROOT / "calibration" / "card-print-a.toml")
    lot = load_lot(ROOT / "calibration" / "UL-2603" / "lot.json")
    kind = load_kind("clo2-ultralow")
    decode, read, stages = [], [], []
    for run in range(runs + 2):
        start = time.perf_counter()
        cv2.imdecode(np.frombuffer(photo.read_bytes(), np.uint8), cv2.IMREAD_COLOR)
        middle = time.perf_counter()
        reading = read_strip(open_photo(photo), card=card, kind=kind, lot=lot)
        end = time.perf_counter()
        if run >= 2:  # the first runs import what they need
            decode.append(1e3 * (middle - start))
            read.append(1e3 * (end - middle))
            stages.append(dict(reading.timing_ms))
    typical = {name: statistics.median(s[name] for s in stages) for name in stages[0]}
    ratio = statistics.median(r / d for r, d in zip(read, decode, strict=True))
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    return Speed(statistics.median(decode), statistics.median(read), ratio, typical, peak)


def main(arguments: Sequence[str] | None = None) -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("photo", type=Path, nargs="?", default=ROOT / "sample_images" / "line-good.jpg")
    parser.add_argument("--runs", type=int, default=15)
    options = parser.parse_args(arguments)
    speed = measure(options.photo, options.runs)
    write = sys.stdout.write
    write(f"{options.photo.name}: decode at full size {speed.decode_ms:.0f} ms, whole reading {speed.read_ms:.0f} ms\n")
    write(f"reading / decode = {speed.ratio:.2f} (median of pairs)\n")
    for name, value in speed.stages_ms.items():
        write(f"  {name:<12} {value:6.1f} ms\n")
    write(f"peak memory {speed.peak_mb:.0f} MB\n")


if __name__ == "__main__":
    main()
