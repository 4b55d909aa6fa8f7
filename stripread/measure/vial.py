"""From a photo of a vial beside the slot to the colours of its chart.

The blocks are measured through the card, as pads are. What differs: they are printed, they stand on a cylinder, and
nobody dipped them. What that leaves uncertain cannot be found in the photo; the allowances below are our judgement.
"""

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from stripread.card import CardLayout
from stripread.colour import CLIPPED_HIGH, MismatchConstants, block_mean, mismatch_covariance
from stripread.errors import ChartError
from stripread.geometry import Float, Rect, apply_homography
from stripread.i18n import Message
from stripread.measure.card import CardMeasurement, card_view, card_white, measure_card
from stripread.photo import PhotoFile
from stripread.strip import ChartRow, SlotView, find_chart

__all__ = ["BlockMeasurement", "ChartMeasurement", "measure_chart"]

# Allowances, standard uncertainties. All are our judgement; no vial was measured.
_U_ROLL = np.radians(10.0)  # how far the chart may be turned away from straight up, as hands lay vials down
_U_NEARER = 0.03  # relative: the label stands some 25 mm nearer to the light than the card; 5 % a metre under a lamp
_U_BEND = 0.015  # relative: what a cosine loses over that roll
# Slope and bend of the light's logarithm per radian and radian squared, each with its scatter: a cosine bends by -0.5,
# a bright sky by half of that.
_LIGHT_SLOPE, _LIGHT_BEND = (0.0, 0.4), (-0.4, 0.15)
_U_LINE = 0.02  # relative: of the ground on one line
_RADIUS_MM = 12.5  # of a usual vial, to turn mm across into angle
_U_PRINT = 1.2  # CIELAB, each coordinate: how closely labels are printed, and how well they were matched to wet pads
# Label inks are no card inks, but inks: their mismatch is taken as that of the patches near, times kappa. With 1.5 for
# all, blocks of 40 drawn vials of the seen part erred by 0.7 (L*), 2.0 and 1.6 (a*, b*) times what was stated.
_LABEL_INKS = MismatchConstants(kappa=(1.5, 3.0), rho=(0.0, 0.0), floor=(0.1, 0.3))

# Of measuring. Judged on drawn vials of the seen part.
_SEARCH_MM, _MARGIN_MM = (14.0, 14.0), 4.0  # along and across: perspective moves what stands up over the card
_INNER_ALONG, _INNER_ACROSS = 0.6, 0.7
_SAMPLES = 14  # along a block
_MIRRORED = 0.015  # share of mirrored light over that of the clearest line, beyond which a line is left out
_LEAST_LINES = 0.25  # of all lines: so many are used, whatever mirrors in them


@dataclass(frozen=True, slots=True, kw_only=True)
class BlockMeasurement:
    """One block of the chart.

    Attributes
    ----------
    polygon_px : ndarray (4, 2)
        Corners in the full-size upright photo.
    lab : ndarray (3,)
        CIELAB (D50, 2 degree), as if the block lay flat on the card.
    u_own, u_light : ndarray (3, 3)
        Covariances: of this block alone (pixels, its ink's mismatch, its printing), and of the light on the vial, which
        all blocks share.
    """

    polygon_px: Float
    lab: Float
    u_own: Float
    u_light: Float


@dataclass(frozen=True, slots=True, kw_only=True)
class ChartMeasurement:
    """A chart found beside the slot; its blocks from left to right on the upright card."""

    card: CardMeasurement
    blocks: tuple[BlockMeasurement, ...]

    @property
    def lab(self) -> Float:
        """CIELAB of all blocks, shape (n, 3)."""
        return np.array([block.lab for block in self.blocks])


