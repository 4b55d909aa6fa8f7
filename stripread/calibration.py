"""From the photos of a dilution series to a lot: every photo measured, every pad's curve fitted."""

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import replace
from datetime import date
from itertools import combinations
from pathlib import Path

import numpy as np

from stripread.card.layout import CardLayout
from stripread.colour.mismatch import mismatch_covariance
from stripread.errors import SeriesError, StripReadError
from stripread.flash import FlashColours, FlashPair, finish_flash_pair, flash_colours, measure_flash_pair
from stripread.geometry import Float
from stripread.lot.calibrate import calibrate_pad
from stripread.lot.lot import Calibrator, Lot, PadCalibration
from stripread.lot.series import SeriesRow
from stripread.measure import StripMeasurement, measure_strip
from stripread.photo.load import open_photo
from stripread.strip.kinds import StripKind

__all__ = ["calibrate_lot"]

# Ours. A pad's error is a smooth function of its colour, with about three shapes to it; the model was fitted on four
# dye families, whose scales scatter by about 1.5 from each other, which is what four degrees of freedom allow.
_PAIR_FREEDOM, _PRIOR_FREEDOM = 3, 4


def calibrate_lot(
    rows: Sequence[SeriesRow],
    *,
    kind: StripKind,
    card: CardLayout,
    number: str,
    expires: date,
    calibrated_on: date,
    without: Iterable[str] = (),
    on_photo: Callable[[Path], None] = lambda photo: None,
) -> Lot:
    """Calibrate a lot from the photos of its dilution series.

    Parameters
    ----------
    without : iterable of str
        Names of photos whose strips are left out of the fit; the lot file records them.
    on_photo : callable
        Called with each photo before it is measured, for a progress bar.

    Raises
    ------
    SeriesError
        If a photo cannot be measured, a row names a pad that the kind lacks, or ``without`` a photo that the series
        lacks.
    CalibrationRefusedError
        If no curve may be trusted; names the pad and the reason.
    """
    left_out = tuple(without)
    unknown = set(left_out) - {row.photo.name for row in rows}
    if unknown:
        raise SeriesError(
            expected="photos of the series to leave out", found=", ".join(sorted(unknown)), remedy="Check their names."
        )
    pads = [pad.id for pad in kind.pads]
    for row in rows:
        if row.pad is None and len(pads) > 1:
            raise SeriesError(
                expected=f"a column pad with one of {', '.join(pads)} for kind {kind.name!r}",
                found=f"a row for {row.photo.name} without it",
                remedy="Give each photo a row for each pad, with that pad's concentration.",
            )
        if row.pad is not None and row.pad not in pads:
            raise SeriesError(
                expected=f"a pad of kind {kind.name!r}: {', '.join(pads)}",
                found=f"{row.pad!r} for {row.photo.name}",
                remedy="Correct the column pad.",
            )
    flashes = {row.photo: row.flash for row in rows}
    colours: FlashColours = {}
    if any(flashes.values()):
        measured, colours = _measure_pairs(flashes, card, kind, on_photo)
    else:
        measured = {}
        for photo in flashes:
            on_photo(photo)
            measured[photo] = _measure(photo, card, kind)
    calibrations = []
    for pad in kind.pads:
        own = [row for row in rows if row.pad in (pad.id, None)]
        calibrators = [_calibrator(row, measured[row.photo], pad.id, left_out) for row in own]
        noise = [_repeatability(measured[row.photo], pad.id) for row in own]
        calibration = calibrate_pad(
            calibrators,
            pad=pad.id,
            analyte=pad.analyte,
            unit=pad.unit,
            blank=pad.blank,
            u_pixels=np.mean(noise, axis=0),
        )
        scale = _mismatch_scale([row for row in own if not row.beyond], measured, calibration)
        calibrations.append(replace(calibration, mismatch_scale=scale))
    return Lot(
        number=number,
        kind=kind.name,
        expires=expires,
        calibrated_on=calibrated_on,
        card=card.name,
        card_u_lab=card.enrolment.u_lab if card.enrolment else 0.0,
        pads=tuple(calibrations),
        signature=_signature(list(measured.values())),
        left_out=left_out,
        flash_colours=colours,
    )


def _measure_pairs(
    flashes: Mapping[Path, Path | None], card: CardLayout, kind: StripKind, on_photo: Callable[[Path], None]
) -> tuple[dict[Path, StripMeasurement], FlashColours]:
    """Measure flash pairs: each on its own, then all of them by the colours that they have in common."""
    pairs: dict[Path, FlashPair] = {}
    for photo, flash in flashes.items():
        on_photo(photo)
        if flash is None:
            raise SeriesError(
                expected="a photo with the flash in every row, or in none",
                found=f"none for {photo.name}",
                remedy="Fill the column flash, or leave it out; photos with and without it cannot be compared.",
            )
        with _named(photo):
            pairs[photo] = measure_flash_pair(open_photo(photo), open_photo(flash), card, kind)
    colours = flash_colours(list(pairs.values()))
    return {photo: finish_flash_pair(pair, colours) for photo, pair in pairs.items()}, colours


