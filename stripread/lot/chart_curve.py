"""The provisional curve: a path in CIELAB through the printed blocks of a vial's chart.

Blocks are joined by straight lines. How far along the path a concentration lies is a monotone cubic through the blocks
(Fritsch and Carlson 1980, SIAM J. Numer. Anal. 17, 238-246), for pads saturate and steps are wide. It never speaks of
anything below the lowest or above the highest block.
"""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from stripread.geometry import Float
from stripread.lot.curve import Scatter, scatter_about, tangent_by_differences
from stripread.lot.inverse import Estimate

__all__ = ["METHOD", "ChartCurve", "chart_curve_from_json", "chart_curve_to_json", "widen_to_steps"]

METHOD = "chart-blocks"
_BEND = 0.1  # of the way between two blocks: what a straight line misses in its middle. Ours, as in read/pad.py
_LEAST_SHARE = 0.5  # of the step between the blocks that enclose a value: no interval is narrower
_K95 = 1.96  # of a normal distribution


@dataclass(frozen=True, slots=True)
class ChartCurve:
    """A path through printed blocks.

    Attributes
    ----------
    values : ndarray (n,)
        What is printed beside the blocks, rising.
    block_lab : ndarray (n, 3)
    block_covariance : ndarray (n, 3, 3)
        Of each block as a statement about the pad's colour: measured, printed, lit, seen.
    scatter : Scatter
        Judged, as a chart tells nothing of strips.
    """

    values: Float
    block_lab: Float
    block_covariance: Float
    scatter: Scatter

    @property
    def low(self) -> float:
        """Value of the lowest block."""
        return float(self.values[0])

    @property
    def top(self) -> float:
        """Value of the highest block."""
        return float(self.values[-1])

    @property
    def end(self) -> float:
        """Nothing is known of colours beyond the chart's."""
        return self.top

    @property
    def u_stock(self) -> float:
        """A chart was not diluted."""
        return 0.0

    def _way(self) -> Float:
        """Way along the path to each block, in Delta E, shape (n,)."""
        steps = np.linalg.norm(np.diff(self.block_lab, axis=0), axis=1)
        return np.concatenate([[0.0], np.cumsum(steps)])

    def _place(self, concentration: Float) -> tuple[Float, Float]:
        """Return the number of the block before each concentration, and the share of the way to the next one."""
        from scipy.interpolate import PchipInterpolator

        way = self._way()
        here = PchipInterpolator(self.values, way)(np.clip(concentration, self.low, self.top))
        before = np.clip(np.searchsorted(way, here, side="right") - 1, 0, len(way) - 2)
        share: Float = np.clip((here - way[before]) / (way[before + 1] - way[before]), 0.0, 1.0)
        return before, share

    def lab(self, concentration: Float) -> Float:
        """CIELAB (n, 3) at concentrations (n,)."""
        before, share = self._place(np.asarray(concentration, dtype=np.float64))
        result: Float = (1 - share)[:, None] * self.block_lab[before] + share[:, None] * self.block_lab[before + 1]
        return result

    def tangent(self, concentration: Float) -> Float:
        """Change of CIELAB (n, 3) per unit of concentration."""
        return tangent_by_differences(self, concentration)

    def covariance_at(self, concentration: Float) -> Float:
        """Covariance (n, 3, 3) of the path: that of the blocks to both sides, and what lies off the straight line."""
        before, share = self._place(np.asarray(concentration, dtype=np.float64))
        w = share[:, None, None]
        blocks = (1 - w) * self.block_covariance[before] + w * self.block_covariance[before + 1]
        steps = np.linalg.norm(np.diff(self.block_lab, axis=0), axis=1)[before]
        bend = (_BEND * steps * 4 * share * (1 - share)) ** 2 / 3
        result: Float = blocks + bend[:, None, None] * np.eye(3)
        return result

    def scatter_at(self, concentration: Float) -> Float:
        """Covariance (n, 3, 3) of one strip's colour about the chart's."""
        c = np.asarray(concentration, dtype=np.float64)
        return scatter_about(self.tangent(c) * c[:, None], self.scatter)

    def grid(self, count: int = 400, *, top: float | None = None) -> Float:
        """Concentrations from low to the top (or another), evenly spaced along the path, with every block's own."""
        from scipy.interpolate import PchipInterpolator

        fine = np.unique(np.concatenate([self.values, np.linspace(self.low, self.top if top is None else top, 4000)]))
        way = PchipInterpolator(self.values, self._way())(fine)
        even = np.interp(np.linspace(0.0, way[-1], count), way, fine)
        return np.unique(np.concatenate([even, self.values]))

    def step_at(self, concentration: float) -> float:
        """Step between the blocks that enclose a concentration; at a block, the wider of both its steps."""
        steps = np.diff(self.values)
        near = (self.values[:-1] <= concentration) & (concentration <= self.values[1:])
        return float(steps[near].max()) if near.any() else float(steps.max())


def widen_to_steps(estimate: Estimate, curve: ChartCurve) -> Estimate:
    """Return the estimate with an interval no narrower than half the step between the blocks that enclose it.

    An end that leaves the chart is open, or zero for a chart that starts there. The standard uncertainty follows, and
    the budget names what was added.
    """
    step = curve.step_at(estimate.value)
    half = _LEAST_SHARE * step / 2
    low = estimate.value - half if estimate.low is None else min(estimate.low, estimate.value - half)
    high = None if estimate.high is None else max(estimate.high, estimate.value + half)
    if low <= curve.low:  # cut off at the lowest block, the interval reaches further up instead
        low = curve.low
        high = None if high is None else max(high, low + 2 * half)
    if high is not None and high >= curve.top:
        high = None
    open_low = estimate.low is None or (low == curve.low and curve.low != 0)
    u = max(estimate.standard_uncertainty, half / _K95)
    added = float(np.sqrt(max(u**2 - estimate.standard_uncertainty**2, 0.0)))
    return replace(
        estimate,
        low=None if open_low else low,
        high=high,
        standard_uncertainty=u,
        budget={**estimate.budget, "chart_steps": added},
    )


def chart_curve_to_json(curve: ChartCurve) -> dict[str, Any]:
    """Return what a lot file says of the curve."""
    return {
        "method": METHOD,
        "values": curve.values.tolist(),
        "block_lab": np.round(curve.block_lab, 4).tolist(),
        "block_covariance": np.round(curve.block_covariance, 5).tolist(),
    }


def chart_curve_from_json(data: Mapping[str, Any], scatter: Scatter) -> ChartCurve:
    """Return the curve of a lot file; ``ValueError`` or ``KeyError`` where the file is wrong."""
    values: Float = np.array(data["values"], dtype=np.float64)
    lab: Float = np.array(data["block_lab"], dtype=np.float64)
    covariance: Float = np.array(data["block_covariance"], dtype=np.float64)
    count = len(values) if values.ndim == 1 else 0
    if count < 3 or lab.shape != (count, 3) or covariance.shape != (count, 3, 3):
        raise ValueError(f"a chart of {count} values with colours of shape {lab.shape}")
    if not (np.isfinite(values).all() and np.isfinite(lab).all() and np.isfinite(covariance).all()):
        raise ValueError("chart values or colours that are not finite")
    if not (np.diff(values) > 0).all() or not (np.linalg.norm(np.diff(lab, axis=0), axis=1) > 0).all():
        raise ValueError("a chart whose values do not rise, or whose neighbouring blocks have one colour")
    return ChartCurve(values, lab, covariance, scatter)
