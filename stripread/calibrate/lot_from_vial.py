"""From the colours of a vial's chart to a provisional lot, and a calibrated lot held against its chart."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

import numpy as np

from stripread.colour import DEGREES_OF_FREEDOM
from stripread.errors import ChartError
from stripread.geometry import Float
from stripread.i18n import Message, Number, Verbatim
from stripread.lot import (
    Calibrator,
    ChartCurve,
    Condition,
    Estimate,
    LimitOf,
    Lot,
    PadCalibration,
    Scatter,
    invert_curve,
)
from stripread.measure import BlockMeasurement, ChartMeasurement
from stripread.strip import PadSpec, StripKind

__all__ = ["BlockCheck", "check_chart", "order_blocks", "provisional_lot"]

# Allowances, all our judgement: no vial was measured.
_SCATTER = Scatter(relative=0.05, colour=0.3, degrees_of_freedom=5)  # of strips, and of the lot from its chart
_DYE_SCALE = 1.5  # by so much dyes scatter about the model of colour/mismatch.py; this one's place is not known
# Judged on drawn vials of the seen part.
_APART = 1.0  # Delta E: neighbouring blocks that are nearer tell nothing
_SURE_OF_ORDER = 3.0  # L*: by so much one end must be lighter than the other


def order_blocks(
    chart: ChartMeasurement, values: Sequence[float], *, blank: bool, reverse: bool | None
) -> tuple[Float, tuple[BlockMeasurement, ...]]:
    """Give the blocks their values; return both in rising order.

    Parameters
    ----------
    values : sequence of float
        As printed on the vial, from one end to the other.
    blank : bool
        Whether the scale has a zero, at which a pad is palest: then the lightest block is that of the least value.
    reverse : bool or None
        Whether the first value belongs to the right-hand block of the upright card; None leaves that to the blank.

    Raises
    ------
    ChartError
        If values and blocks are not as many, the values neither rise nor fall, the order is not clear, or neighbours
        look the same.
    """
    steps = np.diff(values)
    if len(values) < 3 or not ((steps > 0).all() or (steps < 0).all()) or not np.isfinite(values).all():
        raise ChartError(
            expected=Message("three values or more that rise, or fall, from one end of the chart to the other"),
            found=Verbatim(", ".join(f"{value:g}" for value in values)),
            remedy=Message("Give the values as they stand on the vial, in their order."),
        )
    if len(values) != len(chart.blocks):
        raise ChartError(
            expected=Message("%(values)s blocks on the vial, as many as values", values=len(values)),
            found=Number(len(chart.blocks)),
            remedy=Message(
                "Look at the overlay: check the values, turn the chart straight up, keep mirrored lamps "
                "off it, go closer; retake."
            ),
        )
    blocks = chart.blocks
    rising = _starts_left(chart.lab, blank=blank) if reverse is None else bool(steps[0] > 0) != reverse
    ordered = blocks if rising else blocks[::-1]
    rise = np.sort(np.asarray(values, dtype=np.float64))
    apart = np.linalg.norm(np.diff([block.lab for block in ordered], axis=0), axis=1)
    if apart.min() < _APART:
        near = int(apart.argmin())
        raise ChartError(
            expected=Message("neighbouring blocks of different colours"),
            found=Message(
                "those of %(one)s and %(other)s only %(apart)s Delta E apart",
                one=Number(rise[near], "g"),
                other=Number(rise[near + 1], "g"),
                apart=Number(apart[near], ".1f"),
            ),
            remedy=Message(
                "Look at the overlay whether these are the chart's blocks; go closer, into even light; retake."
            ),
        )
    return rise, ordered


def _starts_left(lab: Float, *, blank: bool) -> bool:
    """Tell whether the least value is at the left: there the block is lightest."""
    ends = lab[[0, -1], 0]
    lightest = int(lab[:, 0].argmax())
    sure = abs(ends[0] - ends[1]) >= _SURE_OF_ORDER and lab[lightest, 0] - ends.max() < _APART
    if not (blank and sure):
        why = (
            Message(
                "L* %(left)s at the left end and %(right)s at the right",
                left=Number(ends[0], ".0f"),
                right=Number(ends[1], ".0f"),
            )
            if blank
            else Message("a scale without a blank")
        )
        raise ChartError(
            expected=Message("a blank, at one end and lighter than all other blocks, to tell the order of the values"),
            found=why,
            remedy=Message(
                "Say which way the values run on the upright card: --no-reverse, the first value at the "
                "left; --reverse, at the right."
            ),
        )
    return bool(ends[0] > ends[1])


def provisional_lot(
    chart: ChartMeasurement,
    values: Sequence[float],
    *,
    kind: StripKind,
    pad: PadSpec,
    number: str,
    expires: date,
    made_on: date,
    reverse: bool | None = None,
) -> Lot:
    """Make a provisional lot of a chart's blocks.

    Raises
    ------
    ChartError
        See `order_blocks`.
    """
    rise, blocks = order_blocks(chart, values, blank=pad.blank, reverse=reverse)
    photo, card = chart.card.photo, chart.card.card
    calibrators = tuple(
        Calibrator(
            photo=photo.name,
            photo_sha256=photo.sha256,
            camera=photo.camera,
            concentration=float(value),
            u_concentration=0.0,
            replicate="block",
            lab=(round(float(block.lab[0]), 4), round(float(block.lab[1]), 4), round(float(block.lab[2]), 4)),
            beyond=False,
            left_out=False,
        )
        for value, block in zip(rise, blocks, strict=True)
    )
    curve = ChartCurve(
        values=rise,
        block_lab=np.array([block.lab for block in blocks]),
        block_covariance=np.array([block.u_own + block.u_light for block in blocks]),
        scatter=_SCATTER,
    )
    none = LimitOf(value=None, definition="a chart tells nothing of blanks, nor of how strips scatter")
    calibration = PadCalibration(
        pad=pad.id,
        analyte=pad.analyte,
        unit=pad.unit,
        curve=curve,
        lod=none,
        loq=none,
        beyond=(),
        calibrators=calibrators,
        lack_of_fit=0.0,
        mismatch_scale=_DYE_SCALE,
    )
    return Lot(
        number=number,
        kind=kind.name,
        expires=expires,
        calibrated_on=made_on,
        card=card.name,
        card_u_lab=card.enrolment.u_lab if card.enrolment else 0.0,
        pads=(calibration,),
        # Nothing is taken off a reading's residuals: what they were here bears on inks, not on pads.
        conditions=(
            Condition(
                name="chart on the vial",
                camera=None,
                photos=1,
                joined=False,
                signature={patch.id: (0.0, 0.0, 0.0) for patch in card.patches},
            ),
        ),
        left_out=(),
        strip_kind=kind,
        provisional=True,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class BlockCheck:
    """What a calibrated lot reads for a block's colour.

    Attributes
    ----------
    value : float
        What is printed beside the block.
    estimate : Estimate
        What the lot reads for its colour.
    at_end : bool
        The reading stops at an end of the lot's curve, so that only its colour can be compared.
    score : float
        Difference over its combined standard uncertainty; at an end of the curve, how far the colour lies from that
        end, on the same scale.
    """

    value: float
    lab: Float
    estimate: Estimate
    at_end: bool
    score: float


def check_chart(
    chart: ChartMeasurement,
    values: Sequence[float],
    *,
    calibration: PadCalibration,
    blank: bool,
    reverse: bool | None = None,
) -> tuple[BlockCheck, ...]:
    """Hold a calibrated lot against the chart on its vial, block by block.

    Raises
    ------
    ChartError
        See `order_blocks`.
    """
    rise, blocks = order_blocks(chart, values, blank=blank, reverse=reverse)
    curve = calibration.curve
    checks = []
    for value, block in zip(rise, blocks, strict=True):
        causes = {"block": block.u_own, "light": block.u_light, "chart": _chart_scatter(calibration, float(value))}
        estimate = invert_curve(curve, block.lab, causes, {"block": DEGREES_OF_FREEDOM})
        inside = curve.low < value < curve.top and estimate.low not in (None, curve.low) and estimate.high is not None
        if inside:
            score = (estimate.value - value) / estimate.standard_uncertainty
        else:
            score = _colour_score(calibration, block, float(value), causes)
        checks.append(
            BlockCheck(value=float(value), lab=block.lab, estimate=estimate, at_end=not inside, score=float(score))
        )
    return tuple(checks)


def _chart_scatter(calibration: PadCalibration, value: float) -> Float:
    """How far the lot may lie from the chart, which was printed for all lots: relative in the concentration."""
    curve = calibration.curve
    here = np.clip(np.array([value]), curve.low, curve.top)
    along = curve.tangent(here)[0] * here[0] * _SCATTER.relative
    return np.outer(along, along)


def _colour_score(
    calibration: PadCalibration, block: BlockMeasurement, value: float, causes: dict[str, Float]
) -> float:
    """Distance of the block's colour from the curve's at its value, along the curve, over its uncertainty."""
    curve = calibration.curve
    here = np.clip(np.array([value]), curve.low, curve.top)
    spread = np.sum(list(causes.values()), axis=0) + curve.covariance_at(here)[0] + curve.scatter_at(here)[0]
    tangent = curve.tangent(here)[0]
    weighted = np.linalg.solve(spread, tangent)
    return float((block.lab - curve.lab(here)[0]) @ weighted / np.sqrt(tangent @ weighted))
