"""Do readings hold from the LOQ to the top? Lots of invented dyes, drawn as spectra, without any photo.

A pad's colour is that of a dye on a white carrier by Kubelka and Munk (1931), summed over the spectrum (D50, 2 degree):
nothing of the curve that is fitted. Each lot has its own amount of dye and half-way concentration, each strip its own
amount and departure in colour, each level its own error of dilution, and all of a series the error of their stock.
Lots are calibrated as ``stripread lot calibrate`` does.

    python -m tests.benchmarks.ends --lots 20 --seed 1
"""

import argparse
from collections import defaultdict
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass

import numpy as np

from stripread.calibrate.pad import calibrate_pad
from stripread.colour import xyz_to_lab
from stripread.colour.spectra import GRID_NM, spectra_to_xyz
from stripread.errors import CalibrationRefusedError
from stripread.lot import Calibrator, PadCalibration, invert_curve
from stripread.read.pad import PadReading, report_pad

PIXELS = 0.1**2 * np.eye(3)
# Shares of the top: levels of 5 to 8, the lowest near the LOQ or far above it, as people choose them.
DESIGNS: dict[str, tuple[float, ...]] = {
    "5 even": (0, 0.1, 0.25, 0.5, 1),
    "6 coarse": (0, 0.15, 0.3, 0.5, 0.75, 1),
    "7 doubling": (0, 0.04, 0.08, 0.16, 0.32, 0.64, 1),
    "7 usual": (0, 0.012, 0.04, 0.12, 0.32, 0.64, 1),
    "8 fine": (0, 0.01, 0.03, 0.08, 0.2, 0.4, 0.7, 1),
}


@dataclass(frozen=True, slots=True)
class Dye:
    """K/S spectra (81,) of a pad without and with all dye reacted; ``half``-way concentration as share of the top."""

    blank: np.ndarray
    full: np.ndarray
    half: float
    hill: float = 1.0

    def lab(self, concentration, *, amount: float = 1.0, half: float = 1.0) -> np.ndarray:
        """CIELAB (n, 3) at concentrations (n,); ``amount`` of the dye and its half-way concentration are factors."""
        c = np.atleast_1d(np.maximum(concentration, 1e-300))[:, None]
        share = 1 / (1 + (half * self.half / c) ** self.hill)
        absorbed = np.maximum(self.blank + amount * share * (self.full - self.blank), 0.0)
        return xyz_to_lab(spectra_to_xyz(1 + absorbed - np.sqrt(absorbed**2 + 2 * absorbed)))


def bell(centre: float, width: float) -> np.ndarray:
    return np.exp(-0.5 * ((GRID_NM - centre) / width) ** 2)


CARRIER = 0.016 + 0.030 * bell(380, 45)
SEEN: dict[str, Dye] = {
    "faint": Dye(CARRIER, CARRIER + 0.25 * (bell(512, 24) + bell(553, 20)), half=2.0),
    "violet": Dye(CARRIER, CARRIER + 6.0 * bell(565, 50) + 2.0 * bell(615, 45), half=8.0),
    "brown": Dye(CARRIER, CARRIER + 4.0 * bell(400, 70) + 1.2 * bell(500, 70) + 0.12, half=1.5),
    "saturating": Dye(CARRIER, CARRIER + 0.8 * bell(530, 35), half=0.12),
    "turning": Dye(CARRIER + 1.5 * bell(428, 36), CARRIER + 2.0 * bell(617, 40) + 0.2 * bell(400, 25), half=0.6),
}


def any_dye(rng: np.random.Generator) -> Dye:
    """A dye that nobody chose: one to three bands of any place, width and strength, on any carrier."""
    carrier = rng.uniform(0.005, 0.05) + rng.uniform(0, 0.1) * bell(380, rng.uniform(30, 80))
    bands = [
        np.exp(rng.uniform(np.log(0.2), np.log(4.0))) * bell(rng.uniform(420, 640), rng.uniform(18, 70))
        for _ in range(rng.integers(1, 4))
    ]
    lost = rng.uniform(0, 1.5) * bell(rng.uniform(400, 480), rng.uniform(25, 50)) * (rng.random() < 0.3)
    half = float(np.exp(rng.uniform(np.log(0.15), np.log(10.0))))
    return Dye(carrier + lost, carrier + np.sum(bands, axis=0), half, float(rng.normal(1.0, 0.03)))


