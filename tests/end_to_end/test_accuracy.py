"""The short form of `tests/benchmarks/accuracy.py`: demo lots, few photos, small ones; bounds wide enough for that."""

from functools import partial
from pathlib import Path

import numpy as np
import pytest

from stripread.simulate.demo import DEMO_LOTS
from tests.benchmarks.accuracy import SPANS, MadeLot, Outcome, Task, run
from tests.listed import each

ROOT = Path(__file__).parents[2]
PHOTOS = 9  # of each kind
# Medians of nine scatter by a third or so; the full benchmark holds 12 % and 5 % on hundreds.
BOUND = {"clo2-ultralow": 0.16, "clo2-wide": 0.07}


def task(kind: str) -> partial[Task]:
    demo = next(lot for lot in DEMO_LOTS if lot.kind == kind)
    lot = MadeLot(kind, ROOT / "calibration" / demo.number / "lot.json", demo.factor)
    return partial(Task, scatter=True, lot=lot, same_place=False, cameras=None, sizes=((2000, 1500),))


@pytest.mark.slow
@each("kind", SPANS)
def test_unseen_lamps_phones_and_printers(kind: str) -> None:
    outcomes = [run(task(kind)(index=5000 + i)) for i in range(PHOTOS)]
    read = [o for o in outcomes if o.value is not None]
    assert len(read) >= PHOTOS - 1, [o.error or o.censored for o in outcomes]
    errors = [abs(o.value - o.truth) / o.truth for o in read]
    assert np.median(errors) <= BOUND[kind]
    inside = [(o.low or 0.0) <= o.truth <= (o.high or np.inf) for o in read]
    assert sum(inside) >= len(read) - 2  # nine of 95 %: three misses or more come by chance once in 120


@pytest.mark.slow
@each("without", ["strip", "card"])
def test_no_number_without_strip_or_card(without: str) -> None:
    outcomes: list[Outcome] = [run(task("clo2-ultralow")(index=6000 + i, without=without)) for i in range(2)]
    assert all(o.value is None and o.error for o in outcomes)