def measure_chart(file: PhotoFile, card: CardLayout) -> ChartMeasurement:
    """Find the chart in the card's room for the vial and measure its blocks.

    Raises
    ------
    ChartError
        If the card has no such room, or no row of blocks is found in it.
    StripReadError
        Those of `measure_card`.
    """
    if card.vial is None:
        raise ChartError(
            expected=Message(
                "a card with room for the vial, [vial] in its layout file, and not %(name)s without",
                name=repr(card.name),
            ),
            found=Message("none"),
            remedy=Message("Add [vial] with rect_mm where the vial lies, or use the project's own card."),
        )
    seen = measure_card(file, card)
    view = card_view(seen, _search_area(card.vial), margin_mm=_MARGIN_MM)
    row = find_chart(view, patches=[patch.rect for patch in card.patches])
    if row is None:
        raise ChartError(
            expected=Message("a vial in its room on the card, with a row of three blocks or more facing up"),
            found=Message("no such row"),
            remedy=Message(
                "Lay the vial beside the slot, along it, its colour chart straight up and clear of "
                "mirrored lamps; fill the picture with the card; retake."
            ),
        )
    return ChartMeasurement(card=seen, blocks=_measure_blocks(seen, view, row))


def _search_area(room: Rect) -> Rect:
    along, across = _SEARCH_MM
    x, y = (along, across) if room.width >= room.height else (across, along)
    return Rect(room.x - x, room.y - y, room.width + 2 * x, room.height + 2 * y)


def _measure_blocks(seen: CardMeasurement, view: SlotView, row: ChartRow) -> tuple[BlockMeasurement, ...]:
    samples, gaps, across = _sample(view, row)
    ground = np.median(gaps, axis=(0, 2))  # (lines, 3): the label's own, between the blocks
    ratio = np.median(samples, axis=2) / np.maximum(ground, 1e-3)  # (blocks, lines, 3)
    clear = _clear_lines(ratio)
    middle, slope = _light_in_the_middle(ground[clear], across[clear] / _RADIUS_MM)
    u_light = float(np.sqrt((slope * _U_ROLL) ** 2 + _U_BEND**2 + _U_NEARER**2 + seen.correction.u_light**2))
    blocks = []
    for index, block in enumerate(row.blocks):
        flat = samples[index][clear] / np.maximum(ground[clear], 1e-3)[:, None] * middle
        lines, places = np.indices(flat.shape[:2])
        mean, covariance = block_mean(flat.reshape(-1, 3).T, np.column_stack([lines.ravel(), places.ravel()]) + 0.5)
        white = card_white(seen, block.centre_mm[None])[0]
        linear = np.maximum(mean * white, 1e-4)
        if linear.max() > CLIPPED_HIGH:
            raise ChartError(
                expected=Message("blocks within the range of the camera"),
                found=Message("block %(number)s white in the photo, as it is too bright", number=index + 1),
                remedy=Message("Tap on the white of the card so that the phone exposes for it; retake."),
            )
        corrected = seen.correction.at(linear, block.centre_mm)
        pixels = corrected.jacobian @ (covariance * np.outer(white, white)) @ corrected.jacobian.T
        own = pixels + _ink_mismatch(seen, corrected.lab) + _U_PRINT**2 * np.eye(3)
        by_light = u_light**2 * np.outer(corrected.light_gradient, corrected.light_gradient)
        polygon = apply_homography(seen.pose.homography, _corners(row, index))
        blocks.append(BlockMeasurement(polygon_px=polygon, lab=corrected.lab, u_own=own, u_light=by_light))
    return tuple(blocks)


