"""How often the rules that look back call good water and good lots bad, and what they find: drawn numbers, no photos.

Run ``python -m tests.benchmarks.control_rules`` (some minutes; ``--rules lot jump drift line`` for some, ``--runs``).
The rules themselves are called, with histories drawn here. Seeds are fixed: the same table each time.

- **lot**: twenty check standards. Of their variance a share is common to the lot; the stated uncertainties may
  themselves be estimates, of so many degrees of freedom. A lot counts as called if any of the twenty checks calls it.
- **jump, drift**: a point's water is an AR(1) process about a steady mean, read daily or at irregular times, with or
  without readings' own noise; "censored" lacks a quarter of its readings. Rates are of one reading.
"""

import argparse
from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta
from types import SimpleNamespace
from typing import Any, cast

import numpy as np

from stripread.check.case import PadCase
from stripread.check.history import History, Line, PastReading
from stripread.check.history_rules import drift_at_point, drifted, jump_at_point, line_falls_faster
from stripread.check.standard import normal_score
from stripread.geometry import Float
from stripread.lot.record import CheckRow
from stripread.lot.verify import compare_to_known

NOW = datetime(2026, 5, 4, 9, 0, tzinfo=UTC)
MEAN, SIGMA = 0.30, 0.03  # mg/L of the water and its scatter
CHECKS = 20
SHARES = (0.0, 0.25, 0.4, 0.6)
RHOS = (0.0, 0.3, 0.6)
PAST = (5, 10, 20, 40)


def checks_of_a_lot(rng: np.random.Generator, share: float, *, freedom: float = np.inf, one: bool = False) -> Float:
    """Scores (CHECKS,) of a good lot, of whose variance a share is common to all of them.

    ``freedom`` is that of the stated uncertainty, an estimate of its own in each check, or ``one`` for the whole lot.
    """
    errors: Float = np.sqrt(share) * rng.normal() + np.sqrt(1 - share) * rng.normal(size=CHECKS)
    if np.isinf(freedom):
        return errors
    stated = np.sqrt(rng.chisquare(freedom, 1 if one else CHECKS) / freedom) * np.ones(CHECKS)
    return np.array([score(float(e), float(u), freedom) for e, u in zip(errors, stated, strict=True)])


def score(error: float, u: float, freedom: float) -> float:
    """Return the score of a check as the rules are given it."""
    agreement = compare_to_known(1 + error, u, known=1.0, u_known=0.0, degrees_of_freedom=freedom)
    row = CheckRow(
        when=NOW, photo="", photo_sha256="", lot_sha256="", pad="", known=1.0, u_known=0.0, value=1 + error, u=u,
        low=None, high=None, e_n=agreement.e_n, findings=(),
    )  # fmt: skip
    return normal_score(row) or 0.0


def called_at(scores: Float) -> int | None:
    """Return the number of the first check at which the lot is called drifting, from 1."""
    return next((n for n in range(1, len(scores) + 1) if drifted([float(z) for z in scores[:n]]) is not None), None)


def water(rng: np.random.Generator, times: Float, rho: float) -> Float:
    """AR(1) of unit variance at rising times [days]; ``rho`` from one day to the next."""
    values = rng.normal(size=len(times))
    for i in range(1, len(times)):
        r = rho ** (times[i] - times[i - 1])
        values[i] = r * values[i - 1] + np.sqrt(1 - r * r) * values[i]
    return values


def times_of(rng: np.random.Generator, count: int, when: str) -> Float:
    """Return ``count`` times in days: daily, irregular (exponential gaps), or daily with a quarter missing."""
    if when == "irregular":
        return np.cumsum(0.05 + rng.exponential(0.95, count))
    if when == "censored":
        kept = rng.random(4 * count + 20) > 0.25
        return np.nonzero(kept)[0][:count].astype(np.float64)
    return np.arange(count, dtype=np.float64)


def case(values: Float, times: Float, u: float) -> PadCase:
    """The last value as the pad that is judged, the others as the point's past."""
    past = tuple(
        PastReading(
            name=str(i), at=NOW - timedelta(days=float(times[-1] - t)), point="bench", sample="line",
            analyte="a", unit="mg/L", value=float(v), u=u, valid=True,
        )
        for i, (v, t) in enumerate(zip(values[:-1], times[:-1], strict=True))
    )  # fmt: skip
    value = float(values[-1])
    pad = SimpleNamespace(
        value=value, standard_uncertainty=u, analyte="a", unit="mg/L", limit=None, censored=None,
        interval=(value - 2 * u, value + 2 * u), estimate=SimpleNamespace(degrees_of_freedom=20.0),
    )  # fmt: skip
    return PadCase(
        reading=cast(Any, None), pad=cast(Any, pad), sample=None, history=History(now=NOW, at=NOW, same_point=past)
    )


def rate_at_point(
    rule: Callable[[PadCase], Iterator[Any]],
    count: int,
    rho: float,
    *,
    runs: int,
    when: str = "daily",
    noise: float = 0.0,
    u: float = 0.1,
    change: Callable[[Float], Float] | None = None,
) -> float:
    """Share of histories of ``count`` past readings whose next one is called.

    ``noise`` is the share of the variance that is each reading's own, ``u`` the stated uncertainty over the scatter,
    ``change`` what is added, over the scatter, by the order of the readings from 0 to 1.
    """
    rng = np.random.default_rng([7, count, int(10 * rho), len(when), int(10 * noise)])
    called = 0
    for _ in range(runs):
        times = times_of(rng, count + 1, when)
        values = np.sqrt(1 - noise) * water(rng, times, rho) + np.sqrt(noise) * rng.normal(size=count + 1)
        if change is not None:
            values = values + change(np.arange(count + 1) / count)
        called += bool(list(rule(case(MEAN + SIGMA * values, times, u * SIGMA))))
    return called / runs


