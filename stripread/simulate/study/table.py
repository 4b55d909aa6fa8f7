"""Results of a study drawn as a table, without photos: quick enough for hundreds of studies."""

import math
from collections.abc import Mapping, Sequence

import numpy as np

from stripread.study import SHARES, U_TRUTH, EyeRow, PhotoRow, PlannedPhoto, PlannedStrip, Shares, Strength, StudyTable

__all__ = ["draw_table"]

_K = 1.96
_DETECTED = 1.645  # standard deviations of a blank; the LOD is twice that
_EYE = 0.25  # relative, of one reading by eye


def draw_table(
    strips: Sequence[PlannedStrip],
    strength_of: Mapping[str, str],
    strengths: Sequence[Strength],
    rng: np.random.Generator,
    *,
    width: float = 1.0,
    bias: float = 0.0,
    shares: Shares = SHARES,
) -> StudyTable:
    """Draw the results of a study.

    Parameters
    ----------
    width : float
        Of the stated intervals over honest ones.
    bias : float
        Relative; readings are 1 + ``bias`` times too large.
    shares : Shares
        How the variance of errors is split in truth.
    """
    by_name = {one.name: one for one in strengths}
    blank_sd = next(one.value for one in strengths if one.kind == "lod") / (2 * _DETECTED)
    lot, reference = float(rng.normal()), float(np.exp(rng.normal(0, U_TRUTH)))
    places: dict[tuple[str, str], float] = {}
    photos: list[PhotoRow] = []
    eyes: list[EyeRow] = []
    people = sorted({strip.person for strip in strips})
    for strip in strips:
        strength, own = by_name[strength_of[strip.code]], float(rng.normal())
        for photo in strip.photos:
            place = places.setdefault((photo.phone, photo.light), float(rng.normal()))
            error = (
                math.sqrt(shares.lot) * lot
                + math.sqrt(shares.place) * place
                + math.sqrt(shares.strip) * own
                + math.sqrt(shares.photo) * float(rng.normal())
            )
            photos.append(_row(strip, photo, strength, error, reference * (1 + bias), blank_sd, width))
        for who in people:
            seen = strength.value * float(np.exp(rng.normal(0, _EYE)))
            eyes.append(EyeRow(code=strip.code, who=who, value=seen))
    return StudyTable(strengths=tuple(strengths), photos=tuple(photos), eyes=tuple(eyes))


def _row(
    strip: PlannedStrip,
    photo: PlannedPhoto,
    strength: Strength,
    error: float,
    factor: float,
    blank_sd: float,
    width: float,
) -> PhotoRow:
    truth = strength.value
    if strength.kind == "strength":
        u = strength.expected_u
        estimate = truth * factor * math.exp(u * error)
        low, high = (estimate * math.exp(sign * _K * width * u) for sign in (-1, 1))
        sd = estimate * u * width
    else:
        estimate = max(truth * factor + blank_sd * error, 0.0)
        sd = blank_sd * width
        low, high = estimate - _K * sd, estimate + _K * sd
    return PhotoRow(
        code=strip.code,
        strength=strength.name,
        session=strip.session,
        person=strip.person,
        number=photo.number,
        role=photo.role,
        phone=photo.phone,
        light=photo.light,
        truth=truth,
        u_truth=U_TRUTH * truth,
        estimate=estimate,
        u=sd,
        low=low if low > 0 else None,
        high=high,
        stated=(low if low > 0 else None, high),
        detected=estimate > _DETECTED * blank_sd,
    )