def _measure(photo: Path, card: CardLayout, kind: StripKind) -> StripMeasurement:
    with _named(photo):
        return measure_strip(open_photo(photo), card, kind)


@contextmanager
def _named(photo: Path) -> Iterator[None]:
    """Say which photo of the series an error is about."""
    try:
        yield
    except StripReadError as error:
        raise SeriesError(
            expected=f"a strip to measure in {photo.name}: {error.expected}",
            found=error.found,
            remedy=f"{error.remedy} Or take its row out of the series.",
        ) from error


def _pad(measured: StripMeasurement, pad_id: str) -> tuple[Float, Float, Float]:
    pad = next(p for p in measured.pads if p.pad == pad_id)
    return pad.lab, pad.u_pixels, pad.light_gradient


def _repeatability(measured: StripMeasurement, pad_id: str) -> Float:
    """Covariance of a pad's colour that one more photo of the same strip in the same light would show."""
    _, u_pixels, gradient = _pad(measured, pad_id)
    result: Float = u_pixels + measured.card.correction.u_light**2 * np.outer(gradient, gradient)
    return result


def _calibrator(row: SeriesRow, measured: StripMeasurement, pad_id: str, left_out: Sequence[str]) -> Calibrator:
    photo = measured.card.photo
    lab, _, _ = _pad(measured, pad_id)
    return Calibrator(
        photo=row.photo.name,
        photo_sha256=photo.sha256,
        camera=photo.camera,
        concentration=row.concentration,
        u_concentration=row.u_concentration,
        replicate=row.replicate,
        lab=(round(float(lab[0]), 4), round(float(lab[1]), 4), round(float(lab[2]), 4)),
        beyond=row.beyond,
        left_out=row.photo.name in left_out,
    )


def _signature(measured: Sequence[StripMeasurement]) -> dict[str, tuple[float, float, float]]:
    """Mean left-out residual of each patch over the photos: what light and phone were like."""
    corrections = [m.card.correction for m in measured]
    residuals = np.array([np.where(c.used[:, None], c.left_out, np.nan) for c in corrections])
    signature = {}
    for index, patch in enumerate(corrections[0].patches.ids):
        seen = residuals[:, index][np.isfinite(residuals[:, index]).all(axis=1)]
        if 2 * len(seen) > len(residuals):
            mean = seen.mean(axis=0)
            signature[patch] = (float(mean[0]), float(mean[1]), float(mean[2]))
    return signature


def _mismatch_scale(
    rows: Sequence[SeriesRow], measured: dict[Path, StripMeasurement], calibration: PadCalibration
) -> float:
    """Return how much further this pad's dye errs between lights than the model of `colour.mismatch` says.

    Two photos of one strip in two lights differ by what the correction misses. Their differences, projected on the
    curve and squared over their stated variance, average to the square of the scale. Levels err together, so a pair of
    lights counts as `_PAIR_FREEDOM` degrees of freedom only, and the model itself as `_PRIOR_FREEDOM`.
    """
    by_strip: dict[tuple[float, str], list[SeriesRow]] = {}
    for row in rows:
        if row.concentration > 0:
            by_strip.setdefault((row.concentration, row.replicate), []).append(row)
    squares: dict[tuple[int, int], list[float]] = {}
    for (concentration, _), photos in by_strip.items():
        tangent = calibration.curve.tangent(np.array([concentration]))[0]
        for (i, first), (j, second) in combinations(enumerate(photos), 2):
            z2 = _squared_difference(measured[first.photo], measured[second.photo], calibration.pad, tangent)
            if z2 is not None:
                squares.setdefault((i, j), []).append(z2)
    freedom = _PAIR_FREEDOM * len(squares)
    seen = float(np.mean([np.mean(values) for values in squares.values()])) if squares else 0.0
    # Never under 1: that two lights happen to agree does not make them all agree.
    return max(1.0, float(np.sqrt((_PRIOR_FREEDOM + freedom * seen) / (_PRIOR_FREEDOM + freedom))))


def _squared_difference(first: StripMeasurement, second: StripMeasurement, pad_id: str, tangent: Float) -> float | None:
    """Squared difference of one pad in two photos along the curve, over its stated variance; None in like light."""
    corrections = [m.card.correction for m in (first, second)]
    both = corrections[0].used & corrections[1].used
    residuals = (corrections[0].left_out - corrections[1].left_out)[both]
    patches = corrections[0].patches
    (lab, *_), (other, *_) = _pad(first, pad_id), _pad(second, pad_id)
    mismatch = mismatch_covariance(
        lab[None],
        patches.lab[both],
        residuals,
        ~patches.neutral[both],
        u_reference=0.0,
        constants=corrections[0].mismatch,
    )[0]
    noise = _repeatability(first, pad_id) + _repeatability(second, pad_id)
    if np.trace(mismatch) < np.trace(noise):
        return None  # the lights are too alike to tell
    weighted = np.linalg.solve(mismatch + noise, tangent)
    return float(((lab - other) @ weighted) ** 2 / (tangent @ weighted))
