"""The colour of one pad whose place is known, with what makes it uncertain; the light on it."""

from dataclasses import dataclass

import numpy as np

from stripread.colour import CLIPPED_HIGH, Correction, mismatch_covariance, spectral_mismatch
from stripread.errors import PhotoUnfitError
from stripread.findings import Finding
from stripread.geometry import Float, apply_homography
from stripread.i18n import Message
from stripread.measure.card import CardMeasurement, card_white
from stripread.photo import GroundLight, judge_pad, measure_ground
from stripread.strip import GroundVeil, PadColour, SlotView, StripKind, StripPose, measure_pad

__all__ = ["PadMeasurement", "coding_covariance", "ground_beside", "judge_light", "measure_one_pad", "pad_mismatch"]

_U_CODING = 0.1  # of an 8-bit code: what rounding leaves uncertain in the mean of a pad without any noise
# Of the scatter that is seen in a decoded photo so much parts what was rounded: some of it came after. Ours, judged on
# flat areas through a JPEG (tests/unit/test_photo_load.py).
_OF_NOISE = 0.5
_LEAST_BLOCKS = 9  # whose scatter the mean's covariance comes from (`colour.block_mean`: 9 or 16)
_SLOT_BORDER_MM = 1.0  # a printed border and its blur
_USUAL_BLUR_PX = 1.0  # of the decoded picture, where the blur could not be measured


@dataclass(frozen=True, slots=True, kw_only=True)
class PadMeasurement:
    """One pad, corrected.

    Attributes
    ----------
    lab : ndarray (3,)
        CIELAB (D50, 2 degree).
    u_pixels : ndarray (3, 3)
        Covariance of ``lab`` from the scatter of the pad's pixels and from coding.
    u_coding : ndarray (3, 3)
        Its part from coding (`coding_covariance`), which photos of like colours in like exposure share.
    u_glare : ndarray (3, 3)
        Covariance of ``lab`` from mirrored light that may be left in it; zero where none was seen.
    light_gradient : ndarray (3,)
        Change of ``lab`` per relative change of the light at the pad.
    u_open : ndarray (3, 3)
        Covariance of ``lab`` by what the card leaves open of tone curve and light beyond what is usual
        (`Corrected.u_open`).
    polygon_px : ndarray (4, 2)
        Corners in the full-size upright photo.
    stated_mismatch : ndarray (3, 3) or None
        Covariance of ``lab`` as the spectral map states it; None where a plain map was used.
    """

    pad: str
    colour: PadColour
    lab: Float
    u_pixels: Float
    u_coding: Float
    u_glare: Float
    light_gradient: Float
    u_open: Float
    polygon_px: Float
    stated_mismatch: Float | None = None


def coding_covariance(
    linear: Float, steps: tuple[float, float], *, pixels: Float | None = None, blocks: Float | None = None
) -> Float:
    """Covariance (3, 3) that rounding and JPEG leave in the mean decoded value (3,) of an area.

    Brightness and colour differences are rounded to 8 bits, pixel by pixel, and a JPEG keeps their means of each block
    in ``steps``. All of a smooth pad is rounded alike, so this does not average out; where pixels or blocks differ by
    much of a step, it does. YCbCr to RGB: ITU-T T.871 (JFIF).

    Parameters
    ----------
    pixels, blocks : ndarray (3, 3), optional
        Covariance of the decoded values of pixels, and of blocks, about a plane. None: they are alike.
    """
    to_rgb = np.array([[1.0, 0.0, 1.402], [1.0, -0.344136, -0.714136], [1.0, 1.772, 0.0]])
    width = np.array([steps[0], steps[1], steps[1]])
    # d(linear) / d(code) of sRGB is about 2.2 linear^0.55
    slope = 2.2 * linear**0.55 / 255
    to_ycc = np.linalg.inv(to_rgb) / slope

    def scatter(values: Float | None, rounded: float) -> Float:
        """Return the standard deviation (3,) in codes, without what the rounding to RGB itself scatters."""
        own = np.zeros((3, 3)) if values is None else values - rounded / 12 * np.diag(slope**2)
        return _OF_NOISE * np.sqrt(np.maximum(np.diag(to_ycc @ own @ to_ycc.T), 0.0))

    rounding = np.zeros(3)  # of a photo that is no JPEG
    if width.all():
        rounding = _left_of_rounding(scatter(pixels, 1.0)) + width**2 * _left_of_rounding(scatter(blocks, 0.0) / width)
    covariance: Float = ((to_rgb * rounding) @ to_rgb.T + _U_CODING**2 * np.eye(3)) * np.outer(slope, slope)
    return covariance


def _left_of_rounding(scatter: Float) -> Float:
    """Variance (n,) of what rounding does to a mean, in steps squared: 1/12, less where the values scatter.

    The error of rounding is a Fourier series of the value; a mean keeps of its k-th term what the characteristic
    function of normal values with this standard deviation leaves, exp(-2 (pi k s)^2) (Widrow, Kollar and Liu 1996, IEEE
    Trans. Instrum. Meas. 45(2):353-361).
    """
    k = np.arange(1, 11)[:, None]
    kept = np.exp(-2 * (np.pi * k * scatter) ** 2) / (np.pi * k)
    result: Float = np.sum(kept**2, axis=0) / np.sum(1 / (np.pi * k) ** 2) / 12
    return result


