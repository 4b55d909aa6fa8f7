"""From the photos of a dilution series to a lot: every photo measured, every pad's curve fitted."""

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import replace
from datetime import date
from itertools import combinations
from pathlib import Path

import numpy as np

from stripread.calibrate.pad import calibrate_pad, curve_conditions, fit_condition_shift
from stripread.calibrate.series import SeriesRow
from stripread.card import CardLayout
from stripread.colour import stands_for_dyes
from stripread.errors import LotFileError, SeriesError, StripReadError
from stripread.geometry import Float
from stripread.i18n import ByFace, Message, Number, Verbatim
from stripread.lot import (
    Calibrator,
    Condition,
    Curve,
    Lot,
    PadCalibration,
    Shift,
    group_photos,
    noise_of,
    shifted_curve,
    signature_of,
)
from stripread.measure import (
    FlashColours,
    FlashPair,
    PadMeasurement,
    StripMeasurement,
    finish_flash_pair,
    flash_colours,
    measure_flash_pair,
    measure_strip,
    pad_mismatch,
)
from stripread.photo import open_photo
from stripread.strip import StripKind

__all__ = ["calibrate_lot", "join_lot"]

_LEAST_JOINED = 3  # levels
_CLEARLY = 4.0  # Delta E between a pad and its plastic that nobody overlooks; our choice
# Delta E. Corrected colours of the pads of all kinds lie up to 11 apart in 400 simulated pairs of light and phone.
_FAR_SHIFT = 12.0

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
    like: Lot | None = None,
    on_photo: Callable[[Path], None] = lambda photo: None,
) -> Lot:
    """Calibrate a lot from the photos of its dilution series.

    Parameters
    ----------
    without : iterable of str
        Names of photos whose strips are left out of the fit; the lot file records them.
    like : Lot, optional
        Another calibrated lot of the kind, whose curves tell the form that these have; the lot file records it.
    on_photo : callable
        Called with each photo before it is measured, for a progress bar.

    Raises
    ------
    LotFileError
        If ``like`` is of another kind, has other pads, or was made from a chart.
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
            expected=Message("photos of the series to leave out"),
            found=Verbatim(", ".join(sorted(unknown))),
            remedy=Message("Check their names."),
        )
    _check_rows(rows, kind)
    forms = _forms(like, kind)
    measured, colours = _measure_all(rows, card, kind, on_photo, spectral=card.patch_spectra is not None)
    if not _spectral_everywhere(measured.values()) and card.patch_spectra is not None and not colours:
        measured, _ = _measure_all(rows, card, kind, on_photo, spectral=False)
    where = _conditions(rows, measured)
    every = range(max(where.values()) + 1)
    calibrations = []
    for pad in kind.pads:
        own = [row for row in rows if row.pad in (pad.id, None)]
        calibrators = [_calibrator(row, measured[row.photo], pad.id, left_out, where[row.photo]) for row in own]
        photos = [(measured[row.photo], _pad(measured[row.photo], pad.id)) for row in own]
        calibration = calibrate_pad(
            calibrators,
            pad=pad.id,
            analyte=pad.analyte,
            unit=pad.unit,
            blank=pad.blank,
            u_pixels=np.mean([seen.u_pixels - seen.u_coding for _, seen in photos], axis=0),
            u_light=np.mean([_by_light(one, seen) for one, seen in photos], axis=0),
            u_coding=np.mean([seen.u_coding for _, seen in photos], axis=0),
            u_stock=max(row.u_stock for row in own),
            like=forms.get(pad.id),
        )
        scale = _mismatch_scale([row for row in own if not row.beyond], measured, calibration)
        shifts = _shifts(calibration, measured, where, every)
        calibrations.append(replace(calibration, mismatch_scale=scale, shifts=shifts))
    return Lot(
        number=number,
        kind=kind.name,
        expires=expires,
        calibrated_on=calibrated_on,
        card=card.name,
        card_u_lab=card.enrolment.u_lab if card.enrolment else 0.0,
        pads=tuple(calibrations),
        conditions=_describe(rows, measured, where, every, curve_conditions(calibrations[0].calibrators)),
        left_out=left_out,
        flash_colours=colours,
        correction="spectral" if _spectral_everywhere(measured.values()) else "plain",
        strip_kind=kind,
        like="" if like is None else like.sha256,
    )


def _forms(like: Lot | None, kind: StripKind) -> dict[str, Curve]:
    """Curves by pad of the lot that tells the form."""
    if like is None:
        return {}
    own = {pad.pad for pad in like.pads}
    if like.kind != kind.name or own != {pad.id for pad in kind.pads}:
        raise LotFileError(
            expected=Message("another lot of kind %(name)s", name=repr(kind.name)),
            found=Message("lot %(number)s of kind %(kind)s", number=repr(like.number), kind=repr(like.kind)),
            remedy=Message("Name a lot of the same kind, or none."),
        )
    return {pad.pad: pad.fitted_curve for pad in like.pads}


def _spectral_everywhere(measured: Iterable[StripMeasurement]) -> bool:
    """Tell whether all photos could be corrected by spectra, and all pads' colours are those of dyes that it knows.

    A lot has one way of correction, so that its errors cancel.
    """
    every = list(measured)
    if any(m.card.correction.map.method != "spectral" for m in every):
        return False
    return stands_for_dyes(np.array([pad.lab for m in every for pad in m.pads]))


def _check_rows(rows: Sequence[SeriesRow], kind: StripKind) -> None:
    pads = [pad.id for pad in kind.pads]
    for row in rows:
        if row.pad is None and len(pads) > 1:
            raise SeriesError(
                expected=Message(
                    "a column pad with one of %(pads)s for kind %(name)s", pads=", ".join(pads), name=repr(kind.name)
                ),
                found=Message("a row for %(name)s without it", name=row.photo.name),
                remedy=Message("Give each photo a row for each pad, with that pad's concentration."),
            )
        if row.pad is not None and row.pad not in pads:
            raise SeriesError(
                expected=Message("a pad of kind %(name)s: %(pads)s", name=repr(kind.name), pads=", ".join(pads)),
                found=Message("%(pad)s for %(name)s", pad=repr(row.pad), name=row.photo.name),
                remedy=Message("Correct the column pad."),
            )


def join_lot(rows: Sequence[SeriesRow], *, lot: Lot, kind: StripKind, card: CardLayout) -> Lot:
    """Add another phone or place to a lot by a few photos: a blank (or the lowest level) and two more.

    The curve stays as it is; the new photos tell how it is shifted in their condition.

    Raises
    ------
    SeriesError
        A photo that cannot be measured; fewer than 3 levels, or one beyond the curve; another card print than the
        lot's; colours too far from the curve for a change of light (a wrong dilution, another lot); named.
    """
    if card.name != lot.card:
        raise SeriesError(
            expected=Message("photos with the lot's card print, %(card)s", card=repr(lot.card)),
            found=Message("card %(name)s", name=repr(card.name)),
            remedy=Message("Use that print, or calibrate the lot with this one."),
        )
    _check_rows(rows, kind)
    if lot.flash_colours or any(row.flash for row in rows):
        raise SeriesError(
            expected=Message("single photos, and a lot calibrated from such"),
            found=Message("flash pairs"),
            remedy=Message("The flash is a light of its own: calibrate the lot with that phone's pairs."),
        )
    measured, _ = _measure_all(rows, card, kind, lambda photo: None, spectral=lot.correction == "spectral")
    _check_correction(measured, lot)
    first = len(lot.conditions)
    where = {photo: first + k for photo, k in _conditions(rows, measured).items()}
    new = range(first, max(where.values()) + 1)
    pads = []
    for pad in kind.pads:
        own = [row for row in rows if row.pad in (pad.id, None)]
        calibration = lot.pad(pad.id)
        _check_levels_joined(own, calibration, where)
        added = tuple(
            # another strip than those of the series, whatever its name
            replace(
                _calibrator(row, measured[row.photo], pad.id, (), where[row.photo]), replicate=f"joined {row.replicate}"
            )
            for row in own
        )
        joined = replace(calibration, calibrators=(*calibration.calibrators, *added))
        shifts = _shifts(joined, measured, where, new)
        for k, shift in zip(new, shifts, strict=True):
            _check_shift(shift, calibration, [row for row in own if where[row.photo] == k])
        pads.append(replace(joined, shifts=calibration.shifts + shifts))
    described = tuple(replace(c, joined=True) for c in _describe(rows, measured, where, new, frozenset()))
    return replace(lot, pads=tuple(pads), conditions=lot.conditions + described)


def _check_correction(measured: Mapping[Path, StripMeasurement], lot: Lot) -> None:
    for photo, one in measured.items():
        method = one.card.correction.map.method
        if (method == "spectral") != (lot.correction == "spectral"):
            raise SeriesError(
                expected=Message(
                    "photos that can be corrected by the %(correction)s map, as the lot's own were",
                    correction=Message(lot.correction),
                ),
                found=Message("%(name)s, corrected by a %(method)s one", name=photo.name, method=Message(method)),
                remedy=Message("Take it in other light, or with the card file that has the print's spectra."),
            )


def _check_levels_joined(rows: Sequence[SeriesRow], calibration: PadCalibration, where: dict[Path, int]) -> None:
    curve = calibration.curve
    for condition in set(where.values()):
        levels = sorted({row.concentration for row in rows if where[row.photo] == condition})
        outside = [c for c in levels if not curve.low <= c <= curve.top]
        if len(levels) < _LEAST_JOINED or outside:
            raise SeriesError(
                expected=Message(
                    "at least %(least)s levels of pad %(pad)s in each light, from %(low)s to %(top)s %(unit)s",
                    least=_LEAST_JOINED,
                    pad=repr(calibration.pad),
                    low=Number(curve.low, "g"),
                    top=Number(curve.top, "g"),
                    unit=calibration.unit,
                ),
                found=(Verbatim(", ".join(f"{c:g}" for c in levels)) or Message("none")),
                remedy=Message(
                    "Add a blank (or the lowest level) and two more. If the photos are of one light, name it "
                    "in the column condition."
                ),
            )


def _check_shift(shift: Shift, calibration: PadCalibration, rows: Sequence[SeriesRow]) -> None:
    curve = calibration.fitted_curve
    moved = shifted_curve(curve, [shift], np.ones(1))
    for row in rows:
        here = np.array([row.concentration])
        far = float(np.linalg.norm(moved.lab(here) - curve.lab(here)))
        if far > _FAR_SHIFT:
            raise SeriesError(
                expected=Message(
                    "colours of another light within %(most)s Delta E of the lot's curve", most=Number(_FAR_SHIFT, "g")
                ),
                found=Message(
                    "%(far)s Delta E at %(concentration)s %(unit)s (%(name)s)",
                    far=Number(far, ".0f"),
                    concentration=Number(row.concentration, "g"),
                    unit=calibration.unit,
                    name=row.photo.name,
                ),
                remedy=Message("Check the dilution and the lot of that strip."),
            )


def _shifts(
    calibration: PadCalibration, measured: dict[Path, StripMeasurement], where: dict[Path, int], conditions: range
) -> tuple[Shift, ...]:
    noise = {
        k: np.mean([_repeatability(measured[p], calibration.pad) for p, at in where.items() if at == k], axis=0)
        for k in conditions
    }
    return tuple(fit_condition_shift(calibration, k, noise[k]) for k in conditions)


def _measure_all(
    rows: Sequence[SeriesRow], card: CardLayout, kind: StripKind, on_photo: Callable[[Path], None], *, spectral: bool
) -> tuple[dict[Path, StripMeasurement], FlashColours]:
    """Measure every photo, or every pair where the series has photos with the flash (these by a plain map)."""
    flashes = {row.photo: row.flash for row in rows}
    if any(flashes.values()):
        return _measure_pairs(flashes, card, kind, on_photo)
    measured = {}
    for photo in flashes:
        on_photo(photo)
        with _named(photo):
            measured[photo] = measure_strip(open_photo(photo), card, kind, spectral=spectral)
    _check_seen(rows, measured)
    return measured, {}


def _check_seen(rows: Sequence[SeriesRow], measured: Mapping[Path, StripMeasurement]) -> None:
    """Refuse a dipped strip on which no pad shows although as weak a solution, or a weaker, clearly colours another.

    Near the LOD a pad may well have the plastic's colour, as a blank's.
    """
    unseen = {photo for photo, one in measured.items() if any(f.code == "pad_not_seen" for f in one.findings)}
    shown = [
        (row.pad, row.concentration)
        for row in rows
        if row.concentration > 0
        and row.photo not in unseen
        and measured[row.photo].strip.steps.get(row.pad or measured[row.photo].pads[0].pad, 0.0) > _CLEARLY
    ]
    for row in rows:
        clear = any(pad == row.pad and concentration <= row.concentration for pad, concentration in shown)
        if row.photo in unseen and row.concentration > 0 and clear:
            raise SeriesError(
                expected=Message(
                    "a pad that shows on the strip dipped into %(concentration)s in %(name)s",
                    concentration=Number(row.concentration, "g"),
                    name=row.photo.name,
                ),
                found=Message("no pad"),
                remedy=Message(
                    "Turn the strip over if it lies face down, and retake the photo; or take its row out of the series."
                ),
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
                expected=Message("a photo with the flash in every row, or in none"),
                found=Message("none for %(name)s", name=photo.name),
                remedy=Message(
                    "Fill the column flash, or leave it out; photos with and without it cannot be compared."
                ),
            )
        with _named(photo):
            pairs[photo] = measure_flash_pair(open_photo(photo), open_photo(flash), card, kind)
    colours = flash_colours(list(pairs.values()))
    return {photo: finish_flash_pair(pair, colours) for photo, pair in pairs.items()}, colours


@contextmanager
def _named(photo: Path) -> Iterator[None]:
    """Say which photo of the series an error is about."""
    try:
        yield
    except StripReadError as error:
        raise SeriesError(
            expected=Message("a strip to measure in %(name)s: %(expected)s", name=photo.name, expected=error.expected),
            found=error.found,
            remedy=ByFace(
                Message("%(remedy)s Or take its row out of the series.", remedy=error.remedy),
                Message("%(remedy)s Or leave it out below.", remedy=error.remedy),
            ),
        ) from error


def _pad(measured: StripMeasurement, pad_id: str) -> PadMeasurement:
    return next(p for p in measured.pads if p.pad == pad_id)


def _repeatability(measured: StripMeasurement, pad_id: str) -> Float:
    """Covariance of a pad's colour that one more photo of the same strip in the same light would show."""
    pad = _pad(measured, pad_id)
    return pad.u_pixels + _by_light(measured, pad)


