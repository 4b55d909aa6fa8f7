"""How often a strip and a meter of one sample are called different: ``python -m tests.benchmarks.methods``.

Drawn numbers. The strip's u is an estimate of some degrees of freedom, the meter's is known; the meter may be off by
more than it states.
"""

import argparse

import numpy as np

from stripread.check import DIFFER, Stated, probability_alike
from stripread.units import Measured

_FREEDOMS = (4, 8, 20)
_RATIOS = (0.3, 1.0, 3.0)  # u of the meter over that of the strip
_OFF = (0.0, 1.0, 2.0, 3.0, 4.0)  # by how many u of the true difference the meter is off


def share_called(freedom: int, ratio: float, off: float, *, runs: int, rng: np.random.Generator) -> float:
    """Return the share of pairs that are called different."""
    strip = rng.normal(0.0, 1.0, runs)
    stated = np.sqrt(rng.chisquare(freedom, runs) / freedom)
    meter = rng.normal(off * np.hypot(1.0, ratio), ratio, runs)
    called = [
        probability_alike(
            Stated(number=Measured(float(x), float(u), floor=-np.inf, degrees_of_freedom=freedom)),
            Stated(number=Measured(float(y), ratio, floor=-np.inf)),
        )
        < DIFFER
        for x, u, y in zip(strip, stated, meter, strict=True)
    ]
    return float(np.mean(called))


def main() -> None:
    """Print a table: degrees of freedom and ratio down, how far the meter is off across."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--runs", type=int, default=20000)
    parser.add_argument("--seed", type=int, default=71)
    asked = parser.parse_args()
    rng = np.random.default_rng(asked.seed)
    print("freedom  u meter / u strip  " + "  ".join(f"off {off:g} u" for off in _OFF))
    for freedom in _FREEDOMS:
        for ratio in _RATIOS:
            shares = [share_called(freedom, ratio, off, runs=asked.runs, rng=rng) for off in _OFF]
            print(f"{freedom:7d}  {ratio:17g}  " + "  ".join(f"{100 * one:7.1f}" for one in shares))


if __name__ == "__main__":
    main()
