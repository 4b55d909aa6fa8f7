"""How often a lot's intervals hold what its own strips were dipped into: the bootstrap of its replicates.

The strips of each level are drawn with replacement, as many as there are (Efron 1979, Ann. Statist. 7(1):1-26). The
curve is fitted anew to those drawn, and those that were not drawn are read from it: the fit has never seen them. A
strip drawn twice counts once: copies of one strip would pass for strips without scatter.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from stripread.calibrate.pad import calibrate_pad, curve_calibrators
from stripread.errors import CalibrationRefusedError
from stripread.geometry import Float
from stripread.lot import Calibrator, PadCalibration, invert_curve

__all__ = ["Coverage", "bootstrap_coverage"]

# CIELAB squared. A strip's colour is the mean of its photos, whose noise is part of the scatter between replicates
# already: nothing is added but what keeps the weights regular, and LOD and LOQ of the refits are not used.
_NOISE = 1e-4 * np.eye(3)


@dataclass(frozen=True, slots=True, kw_only=True)
class Coverage:
    """How often 95 % intervals of left-out strips held the level that they were dipped into.

    Attributes
    ----------
    resamples, refused : int
        Series drawn, and those among them that gave no curve to be trusted.
    strips : int
        Different strips that were left out at least once. The intervals of one strip hang together, so this, and not
        the number of intervals, tells how well the share is known.
    levels : mapping of float to tuple of int
        For each level, intervals that held it, and all of them.
    seed : int
    """

    resamples: int
    refused: int
    strips: int
    levels: Mapping[float, tuple[int, int]]
    seed: int

    @property
    def held(self) -> int:
        """Intervals that held their level."""
        return sum(held for held, _ in self.levels.values())

    @property
    def intervals(self) -> int:
        """Intervals in all."""
        return sum(count for _, count in self.levels.values())

    @property
    def share(self) -> float | None:
        """Share of the intervals that held; None where there is none."""
        return self.held / self.intervals if self.intervals else None


def bootstrap_coverage(pad: PadCalibration, *, resamples: int, seed: int) -> Coverage:
    """Refit a pad's curve to resampled strips and read those left out.

    Only what the lot file holds is used: the corrected colours of the series' photos, averaged over those of a strip.
    So the share speaks of the curve and of the scatter between strips in the conditions of the calibration. Of other
    lights and phones it says nothing, nor of an error of a dilution, which all strips of a level share.

    Parameters
    ----------
    resamples : int
        Series drawn. A pad takes 0.1 to 1 s for each.
    """
    rng = np.random.default_rng(seed)
    strips = _strips(pad.calibrators)
    refused, seen = 0, set()
    counts = {level: [0, 0] for level in strips}
    for _ in range(resamples):
        drawn = {level: set(rng.choice(sorted(own), len(own)).tolist()) for level, own in strips.items()}
        kept = [c for level, own in strips.items() for name in sorted(drawn[level]) for c in own[name]]
        try:
            refit = calibrate_pad(
                kept, pad=pad.pad, analyte=pad.analyte, unit=pad.unit, blank=pad.curve.low == 0, u_pixels=_NOISE
            ).curve
        except CalibrationRefusedError:
            refused += 1
            continue
        for level, own in strips.items():
            for name in sorted(set(own) - drawn[level]):
                colour: Float = np.mean([c.lab for c in own[name]], axis=0)
                estimate = invert_curve(refit, colour, {"pixels": _NOISE}, {})
                # An end that is open, as the curve ends first, holds everything on its side.
                low, high = estimate.low, estimate.high
                counts[level][0] += (low is None or low <= level) and (high is None or level <= high)
                counts[level][1] += 1
                seen.add((level, name))
    return Coverage(
        resamples=resamples,
        refused=refused,
        strips=len(seen),
        levels={level: (held, count) for level, (held, count) in counts.items()},
        seed=seed,
    )


def _strips(calibrators: Sequence[Calibrator]) -> dict[float, dict[str, list[Calibrator]]]:
    """Photos by level and strip, of those that the curve was fitted to."""
    strips: dict[float, dict[str, list[Calibrator]]] = {}
    for c in curve_calibrators(calibrators):
        strips.setdefault(c.concentration, {}).setdefault(c.replicate, []).append(c)
    return strips
