"""From the photos of a dilution series to a lot: every photo measured, every pad's curve fitted."""

from collections.abc import Callable, Iterable, Sequence
from datetime import date
from pathlib import Path

import numpy as np

from stripread.card.layout import CardLayout
from stripread.errors import SeriesError, StripReadError
from stripread.geometry import Float
from stripread.lot.calibrate import calibrate_pad
from stripread.lot.lot import Calibrator, Lot
from stripread.lot.series import SeriesRow
from stripread.measure import StripMeasurement, measure_strip
from stripread.photo.load import open_photo
from stripread.strip.kinds import StripKind

__all__ = ["calibrate_lot"]


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
    measured: dict[Path, StripMeasurement] = {}
    for photo in dict.fromkeys(row.photo for row in rows):
        on_photo(photo)
        measured[photo] = _measure(photo, card, kind)
    calibrations = []
    for pad in kind.pads:
        own = [row for row in rows if row.pad in (pad.id, None)]
        calibrators = [_calibrator(row, measured[row.photo], pad.id, left_out) for row in own]
        noise = [_repeatability(measured[row.photo], pad.id) for row in own]
        calibrations.append(
            calibrate_pad(
                calibrators,
                pad=pad.id,
                analyte=pad.analyte,
                unit=pad.unit,
                blank=pad.blank,
                u_pixels=np.mean(noise, axis=0),
            )
        )
    return Lot(
        number=number,
        kind=kind.name,
        expires=expires,
        calibrated_on=calibrated_on,
        card=card.name,
        pads=tuple(calibrations),
        signature=_signature(list(measured.values())),
        left_out=left_out,
    )


def _measure(photo: Path, card: CardLayout, kind: StripKind) -> StripMeasurement:
    try:
        return measure_strip(open_photo(photo), card, kind)
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
