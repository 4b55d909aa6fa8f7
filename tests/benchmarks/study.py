"""How often a study passes and fails: drawn as tables, with errors that are known.

``python -m tests.benchmarks.study --studies 1000 --seed 900`` prints a row for each case: honest intervals, intervals a
third too narrow, a bias of 15 % either way; ``--short`` for the short form. The errors of the first block are shared
between photos, strips, lights and the lot as readings state it (`stripread.study.power.SHARES`), those of the second
belong to strips and photos alone, those of the third lie between. The strengths and the stated uncertainties are those
of the demo lot UL-2603.
"""

import argparse
import sys
from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from stripread.lot import load_lot
from stripread.simulate.study.table import draw_table
from stripread.study import (
    FULL,
    SHARES,
    SHORT,
    Aims,
    Conditions,
    Form,
    Shares,
    Stock,
    StudyPlan,
    judge_study,
    make_plan,
)
from stripread.study.power import ALONE

ROOT = Path(__file__).parents[2]
WORLDS: Mapping[str, Shares] = {
    "shared as stated": SHARES,
    "strips and photos alone": ALONE,
    "half shared": Shares(photo=0.34, strip=0.42, place=0.16, lot=0.08),
}
CASES: Mapping[str, Mapping[str, float]] = {
    "honest intervals": {},
    "a third too narrow": {"width": 2 / 3},
    "bias of +15 %": {"bias": 0.15},
    "bias of -15 %": {"bias": -0.15},
}


@dataclass(frozen=True)
class Rates:
    """Of so many studies, how many came out as what, and which criteria were not passed."""

    studies: int
    outcomes: Counter[str]
    criteria: Counter[str]

    def share(self, outcome: str) -> float:
        return self.outcomes[outcome] / self.studies


def demo_plan(form: Form, seed: int) -> tuple[StudyPlan, Mapping[str, str]]:
    plan, truth = make_plan(
        study="drawn",
        lot=load_lot(ROOT / "calibration" / "UL-2603" / "lot.json"),
        window_s=(10.0, 60.0),
        stock=Stock(what="drawn", method="drawn", expected=100.0),
        conditions=Conditions(people=("A", "B"), phones=("p", "q"), lights=("x", "y", "z"), sessions=2),
        aims=Aims(),
        form=form,
        at="2026-05-01T08:00:00+02:00",
        who="A",
        software="drawn",
        seed=seed,
    )
    return plan, truth.strength_of


def measure_rates(case: Mapping[str, float], shares: Shares, *, studies: int, seed: int, form: Form = FULL) -> Rates:
    """Draw studies, each of a design of its own, and judge them by the criteria that decide."""
    plan, _ = demo_plan(form, seed)  # the criteria follow from the numbers of strips, not from who gets which code
    outcomes, criteria = Counter[str](), Counter[str]()
    for index in range(studies):
        rng = np.random.default_rng([seed, index])
        own, strength_of = redraw(plan, rng)
        table = draw_table(own, strength_of, plan.strengths, rng, shares=shares, **case)
        verdict = judge_study(table, plan.criteria, plan.aims, only_deciding=True)
        outcomes[verdict.outcome] += 1
        criteria.update(f"{f.criterion.name} {f.outcome}" for f in verdict.findings if f.outcome != "pass")
    return Rates(studies, outcomes, criteria)


def redraw(plan: StudyPlan, rng: np.random.Generator):
    from stripread.study.design import design_strips

    return design_strips(plan.strengths, plan.conditions, rng)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--studies", type=int, default=1000)
    parser.add_argument("--seed", type=int, default=900)
    parser.add_argument("--short", action="store_true")
    asked = parser.parse_args()
    for world, shares in WORLDS.items():
        for name, case in CASES.items():
            form = SHORT if asked.short else FULL
            rates = measure_rates(case, shares, studies=asked.studies, seed=asked.seed, form=form)
            shown = ", ".join(
                f"{outcome} {100 * rates.share(outcome):.1f} %" for outcome in ("pass", "fail", "too few")
            )
            why = ", ".join(f"{key} {100 * n / rates.studies:.1f} %" for key, n in rates.criteria.most_common())
            sys.stdout.write(f"{world}; {name}: {shown}  [{why}]\n")
            sys.stdout.flush()


if __name__ == "__main__":
    main()