def pad_mismatch(
    pad: PadMeasurement, correction: Correction, residuals: Float, *, u_reference: float, u_photo: float = 0.0
) -> Float:
    """Covariance (3, 3) of a pad's CIELAB by what the correction misses and the calibration does not miss as well.

    Parameters
    ----------
    residuals : ndarray (n, 3)
        Of the card's patches, less those of the calibration; NaN for patches that count for nothing.
    u_reference, u_photo : float
        As in `mismatch_covariance`.
    """
    patches = correction.patches
    known = np.isfinite(residuals).all(axis=1)
    seen = (patches.lab[known], residuals[known], ~patches.neutral[known])
    if pad.stated_mismatch is not None:
        return spectral_mismatch(pad.stated_mismatch, *seen)
    constants = correction.mismatch
    result: Float = mismatch_covariance(
        pad.lab[None], *seen, u_reference=u_reference, u_photo=u_photo, constants=constants
    )[0]
    return result


def measure_one_pad(
    seen: CardMeasurement, strip: StripPose, kind: StripKind, pad_id: str, ground: GroundLight | None
) -> PadMeasurement:
    """Measure the pad where the strip's pose has it, and carry it and what is uncertain in it to CIELAB.

    Raises
    ------
    PhotoTooSmallError, PhotoUnfitError
        A pad of too few pixels; one too bright for the camera, or with too little free of mirrored light.
    """
    polygon_mm = strip.pad_polygon_mm(kind.pad(pad_id))
    polygon_px = apply_homography(seen.pose.homography, polygon_mm)
    polygon = seen.photo.from_full(polygon_px)
    height, width = seen.photo.pixels.shape[:2]
    low = np.clip(np.floor(polygon.min(axis=0)) - 2, 0, [width, height]).astype(int)
    high = np.clip(np.ceil(polygon.max(axis=0)) + 3, 0, [width, height]).astype(int)
    part = seen.photo.linear(slice(low[1], high[1]), slice(low[0], high[0]))
    blur_px = _USUAL_BLUR_PX if seen.blur is None else max(seen.blur.worst_px / seen.photo.reduction, _USUAL_BLUR_PX)
    correction, place = seen.correction, polygon_mm.mean(axis=0)
    colour = measure_pad(
        part,
        polygon - low,
        blur_px=blur_px,
        to_scene=lambda linear: correction.scene(np.maximum(linear, 1e-4), place[None]),
        veil_beside=_mirrored_beside(seen, ground, place),
        shaded=ground is not None and ground.shaded,
    )
    if colour.mean.max() > CLIPPED_HIGH:
        raise PhotoUnfitError(
            expected=Message("pad %(pad_id)s within the range of the camera", pad_id=repr(pad_id)),
            found=Message("a pad that is white in the photo, as it is too bright"),
            remedy=Message(
                "Tap on the white of the card so that the phone exposes for it, or move out of the sun; retake."
            ),
        )
    linear = np.maximum(colour.mean, 1e-4)
    corrected = correction.at(linear, place)
    jacobian = corrected.jacobian
    steps = seen.photo.code_steps
    blocks = _LEAST_BLOCKS * colour.covariance_of_mean
    coding = coding_covariance(linear, steps, pixels=colour.covariance_of_pixels, blocks=blocks)
    coding = jacobian @ coding @ jacobian.T
    return PadMeasurement(
        pad=pad_id,
        colour=colour,
        lab=corrected.lab,
        u_pixels=jacobian @ colour.covariance_of_mean @ jacobian.T + coding,
        u_coding=coding,
        u_glare=jacobian @ colour.covariance_of_veil @ jacobian.T,
        light_gradient=corrected.light_gradient,
        u_open=corrected.u_open,
        polygon_px=polygon_px,
        stated_mismatch=corrected.stated_mismatch,
    )


def _mirrored_beside(seen: CardMeasurement, ground: GroundLight | None, place_mm: Float) -> GroundVeil:
    """Mirrored light on the ground beside a pad, as share of white."""
    if ground is None or not (ground.veiled or ground.mirrored_at):
        return GroundVeil()
    sides = [max(side, 0.0) for side in ground.sides] if ground.veiled else []
    levels = ground.low * (1 + np.array([0.0, ground.mirrored_at, *sides]))
    light = seen.correction.scene(levels[:, None] * card_white(seen, place_mm[None]), place_mm[None]).mean(axis=1)
    near, *both = (light[1:] - light[0]).tolist()
    return GroundVeil(both=tuple(both), near=near)


def ground_beside(view: SlotView, strip: StripPose, kind: StripKind, pad_id: str) -> GroundLight | None:
    """Compare the ground beside a pad with the ground along the strip."""
    # View pixels of a place (along, across) on the strip, the latter from its middle.
    normal = np.array([-strip.direction[1], strip.direction[0]])
    turn = np.stack([strip.direction, normal], axis=1) * view.px_per_mm
    to_view = np.column_stack([turn, view.mm_to_view(strip.origin_mm)])
    clear = view.mm_to_view(view.slot.grown(-_SLOT_BORDER_MM).corners)
    along = (strip.pad_polygon_mm(kind.pad(pad_id)) - strip.origin_mm) @ strip.direction
    return measure_ground(
        view.linear,
        to_view,
        (clear[0], clear[2]),
        length_mm=kind.length_mm,
        width_mm=kind.width_mm,
        pad_along_mm=(float(along.min()), float(along.max())),
    )


def judge_light(seen: CardMeasurement, pad: PadMeasurement, ground: GroundLight | None) -> list[Finding]:
    """Judge a pad's exposure and the light on it."""
    shadow_known = any(f.code == "shadow_edge" for f in seen.findings)
    return judge_pad(pad.pad, pad.colour.mean, seen.correction, ground, shadow_known=shadow_known)
