"""How often good days are called bad: simulated weeks without faults, several times over, whole photos and records.

``make bench-season`` runs it, a minute or two a season. For each finding that is no mere remark: in how many readings
of how many. The script has no faults in it, but its stock weakens through the week and strips scatter, as they do.
For each season, how many intervals hold. Lamps, phone and printer are those of the simulator's seen part: it judges the
rules that look back, not the colours.
"""

import argparse
import sys
import tomllib
from collections import Counter
from collections.abc import Sequence
from datetime import datetime, timedelta
from pathlib import Path
from tempfile import TemporaryDirectory

from stripread.findings import REGISTRY
from stripread.records import RecordedReading, open_records
from stripread.simulate import play_season

ROOT = Path(__file__).parents[2]


def intervals_held(readings: Sequence[RecordedReading], folder: Path) -> tuple[int, int]:
    """How many of the valid numbers' intervals hold the truth, and how many there are."""
    strips = tomllib.loads((folder / "truth.toml").read_text(encoding="utf-8"))["strips"]
    truth = {(datetime.fromisoformat(s["at"]), s["point"]): s["truth_mg_per_l"] for s in strips}
    found = [
        r.main.low <= truth[r.when - timedelta(seconds=20), r.point] <= r.main.high
        for r in readings
        if r.method.is_strip and r.validity == "valid" and r.main.low is not None and r.main.high is not None
    ]
    return sum(found), len(found)


def main(arguments: Sequence[str] | None = None) -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seeds", type=int, nargs="+", default=[2, 3, 4, 5, 6])
    options = parser.parse_args(arguments)
    counts: Counter[str] = Counter()
    total = 0
    for seed in options.seeds:
        with TemporaryDirectory() as name:
            folder = Path(name) / "site"
            play_season(folder, ROOT / "calibration", seed=seed, faults=False, report=lambda done, of: None)
            with open_records(folder) as records:
                readings = list(records.iterate_readings())
            held, of = intervals_held(readings, folder)
        total += len(readings)
        for reading in readings:
            said = reading.entry.payload["findings"]
            counts.update({f["code"] for f in said if f["severity"] != "info" or f["code"] == "drift_at_point"})
        sys.stdout.write(f"season {seed}: {len(readings)} readings, {held} of {of} intervals hold\n")
        sys.stdout.flush()
    sys.stdout.write(f"{'finding':<26} {'severity':<9} readings of {total}\n")
    for code, count in counts.most_common():
        sys.stdout.write(f"{code:<26} {REGISTRY[code].severity:<9} {count:>4}  {count / total:.1%}\n")


if __name__ == "__main__":
    main()