def _by_light(measured: StripMeasurement, pad: PadMeasurement) -> Float:
    result: Float = measured.card.correction.u_light**2 * np.outer(pad.light_gradient, pad.light_gradient)
    return result


def _calibrator(
    row: SeriesRow, measured: StripMeasurement, pad_id: str, left_out: Sequence[str], condition: int
) -> Calibrator:
    photo = measured.card.photo
    lab = _pad(measured, pad_id).lab
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
        condition=condition,
    )


def _conditions(rows: Sequence[SeriesRow], measured: dict[Path, StripMeasurement]) -> dict[Path, int]:
    """Return the condition of each photo: as the series names it, else by phone and signature."""
    photos = list(measured)
    if any(row.flash for row in rows):  # one light, that of the flash
        return dict.fromkeys(photos, 0)
    named = {row.photo: row.condition for row in rows}
    labels = [f"name {named[p]}" if named[p] else f"phone {measured[p].card.photo.camera}" for p in photos]
    patches = measured[photos[0]].card.correction.patches
    residuals = np.array([measured[p].card.correction.residuals for p in photos])
    groups = group_photos(residuals, patches.lab, ~patches.neutral, labels, [bool(named[p]) for p in photos])
    return dict(zip(photos, groups, strict=True))


def _describe(
    rows: Sequence[SeriesRow],
    measured: dict[Path, StripMeasurement],
    where: dict[Path, int],
    wanted: range,
    own: frozenset[int],
) -> tuple[Condition, ...]:
    named = {row.photo: row.condition for row in rows}
    conditions = []
    for index in wanted:
        photos = [p for p, k in where.items() if k == index]
        first = measured[photos[0]].card
        patches = first.correction.patches
        residuals = np.array([measured[p].card.correction.residuals for p in photos])
        conditions.append(
            Condition(
                name=named[photos[0]] or str(index + 1),
                camera=first.photo.camera,
                photos=len(photos),
                joined=bool(own) and index not in own,
                signature=signature_of(patches.ids, residuals),
                noise=noise_of(residuals, patches.lab, ~patches.neutral),
            )
        )
    return tuple(conditions)


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
    residuals = corrections[0].residuals - corrections[1].residuals
    pad, other = _pad(first, pad_id), _pad(second, pad_id)
    if pad.stated_mismatch is not None and other.stated_mismatch is not None:
        pad = replace(pad, stated_mismatch=(pad.stated_mismatch + other.stated_mismatch) / 2)
    mismatch = pad_mismatch(pad, corrections[0], residuals, u_reference=0.0)
    noise = _repeatability(first, pad_id) + _repeatability(second, pad_id)
    if np.trace(mismatch) < np.trace(noise):
        return None  # the lights are too alike to tell
    weighted = np.linalg.solve(mismatch + noise, tangent)
    return float(((pad.lab - other.lab) @ weighted) ** 2 / (tangent @ weighted))