@dataclass(frozen=True, slots=True, kw_only=True)
class Workshop:
    """How strips and solutions of a simulated lot scatter (standard deviations)."""

    dye_amount: float = 0.02  # relative, strip to strip
    colour: float = 0.2  # CIELAB, strip to strip
    pouring: float = 0.01  # relative, of each level
    stock: float = 0.0  # relative, shared by all levels
    lot_amount: float = 0.1  # relative, lot to lot
    lot_half: float = 0.1
    tells_stock: bool = True  # whether the series states the stock's standard uncertainty

    def strips(self, dye: Dye, concentration: float, count: int, lot: tuple[float, float], rng) -> np.ndarray:
        """CIELAB (count, 3) of dipped strips, each in one photo."""
        labs = [
            dye.lab([concentration], amount=lot[0] * np.exp(self.dye_amount * rng.standard_normal()), half=lot[1])[0]
            for _ in range(count)
        ]
        return np.array(labs) + np.hypot(self.colour, 0.1) * rng.standard_normal((count, 3))


def make_lot(
    dye: Dye, shares: Iterable[float], replicates: int, workshop: Workshop, rng: np.random.Generator
) -> tuple[PadCalibration, tuple[float, float]]:
    """Calibrate a lot of the dye with its top at 100; return it with its own amount of dye and half-way factor."""
    lot = (
        float(np.exp(workshop.lot_amount * rng.standard_normal())),
        float(np.exp(workshop.lot_half * rng.standard_normal())),
    )
    stock = 1 + workshop.stock * rng.standard_normal()
    rows = []
    for share in shares:
        made = share * stock * (1 + workshop.pouring * rng.standard_normal())
        for k, lab in enumerate(workshop.strips(dye, made, replicates, lot, rng)):
            rows.append(
                Calibrator(
                    photo=f"{share:g}_{k}.jpg", photo_sha256="0" * 64, camera=None, concentration=100 * share,
                    u_concentration=100 * share * workshop.pouring, replicate=str(k),
                    lab=(float(lab[0]), float(lab[1]), float(lab[2])), beyond=False, left_out=False,
                )
            )  # fmt: skip
    told = workshop.stock if workshop.tells_stock else 0.0
    pad = calibrate_pad(rows, pad="A", analyte="test", unit="mg/L", blank=True, u_pixels=PIXELS, u_stock=told)
    return pad, lot


def read(pad: PadCalibration, lab: np.ndarray) -> PadReading:
    causes = {"pixels": PIXELS}
    return report_pad(pad, lab, causes, invert_curve(pad.curve, lab, causes, {}))


def holds(reading: PadReading, truth: float) -> bool | None:
    """Whether what a reading states is true: its interval, or the bound under or over which it is said to be.

    None where it states nothing.
    """
    if reading.censored is not None and reading.limit is not None:
        return truth <= reading.limit.value if reading.censored == "below" else truth >= reading.limit.value
    if reading.interval is None:
        return None
    low, high = reading.interval
    return (low is None or low <= truth) and (high is None or truth <= high)


PLACES: dict[str, Callable[[PadCalibration], float]] = {
    "blank": lambda pad: 0.0,
    "LOD": lambda pad: pad.lod.value or np.nan,
    "1.1 LOQ": lambda pad: 1.1 * (pad.loq.value or np.nan),
    "2 LOQ": lambda pad: 2 * (pad.loq.value or np.nan),
    "half lowest": lambda pad: 0.5 * lowest(pad),
    "lowest": lambda pad: lowest(pad),
    "0.3": lambda pad: 30.0,
    "0.6": lambda pad: 60.0,
    "0.9": lambda pad: 90.0,
    "0.97": lambda pad: 97.0,
    "1.05": lambda pad: 105.0,
}


