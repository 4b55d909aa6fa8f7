"""Strip kinds of random sizes, in memory: for trying the finder on strips that nobody has described before."""

from dataclasses import dataclass

import numpy as np

from stripread.simulate.optics.conditions import dip_strip
from stripread.simulate.scene.photograph import DippedStrip
from stripread.strip import Dip, PadSpec, StripKind

__all__ = ["RANGES", "RandomKind", "another_kind", "dip_random", "random_kind"]

# Concentrations that are drawn for each chemistry of `stripread.simulate.optics.pads`; pH has no zero.
RANGES: dict[str, tuple[float, float]] = {
    "pink": (0.05, 2.0),
    "violet": (15.0, 500.0),
    "brown": (0.2, 10.0),
    "yellow-blue": (6.2, 8.4),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class RandomKind:
    """A kind and the chemistry (a key of `PADS`) of each of its pads."""

    kind: StripKind
    chemistry: dict[str, str]

    @property
    def tip_gap_mm(self) -> float:
        """Plastic between the dipped tip and the first pad."""
        pad = self.kind.pads[0]
        return pad.centre_mm[0] - pad.size_mm[0] / 2


def random_kind(rng: np.random.Generator, *, number: int = 0) -> RandomKind:
    """Draw a kind: 50 to 95 mm long, 4 to 7 mm wide, one to three pads of 4 to 6 mm, the first 0 to 3 mm from the tip.

    Two of five have pads as wide as the strip.
    """
    length, width = round(float(rng.uniform(50, 95)), 1), round(float(rng.uniform(4.0, 7.0)), 1)
    count = int(rng.choice([1, 2, 3], p=[0.6, 0.25, 0.15]))
    gap = float(rng.choice([0.0, 1.0, rng.uniform(0, 3), rng.uniform(0, 3)]))
    across = width if rng.random() < 0.4 else round(max(3.5, width - float(rng.uniform(0.3, 1.2))), 1)
    names = rng.choice(sorted(RANGES), size=count, replace=False)
    pads, start = [], gap
    for i, name in enumerate(names):
        size = float(rng.uniform(4.0, 6.0))
        pads.append(
            PadSpec(
                id=f"pad{i + 1}",
                centre_mm=(round(start + size / 2, 3), width / 2),
                size_mm=(round(size, 3), across),
                analyte=str(name),
                unit="pH" if name == "yellow-blue" else "mg/L",
                range=RANGES[str(name)],
                blank=str(name) != "yellow-blue",
            )
        )
        start += size + float(rng.uniform(1.5, 5.0))
    kind = StripKind(
        name=f"random-{number}",
        analyte=pads[0].analyte,
        unit=pads[0].unit,
        range=pads[0].range,
        length_mm=length,
        width_mm=width,
        pads=tuple(pads),
        dip=Dip(seconds=2, motion="still", read_from_s=10, read_until_s=60),
    )
    return RandomKind(kind=kind, chemistry={pad.id: str(n) for pad, n in zip(pads, names, strict=True)})


def another_kind(known: RandomKind, rng: np.random.Generator) -> RandomKind:
    """Draw a kind that can be told from the known one: by its length or its width, or as it has more pads."""
    while True:
        other = random_kind(rng, number=999)
        one, two = known.kind, other.kind
        if (
            abs(one.length_mm - two.length_mm) > 8
            or abs(one.width_mm - two.width_mm) > 1.2
            or len(two.pads) > len(one.pads)
        ):
            return other


def dip_random(known: RandomKind, rng: np.random.Generator, *, level: float | None = None) -> DippedStrip:
    """Dip a strip of a random kind: at a level of 0 to 1 of each range in its logarithm, or at random; below 0 a blank.

    A pad without a zero (pH) is then at the low end of its range.
    """
    values = {}
    for pad in known.kind.pads:
        low, high = RANGES[known.chemistry[pad.id]]
        share = float(rng.random()) if level is None else level
        if share < 0:
            values[pad.id] = 0.0 if pad.blank else low
        else:
            values[pad.id] = float(low * (high / low) ** share)
    dipped = dip_strip(known.kind, values, rng, scatter=0.02)
    return DippedStrip(
        kind=known.kind,
        concentrations=dipped.concentrations,
        dye_factor=dipped.dye_factor,
        blank_factor=dipped.blank_factor,
        chemistry=known.chemistry,
    )
