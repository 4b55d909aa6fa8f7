"""Several photos of one dip, or of several strips from one sample, combined into one reading.

Colours are averaged, weighted by how well each is known, and held against the curve in the mean of the conditions that
the photos are like. What they share does not average out: the curve, the card print, one strip's own scatter, as much
of the error of light and colour correction as their lights have in common, which the correlation of their cards'
residuals tells, and the rounding of photos that are coded alike.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from stripread.colour import DEGREES_OF_FREEDOM, residual_correlation
from stripread.errors import TogetherError
from stripread.findings import Finding, make_finding
from stripread.geometry import Float
from stripread.i18n import Joined, Message, joined
from stripread.lot import invert_curve
from stripread.read.pad import PadReading, report_pad
from stripread.read.strip import Reading
from stripread.units import two_digits

__all__ = ["combine_readings", "light_correlation"]

_DISAGREE_P = 0.01  # chance that good photos are called different
_OWN = ("pixels", "rounding", "light")  # what a photo may share with no other


@dataclass(frozen=True, slots=True)
class _Photos:
    """One pad in all photos: how far each reading is its own."""

    values: Float  # (n,)
    alone: Float  # (n,), variance of what a photo shares with no other
    by_light: Float  # (n,), variance of the colour correction
    correlation: Float  # (n, n), of the colour correction's errors
    freedom: Float  # (n,), degrees of freedom

    def only(self, kept: Sequence[int]) -> "_Photos":
        """Return some of the photos."""
        k = list(kept)
        return _Photos(self.values[k], self.alone[k], self.by_light[k], self.correlation[np.ix_(k, k)], self.freedom[k])

    @property
    def own_variances(self) -> Float:
        """Variances (n,) of what each photo shares with no other, its own part of the colour correction among it."""
        n = len(self.values)
        others = (self.correlation.sum(axis=1) - 1) / max(n - 1, 1)
        result: Float = self.alone + (1 - others) * self.by_light
        return result


def combine_readings(readings: Sequence[Reading], *, one_strip: bool) -> Reading:
    """Combine readings of one sample.

    A photo that disagrees with all others is left out and named; where nobody can say which one is wrong, there is no
    number.

    Parameters
    ----------
    readings : sequence of Reading
        At least two, of one lot and of one sample, diluted alike.
    one_strip : bool
        Whether they show the same strip; its own departure from the lot's curve is then shared.

    Raises
    ------
    TogetherError
        Fewer than two readings, or of several lots.
    """
    if len(readings) < 2 or len({(r.lot.number, r.lot.sha256) for r in readings}) > 1:
        raise TogetherError(
            expected=Message("two readings or more of one lot"),
            found=Message(
                "%(count)s of lot %(lots)s",
                count=len(readings),
                lots=joined(sorted({r.lot.number for r in readings})) if readings else Message("none"),
            ),
            remedy=Message("Name at least two photos of strips of one lot that can be read."),
        )
    pads = range(len(readings[0].pads))
    photos = [_photos(readings, pad, one_strip=one_strip) for pad in pads]
    kept = list(range(len(readings)))
    findings: list[Finding] = []
    wrong = _disagreeing(photos, kept)
    if wrong is not None and len(kept) > 2:
        odd = _odd_one(photos, kept)
        if odd is not None:
            kept.remove(odd)
            findings.append(_left_out(readings[odd], [readings[i] for i in kept], wrong))
            wrong = None
    if wrong is not None:
        text = Joined(tuple(two_digits(r.pads[wrong].estimate.value) for r in readings), ", ", Message("and"))
        unit = readings[0].pads[wrong].unit
        findings.append(
            make_finding(
                "together_disagree",
                Message("The photos read %(readings)s %(unit)s, apart by more than chance.", readings=text, unit=unit),
            )
        )
    good = [readings[i] for i in kept]
    findings.extend(_nothing_new(good) if one_strip else [])
    combined = tuple(_combine_pad(good, photos[pad].only(kept), pad, one_strip=one_strip) for pad in pads)
    for reading in good:
        findings += [f for f in reading.findings if f.code not in {known.code for known in findings}]
    return replace(
        good[0],
        photo=" + ".join(r.photo for r in good),
        pads=combined,
        findings=tuple(findings),
    )


def light_correlation(readings: Sequence[Reading], lab: Float) -> Float:
    """Return the correlation (n, n) of the colour correction's errors near a colour (3,), by the photos' cards."""
    n = len(readings)
    result = np.eye(n)
    for i in range(n):
        for j in range(i):
            patches = readings[i].measurement.card.correction.patches
            first, second = readings[i].likeness.difference, readings[j].likeness.difference
            if len(first) == len(second):
                result[i, j] = result[j, i] = residual_correlation(lab, patches.lab, first, second)
            else:
                result[i, j] = result[j, i] = 1.0  # different cards cannot be compared: nothing is gained
    return result


def _photos(readings: Sequence[Reading], pad: int, *, one_strip: bool) -> _Photos:
    estimates = [r.pads[pad].estimate for r in readings]
    causes = _OWN if one_strip else (*_OWN, "strip_to_strip")
    return _Photos(
        values=np.array([e.value for e in estimates]),
        alone=np.array([sum(e.budget.get(name, 0.0) ** 2 for name in (*causes, "glare")) for e in estimates]),
        by_light=np.array([e.budget["colour_correction"] ** 2 for e in estimates]),
        correlation=light_correlation(readings, np.mean([r.pads[pad].lab for r in readings], axis=0)),
        freedom=np.array([e.degrees_of_freedom for e in estimates]),
    )


def _disagreeing(photos: Sequence[_Photos], kept: Sequence[int]) -> int | None:
    """Return the first pad whose readings differ by more than what they do not share; None where none does."""
    return next((pad for pad, own in enumerate(photos) if _excess(own.only(kept)) > 1), None)


def _excess(photos: _Photos) -> float:
    """Weighted mean square about the mean over the limit of chance (F, as the uncertainties are estimates)."""
    from scipy.stats import f as fisher

    more = len(photos.values) - 1
    if more < 1:
        return 0.0
    weights = 1 / photos.own_variances
    mean = float(weights @ photos.values / weights.sum())
    square = float(weights @ (photos.values - mean) ** 2) / more
    return square / float(fisher.ppf(1 - _DISAGREE_P, more, photos.freedom.min()))


def _odd_one(photos: Sequence[_Photos], kept: Sequence[int]) -> int | None:
    """Return the photo without which the others agree; None where there is none, or more than one such."""
    without = [i for i in kept if _disagreeing(photos, [k for k in kept if k != i]) is None]
    return without[0] if len(without) == 1 else None


def _nothing_new(readings: Sequence[Reading]) -> list[Finding]:
    """Tell of photos that are coded as another of one strip is: all that averages out is their pixels' noise."""
    alike = np.all([_coded_alike(readings, pad) for pad in range(len(readings[0].pads))], axis=0)
    again = [r.photo for i, r in enumerate(readings) if alike[i, :i].any()]
    if not again:
        return []
    message = Message("%(photos)s: the pad is coded as in another of these photos.", photos=joined(again))
    return [make_finding("photos_alike", message)]