def lowest(pad: PadCalibration) -> float:
    """Lowest level but the blank."""
    return min(c.concentration for c in pad.calibrators if c.concentration > 0)


@dataclass(slots=True)
class Count:
    held: int = 0
    stated: int = 0
    numbers: int = 0
    silent: int = 0
    detected: int = 0
    off: float = 0.0  # sum of relative departures of the numbers

    def add(self, reading: PadReading, truth: float) -> None:
        true = holds(reading, truth)
        if true is None:
            self.silent += 1
            return
        self.detected += reading.limit is None or reading.limit.name != "LOD"
        self.held += true
        self.stated += 1
        if reading.value is not None:
            self.numbers += 1
            self.off += reading.value / truth - 1


def run(
    dyes: Mapping[str, Callable[[np.random.Generator], Dye]],
    *,
    lots: int,
    seed: int,
    workshop: Workshop,
    replicates: Iterable[int] = (2, 3, 4),
    designs: Iterable[str] = tuple(DESIGNS),
    strips: int = 3,
) -> tuple[dict[tuple[str, str, str], Count], dict[str, list[int]]]:
    """Count what held, by dye, design and place; and by dye the series refused and all of them."""
    counts: dict[tuple[str, str, str], Count] = defaultdict(Count)
    refused = {name: [0, 0] for name in dyes}
    for name, dye_of in dyes.items():
        for design in designs:
            rng = np.random.default_rng([seed, *map(ord, name + design)])
            for k in range(lots):
                dye = dye_of(rng)
                refused[name][1] += 1
                try:
                    pad, lot = make_lot(
                        dye, DESIGNS[design], tuple(replicates)[k % len(tuple(replicates))], workshop, rng
                    )
                except CalibrationRefusedError:
                    refused[name][0] += 1
                    continue
                for place, of in PLACES.items():
                    truth = of(pad)
                    if not 0 <= truth <= 110:
                        continue
                    for lab in workshop.strips(dye, truth / 100, strips, lot, rng):
                        counts[name, design, place].add(read(pad, lab), truth)
    return dict(counts), refused


def totals(counts: Mapping[tuple[str, str, str], Count], by: Callable[[tuple[str, str, str]], str]) -> dict[str, Count]:
    """Add up counts that ``by`` gives one name."""
    total: dict[str, Count] = defaultdict(Count)
    for key, one in counts.items():
        t = total[by(key)]
        for name in ("held", "stated", "numbers", "silent", "detected", "off"):
            setattr(t, name, getattr(t, name) + getattr(one, name))
    return dict(total)


def summary(counts: Mapping[tuple[str, str, str], Count], by: Callable[[tuple[str, str, str]], str]) -> None:
    for key, t in totals(counts, by).items():
        stated = max(t.stated, 1)
        print(
            f"  {key:28} held {t.held / stated:6.1%} of {t.stated:5}, numbers {t.numbers / stated:6.1%}, "
            f"mean off {t.off / max(t.numbers, 1):+6.1%}, detected {t.detected / stated:6.1%}, silent {t.silent}"
        )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--lots", type=int, default=20, help="lots of each dye and design")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--stock", type=float, default=0.0, help="relative error of the stock")
    parser.add_argument("--unseen", action="store_true", help="dyes at random in place of the five")
    args = parser.parse_args()
    dyes = {"any": any_dye} if args.unseen else {name: (lambda rng, dye=dye: dye) for name, dye in SEEN.items()}
    counts, refused = run(dyes, lots=args.lots, seed=args.seed, workshop=Workshop(stock=args.stock))
    for by in (lambda k: k[2], lambda k: f"{k[0]}, {k[2]}", lambda k: f"{k[1]}, {k[2]}"):
        summary(counts, by)
        print()
    for name, (some, all_) in refused.items():
        print(f"  {name}: {some} of {all_} series refused")


if __name__ == "__main__":
    main()
