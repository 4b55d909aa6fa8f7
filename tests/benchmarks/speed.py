"""How long a reading takes against decoding the same photo, both in this process, in turn; and batches of copies.

``make bench-speed`` runs it. For each photo the median of the pairs' ratios, by the clock and by processor time; the
stages; the peak memory of the process. ``--batch N`` instead reads N copies by the command, with one job and with two
in turn, and tells time, processor time and peak memory of the largest process.
"""

import argparse
import os
import resource
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
import tomllib
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np

from stripread.card import load_card
from stripread.lot import load_lot
from stripread.photo import open_photo
from stripread.read import read_strip
from stripread.strip import load_kind

ROOT = Path(__file__).parents[2]
SAMPLES, CALIBRATION = ROOT / "sample_images", ROOT / "calibration"
USUAL = ("line-good", "line-low", "line-turned", "stock-good", "tap-two-pads")  # 12 megapixels each


@dataclass(frozen=True)
class Speed:
    decode_ms: float
    read_ms: float
    ratio: float
    processor_ratio: float
    stages_ms: dict[str, float]


def measure(photo: Path, runs: int) -> Speed:
    truth = tomllib.loads(photo.with_suffix(".toml").read_text(encoding="utf-8"))
    card = load_card(CALIBRATION / f"{truth['card']}.toml")
    lot = load_lot(CALIBRATION / truth["lot"] / "lot.json")
    kind = load_kind(truth["kind"])
    decode, read, stages = [], [], []
    for run in range(runs + 2):
        times = [(time.perf_counter(), time.process_time())]
        cv2.imdecode(np.frombuffer(photo.read_bytes(), np.uint8), cv2.IMREAD_COLOR)
        times.append((time.perf_counter(), time.process_time()))
        reading = read_strip(open_photo(photo), card=card, kind=kind, lot=lot)
        times.append((time.perf_counter(), time.process_time()))
        if run >= 2:  # the first runs import what they need
            spent = 1e3 * np.diff(times, axis=0)
            decode.append(spent[0])
            read.append(spent[1])
            stages.append(dict(reading.timing_ms))
    typical = {name: statistics.median(s[name] for s in stages) for name in stages[0]}
    clock, processor = np.median(np.array(read) / np.array(decode), axis=0)
    return Speed(
        float(np.median(decode, axis=0)[0]), float(np.median(read, axis=0)[0]), float(clock), float(processor), typical
    )


def command(photos: Sequence[Path], jobs: int) -> tuple[float, float, float]:
    """Seconds by the clock, seconds of processor time, and megabytes of the largest process of one command."""
    words = [
        sys.executable,
        "-m",
        "stripread",
        "read",
        *map(str, photos),
        "--site",
        str(CALIBRATION),
        "--lot",
        "UL-2603",
    ]
    words += ["--sample", "line", "--json", "--jobs", str(jobs)]
    start = time.perf_counter()
    process = subprocess.Popen(words, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    _, _, used = os.wait4(process.pid, 0)
    return time.perf_counter() - start, used.ru_utime + used.ru_stime, used.ru_maxrss / 1024


def batch(photo: Path, count: int, runs: int) -> None:
    write = sys.stdout.write
    gain, gain_once_begun = [], []
    with tempfile.TemporaryDirectory() as folder:
        photos = [Path(shutil.copy(photo, Path(folder) / f"{n:03}.jpg")) for n in range(count)]
        for _ in range(runs):
            took = {}
            for jobs, some in ((1, photos[:1]), (1, photos), (2, photos)):
                took[jobs, len(some)] = seconds, processor, peak = command(some, jobs)
                write(
                    f"{len(some)} photos, {jobs} jobs: {seconds:.1f} s, {processor:.1f} s of processor time, "
                    f"peak memory {peak:.0f} MB\n"
                )
            begin, one, two = (took[key][0] for key in ((1, 1), (1, count), (2, count)))
            gain.append(one / two)
            gain_once_begun.append((one - begin) / (two - begin))
    write(
        f"one job / two jobs = {statistics.median(gain):.2f}; less the time of one photo, most of which is loading "
        f"packages, {statistics.median(gain_once_begun):.2f}\n"
    )


def main(arguments: Sequence[str] | None = None) -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("photos", type=Path, nargs="*", default=[SAMPLES / f"{name}.jpg" for name in USUAL])
    parser.add_argument("--runs", type=int, default=15)
    parser.add_argument("--threads", type=int, help="of OpenCV; 1 shows what several jobs get")
    parser.add_argument("--batch", type=int, metavar="N", help="read N copies of the first photo by the command")
    options = parser.parse_args(arguments)
    if options.batch:
        batch(options.photos[0], options.batch, options.runs)
        return
    if options.threads:
        cv2.setNumThreads(options.threads)
    write = sys.stdout.write
    ratios = []
    for photo in options.photos:
        speed = measure(photo, options.runs)
        ratios.append(speed.ratio)
        write(
            f"{photo.name}: decode at full size {speed.decode_ms:.0f} ms, whole reading {speed.read_ms:.0f} ms, "
            f"reading / decode = {speed.ratio:.2f} (median of pairs), {speed.processor_ratio:.2f} by processor time\n"
        )
        write("".join(f"  {name} {value:.1f}" for name, value in speed.stages_ms.items()) + "\n")
    write(f"median of the photos {statistics.median(ratios):.2f}\n")
    write(f"peak memory {resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024:.0f} MB\n")


if __name__ == "__main__":
    main()
