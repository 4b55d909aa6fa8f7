"""How the record grows: pages of the log, `today`, a trend, verification, against the number of readings.

``make bench-records`` runs it. Made-up readings at 40 points, one each ten minutes, one of fifty corrected, without
photos: hashing those takes as long as reading them from the disk. Medians of several runs, in one process.
"""

import argparse
import random
import resource
import statistics
import tempfile
import time
from collections.abc import Callable, Sequence
from contextlib import nullcontext
from datetime import timedelta
from pathlib import Path

from stripread.records import (
    Batch,
    Draft,
    Part,
    Point,
    ReadingFilter,
    Records,
    due_today,
    open_records,
    trend_of,
    verify_records,
)
from stripread.records.database import refresh_statistics
from stripread.site import load_site
from tests.unit.made_records import START, made_payload, made_stamp
from tests.unit.postgres_server import server
from tests.unit.test_records_databases import new_database

_CHUNK = 1000
_POINTS = 40
_MONTH = timedelta(days=30)
ROOT = Path(__file__).parents[2]
_LAST_PAGE = _POINTS + 21  # entry from which twenty readings are left


def fill(records: Records, seqs: list[int], end: int) -> None:
    """Add readings up to a number of them, a stock for each thousand - about one a week - and before all, the points.

    ``seqs`` are the entries of the readings that are there, and gets those added.
    """
    start = len(seqs)
    rng = random.Random(start)
    for index in range(_POINTS if start == 0 else 0):
        point = Point(name=f"point-{index:02d}", sample="line", line=f"line-{index // 4}", order=index % 4 + 1)
        records.add_point(point, made_stamp())
    for first in range(start, end, _CHUNK):
        drafts = []
        for i in range(first, min(first + _CHUNK, end)):
            payload = made_payload(rng.uniform(0.05, 0.5), point=f"point-{i % _POINTS:02d}",
                                   taken=START + timedelta(minutes=10 * i))  # fmt: skip
            # Each fiftieth corrects one of the chunk before, which is there already.
            supersedes = seqs[i - _CHUNK] if i % 50 == 0 and i >= 2 * _CHUNK else None
            drafts.append(Draft(kind="reading", payload=payload, subject=payload["point"], supersedes=supersedes))
        seqs += [entry.seq for entry in records.append(drafts, made_stamp(10 * first))]
        stamp = made_stamp(10 * first)
        stock = Batch(
            id=f"S-{first}", kind="stock", made_at=stamp.at, made_by="Ana", water_l=11.0, cover="covered",
            parts=(Part(batch=None, volume_l=19.0),),
        )  # fmt: skip
        records.add_batch(stock, stamp)


def median_ms(action: Callable[[], object], runs: int) -> float:
    took = []
    for _ in range(runs):
        start = time.perf_counter()
        action()
        took.append(1e3 * (time.perf_counter() - start))
    return statistics.median(took)


def measure(records: Records, count: int) -> tuple[float, ...]:
    stamp = made_stamp(10 * count)
    now = START + timedelta(minutes=10 * count)
    payload = made_payload(point="point-00", taken=now)
    site = load_site(ROOT / "calibration")
    return (
        median_ms(lambda: records.readings(limit=20), 15),
        median_ms(lambda: records.readings(before=_LAST_PAGE, limit=20), 15),
        median_ms(lambda: records.readings(ReadingFilter(point="point-07"), limit=20), 15),
        median_ms(records.latest_by_point, 7),
        median_ms(lambda: due_today(records, site, now=now), 5),
        median_ms(lambda: trend_of(records, site, "point-07", since=None, until=None), 5),
        median_ms(lambda: trend_of(records, site, "point-07", since=now - _MONTH, until=None), 5),
        median_ms(lambda: records.add_reading(payload, files=[], stamp=stamp), 15),
        median_ms(lambda: verify_records(records), 1) / 1e3,
    )


def main(arguments: Sequence[str] | None = None) -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--sizes", type=int, nargs="+", default=[10_000, 30_000, 100_000])
    parser.add_argument("--postgresql", action="store_true", help="on a server of its own, not on SQLite")
    options = parser.parse_args(arguments)
    print("| readings | first page, ms | last page, ms | page of a point, ms | latest of 40 points, ms | today, ms | "
          "trend, 2000 readings, ms | trend, 30 days, ms | add one, ms | "
          "verify, s | verify, us an entry | peak, MB |\n|" + "---|" * 12)  # fmt: skip
    with tempfile.TemporaryDirectory() as folder, server() if options.postgresql else nullcontext("") as pattern:
        url = new_database(pattern, "bench") if options.postgresql else None
        with open_records(Path(folder), url, create=True) as records:
            seqs: list[int] = []
            for size in sorted(options.sizes):
                fill(records, seqs, size)
                with records.database.writing() as connection:
                    refresh_statistics(connection)  # a server does so by itself a minute after
                *ms, verify_s = measure(records, size)
                entries = records.head().count
                peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
                cells = (f"{size:,}", *(f"{x:.1f}" for x in ms), f"{verify_s:.1f}", f"{1e6 * verify_s / entries:.0f}")
                print(f"| {' | '.join(cells)} | {peak:.0f} |", flush=True)


if __name__ == "__main__":
    main()