def _sample(view: SlotView, row: ChartRow) -> tuple[Float, Float, Float]:
    """Sample blocks, shape (n, lines, places, 3), the gaps between them, and where the lines lie across [mm]."""
    tall = float(np.median([block.size_mm[1] for block in row.blocks])) * _INNER_ACROSS
    wide = float(np.median([block.size_mm[0] for block in row.blocks]))
    across = np.arange(-tall / 2, tall / 2 + 1e-9, 1 / view.px_per_mm)
    centres = np.array([block.centre_mm for block in row.blocks])
    # All blocks stand on one straight line; a lamp that mirrors in some must not move these alone.
    along = (centres - centres.mean(axis=0)) @ row.direction
    off = (centres - centres.mean(axis=0)) @ row.across
    tilt, shift = np.polyfit(along, off, 1)
    line = centres.mean(axis=0) + along[:, None] * row.direction + (shift + tilt * along)[:, None] * row.across
    between = (line[:-1] + line[1:]) / 2
    gap = max(float(np.linalg.norm(np.diff(line, axis=0), axis=1).mean()) - wide, 0.5)

    def at(middles: Float, width: float, count: int) -> Float:
        steps = ((np.arange(count) + 0.5) / count - 0.5) * width
        places = (
            middles[:, None, None]
            + steps[None, None, :, None] * row.direction
            + across[None, :, None, None] * row.across
        )
        points = view.mm_to_view(places).astype(np.float32)
        flat = points.reshape(len(middles), -1, 2)
        picture = np.asarray(view.linear, dtype=np.float32)
        values = cv2.remap(picture, flat[..., 0], flat[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
        samples: Float = values.reshape(*places.shape[:3], 3).astype(np.float64)
        return samples

    return at(line, wide * _INNER_ALONG, _SAMPLES), at(between, gap * 0.4, 5), across


def _clear_lines(ratio: Float) -> NDArray[np.bool_]:
    """Return which lines along the vial mirror no lamp.

    Mirrored light is added to ground and blocks alike, so on a mirroring line every block comes nearer to the ground:
    with r its ratio to the ground elsewhere, the ratio is r + s (1 - r), s the mirrored share of the light there.
    """
    usual = np.percentile(ratio, 25, axis=1)[:, None]
    dark = 1 - usual
    share = ((ratio - usual) * dark).sum(axis=(0, 2)) / np.maximum((dark**2).sum(axis=(0, 2)), 1e-9)
    limit = max(share.min() + _MIRRORED, float(np.quantile(share, _LEAST_LINES)))
    clear: NDArray[np.bool_] = share <= limit
    return clear


def _light_in_the_middle(ground: Float, turn: Float) -> tuple[Float, float]:
    """Return the ground (3,) in the chart's middle, and by what share its light changes there per radian.

    The logarithm of the light is a parabola, held near that of a lamp over the card where the clear lines, ``ground``
    (n, 3) at angles ``turn`` (n,), lie on one side only.
    """
    log = np.log(np.maximum(ground, 1e-3))
    weight = 1 / _U_LINE
    centred = log.mean(axis=1) - log.mean()
    shape = np.column_stack([np.ones_like(turn), turn, turn**2])
    prior = np.diag([0.0, 1 / _LIGHT_SLOPE[1], 1 / _LIGHT_BEND[1]])
    wanted = np.array([0.0, _LIGHT_SLOPE[0] / _LIGHT_SLOPE[1], _LIGHT_BEND[0] / _LIGHT_BEND[1]])
    fit = np.linalg.lstsq(np.vstack([weight * shape, prior]), np.concatenate([weight * centred, wanted]), rcond=None)[0]
    level = (log - (shape[:, 1:] @ fit[1:])[:, None]).mean(axis=0)
    middle: Float = np.exp(level)
    return middle, float(fit[1])


def _ink_mismatch(seen: CardMeasurement, lab: Float) -> Float:
    correction, patches = seen.correction, seen.correction.patches
    known = correction.used & np.isfinite(correction.left_out).all(axis=1)
    u_reference = seen.card.enrolment.u_lab if seen.card.enrolment else 0.0
    covariance: Float = mismatch_covariance(
        lab[None],
        patches.lab[known],
        correction.left_out[known],
        ~patches.neutral[known],
        u_reference=u_reference,
        constants=_LABEL_INKS,
    )[0]
    return covariance


def _corners(row: ChartRow, index: int) -> Float:
    block = row.blocks[index]
    half = Rect(-block.size_mm[0] / 2, -block.size_mm[1] / 2, *block.size_mm).corners
    corners: Float = block.centre_mm + half[:, :1] * row.direction + half[:, 1:] * row.across
    return corners