def rate_on_line(count: int, rho: float, *, runs: int, fall: float = 0.0) -> float:
    """Share of days on which a line is said to take more than it used to; ``fall`` over the scatter."""
    rng = np.random.default_rng([8, count, int(10 * rho)])
    called = 0
    for _ in range(runs):
        left = 0.9 + 0.03 * water(rng, np.arange(count + 1.0), rho)
        left[-1] -= 0.03 * fall
        one = case(np.array([0.3 * left[-1]]), np.zeros(1), 1e-4)
        before = PastReading(
            name="", at=NOW, point="first", sample="line", analyte="a", unit="mg/L", value=0.3, u=1e-4, valid=True
        )
        history = History(now=NOW, at=NOW, line=Line(before=before, usual_left=tuple(map(float, left[:-1]))))
        judged = PadCase(reading=one.reading, pad=one.pad, sample=None, history=history)
        called += bool(list(line_falls_faster(judged)))
    return called / runs


def _percent(share: float) -> str:
    return f"{100 * share:6.1f}"


def lots(runs: int) -> None:
    """Print lots called drifting within twenty checks."""

    def row(name: str, draw: Callable[[np.random.Generator, float], Float]) -> None:
        shares = []
        for share in SHARES:
            rng = np.random.default_rng([6, int(100 * share)])
            shares.append(sum(called_at(draw(rng, share)) is not None for _ in range(runs)) / runs)
        print(f"| {name:<58} |" + "".join(f"{_percent(s)} |" for s in shares))

    after = np.arange(CHECKS) >= 8
    ramp = np.arange(CHECKS) / (CHECKS - 1)
    print(f"\nlots called drifting within {CHECKS} checks [%], {runs} each, by the share common to the lot: {SHARES}")
    row("good lot", checks_of_a_lot)
    row("good lot, u of each check an estimate (10)", lambda rng, s: checks_of_a_lot(rng, s, freedom=10))
    row("good lot, u of all checks an estimate (14)", lambda rng, s: checks_of_a_lot(rng, s, freedom=14, one=True))
    for size in (1.0, 1.5, 2.0):
        row(f"from the ninth check on {size:g} u more", lambda rng, s, d=size: checks_of_a_lot(rng, s) + d * after)  # type: ignore[misc]
    for size in (2.0, 3.0):
        row(f"creeping to {size:g} u from first to last", lambda rng, s, d=size: checks_of_a_lot(rng, s) + d * ramp)  # type: ignore[misc]
    for size in (2.0, 3.0, 4.0):
        row(f"wrong by {size:g} u from the start", lambda rng, s, d=size: checks_of_a_lot(rng, s) + d)  # type: ignore[misc]


def points(rule: Callable[[PadCase], Iterator[Any]], runs: int, changes: dict[str, Callable[[Float], Float]]) -> None:
    """Print readings called at a point, good and changed."""
    least = 10 if rule is drift_at_point else 5
    cases: list[tuple[str, dict[str, Any]]] = [
        ("daily", {}),
        ("irregular", {"when": "irregular"}),
        ("censored", {"when": "censored"}),
        ("half of it the readings' noise", {"noise": 0.5}),
        ("only the readings' noise, u as stated", {"noise": 1.0, "u": 1.0}),
        *((f"{name}", {"change": change}) for name, change in changes.items()),
    ]
    print(f"\n{rule.__name__}: readings called [%], {runs} each, by past readings {PAST} and rho {RHOS}")
    for name, more in cases:
        cells = []
        for count in PAST:
            many = [rate_at_point(rule, count, rho, runs=runs, **more) for rho in RHOS] if count >= least else []
            cells.append("/".join(f"{100 * s:.1f}" for s in many) or "-")
        print(f"| {name:<38} | " + " | ".join(f"{c:>16}" for c in cells) + " |", flush=True)


def lines(runs: int) -> None:
    """Print days on which a line is said to fall faster."""
    print(f"\nline_falls_faster: days called [%], {runs} each, by past days {PAST} and rho {RHOS}")
    for fall in (0.0, 3.0, 5.0):
        cells = ["/".join(f"{100 * rate_on_line(n, r, runs=runs, fall=fall):.1f}" for r in RHOS) for n in PAST]
        print(f"| {fall:g} of its scatter lower {'':<12} | " + " | ".join(f"{c:>16}" for c in cells) + " |", flush=True)


def main() -> None:
    """Print the tables."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0] if __doc__ else None)
    parser.add_argument("--runs", type=int, default=2000)
    parser.add_argument("--rules", nargs="*", default=["lot", "jump", "drift", "line"])
    asked = parser.parse_args()
    if "lot" in asked.rules:
        lots(asked.runs)
    if "jump" in asked.rules:
        points(
            jump_at_point,
            asked.runs,
            {f"jump of {d:g}": lambda share, d=d: np.where(share == 1, d, 0.0) for d in (3.0, 4.0, 6.0)},  # type: ignore[misc]
        )
    if "drift" in asked.rules:
        points(
            drift_at_point,
            asked.runs,
            {
                "creeping by 2 from first to last": lambda share: 2 * share,
                "creeping by 4 from first to last": lambda share: 4 * share,
                "3 more in the later half": lambda share: np.where(share > 0.5, 3.0, 0.0),
                "creeping by 3 in the last third": lambda share: 9 * np.maximum(share - 2 / 3, 0),
            },
        )
    if "line" in asked.rules:
        lines(asked.runs)


if __name__ == "__main__":
    main()