def _left_out(odd: Reading, others: Sequence[Reading], pad: int) -> Finding:
    values = [two_digits(r.pads[pad].estimate.value) for r in others]
    return make_finding(
        "photo_left_out",
        Message(
            "%(photo)s reads %(reading)s %(unit)s, the others %(others)s: more than chance. It was left out.",
            photo=odd.photo,
            reading=two_digits(odd.pads[pad].estimate.value),
            unit=odd.pads[pad].unit,
            others=Joined(tuple(values), ", ", Message("and")),
        ),
    )


def _capped(weights: Float, most: float) -> Float:
    """Return weights of which none is over a share: what makes a photo look better is an estimate.

    What is over goes to the others in proportion, again and again until none is over.
    """
    over = weights > most
    while over.any():
        rest = weights[~over].sum()
        if rest <= 0:
            return np.full_like(weights, 1 / len(weights))
        weights = np.where(over, most, weights * (1 - most * over.sum()) / rest)
        more = over | (weights > most * (1 + 1e-12))
        if (more == over).all():
            break
        over = more
    return weights


def _combine_pad(readings: Sequence[Reading], photos: _Photos, index: int, *, one_strip: bool) -> PadReading:
    pads = [r.pads[index] for r in readings]
    calibration = readings[0].lot.pad(pads[0].pad)
    weights = 1 / np.maximum(photos.own_variances, 1e-12 * photos.own_variances.max() + 1e-300)
    weights = weights / weights.sum()
    weights = _capped(weights, 2 / len(pads))
    lab: Float = np.einsum("i,ia->a", weights, np.array([p.lab for p in pads]))
    shared = photos.correlation
    common = {
        "pixels": np.eye(len(pads)),
        "rounding": _coded_alike(readings, index).astype(np.float64),
        "light": shared,
        "colour_correction": shared,
        "glare": np.ones_like(shared),  # one lamp, and mirrored light only ever adds: it does not average out
        "card_print": np.ones_like(shared),
    }
    causes = {
        name: _averaged([p.causes.get(name, np.zeros((3, 3))) for p in pads], weights, correlation)
        for name, correlation in common.items()
        if any(name in p.causes for p in pads)
    }
    mixture = np.einsum("i,ik->k", weights, np.array([r.likeness.weights for r in readings]))
    estimate = invert_curve(
        calibration.curve_in(mixture),
        lab,
        causes,
        {"colour_correction": DEGREES_OF_FREEDOM},
        strips=1 if one_strip else 1 / float(weights @ weights),
    )
    return report_pad(calibration, lab, causes, estimate, dilution=readings[0].dilution)


def _coded_alike(readings: Sequence[Reading], index: int) -> NDArray[np.bool_]:
    """Tell (n, n) which photos code a pad's mean within half a step of each other, so that both are rounded alike.

    YCbCr of 8 bits as in ITU-T T.871 (JFIF), whose blocks keep their means in the steps of the file.
    """
    measured = [r.measurement for r in readings]
    linear = np.array([m.pads[index].colour.mean for m in measured])
    codes = 255 * np.where(linear <= 0.0031308, 12.92 * linear, 1.055 * np.maximum(linear, 0.0) ** (1 / 2.4) - 0.055)
    brightness = codes @ np.array([0.299, 0.587, 0.114])
    differences = np.stack([0.564 * (codes[:, 2] - brightness), 0.713 * (codes[:, 0] - brightness)], axis=1)
    steps = np.array([m.card.photo.code_steps for m in measured])
    ycc = np.column_stack([brightness, differences])
    allowed = np.maximum(steps[:, None], steps[None])[:, :, [0, 1, 1]] / 2
    result: NDArray[np.bool_] = (np.abs(ycc[:, None] - ycc[None]) < allowed).all(axis=2)
    return result


def _averaged(covariances: Sequence[Float], weights: Float, correlation: Float) -> Float:
    """Covariance of a weighted mean of colours whose errors are so correlated."""
    roots = np.array([_root(c) for c in covariances])
    result: Float = np.einsum("i,j,ij,iab,jcb->ac", weights, weights, correlation, roots, roots)
    return result


def _root(covariance: Float) -> Float:
    values, vectors = np.linalg.eigh(covariance)
    root: Float = (vectors * np.sqrt(np.maximum(values, 0))) @ vectors.T
    return root
