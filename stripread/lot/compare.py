"""Two lots of one kind, or two calibrations of one lot: where they would read the same colour differently.

For a concentration c the colour of lot A's curve is read from lot B's curve, as a strip of B would be. The difference
is linear in the errors of both curves' parameters, p_A and p_B, near the two places:

    d = c_B - c,    u^2(d) = J_A C_A J_A' + J_B C_B J_B',    J_A = g' dlab_A/dp_A,    J_B = -g' dlab_B/dp_B

with the gain g that the inversion uses (`lot.inverse`; JCGM 100:2008, 5.1). Strip-to-strip scatter weighs the colour as
in a reading, but it is no part of u(d): the curves are compared, not strips.

Many points along two smooth curves are one question and not many. Their differences are a linear map of the few
parameters, so the largest |d|/u that two equal curves would show by chance is simulated from the same covariances
(simultaneous bands by the distribution of the maximum). With Student's t, as the covariances rest on few replicates.

Calibrations in other lights differ by more than their curves' covariances tell: the colour correction errs otherwise.
Where the cards show by how much (residuals of the patches in both calibrations, `colour.mismatch`), that is added as
u_light, and a difference counts as the lots' own only where it is larger than both explain. How u_light hangs together
along the curve is not modelled: its points count as independent, which makes the limit wider.
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from stripread.card import CardLayout
from stripread.colour import DEGREES_OF_FREEDOM, mismatch_covariance
from stripread.errors import LotFileError
from stripread.geometry import Float
from stripread.i18n import Message, Number
from stripread.lot.conditions import LEAST_COMMON
from stripread.lot.curve import Curve
from stripread.lot.inverse import invert_curve
from stripread.lot.lot import Lot, PadCalibration

_Bools = NDArray[np.bool_]

__all__ = ["COMPARISON_K", "LotComparison", "PadComparison", "compare_curves", "compare_lots"]

COMPARISON_K = 2.0
_POINTS = 60  # along the curve; twice as many change the limit by less than it changes with the seed
_DRAWS, _SEED, _CHANCE = 20_000, 1, 0.05
_OFF_CURVE_P = 1e-3  # as in read/pad.py
_SMALL = 1e-6  # CIELAB squared; keeps the weights regular where curves are exactly known


@dataclass(frozen=True, slots=True, kw_only=True)
class PadComparison:
    """One pad of two lots along the stretch that both curves cover.

    Attributes
    ----------
    concentration, read : ndarray (n,)
        What lot A's colour stands for, and what lot B reads it as.
    u, u_light : ndarray (n,)
        Standard uncertainty of the difference (k = 1): of the curves, and of the lights that they were calibrated in.
    at_end : ndarray of bool (n,)
        Where B's curve ends before it meets the colour; the difference there is at least so large, and is not judged.
    delta_e : ndarray (n,)
        How far A's colour lies from B's curve, Delta E*ab.
    off_curve : ndarray of bool (n,)
        Where a reading with lot B would call the colour none of its own.
    limit, limit_light : float
        Of the largest |difference| / u along the curve: exceeded by equal curves with a chance of 5 %; without and
        with the lights.
    """

    pad: str
    analyte: str
    unit: str
    concentration: Float
    read: Float
    u: Float
    u_light: Float
    at_end: _Bools
    delta_e: Float
    off_curve: _Bools
    limit: float
    limit_light: float

    @property
    def difference(self) -> Float:
        """What B reads less what A stands for."""
        return self.read - self.concentration

    @property
    def u_all(self) -> Float:
        """Standard uncertainty of the difference, curves and lights together."""
        result: Float = np.hypot(self.u, self.u_light)
        return result

    @property
    def ratio(self) -> Float:
        """Difference over the standard uncertainty of the curves; 0 where it is not judged."""
        return np.where(self.at_end, 0.0, self.difference / self.u)

    @property
    def ratio_light(self) -> Float:
        """Difference over the standard uncertainty of curves and lights; 0 where it is not judged."""
        return np.where(self.at_end, 0.0, self.difference / self.u_all)

    @property
    def beyond(self) -> _Bools:
        """Where the difference is larger than twice the curves' standard uncertainty, point by point."""
        return np.abs(self.ratio) > COMPARISON_K

    @property
    def verdict(self) -> Literal["agree", "light", "differ"]:
        """Of the curves as a whole: no difference; one that the lights may explain; one of the lots."""
        if self.off_curve.any() or np.abs(self.ratio_light).max(initial=0.0) > self.limit_light:
            return "differ"
        return "light" if np.abs(self.ratio).max(initial=0.0) > self.limit else "agree"


@dataclass(frozen=True, slots=True, kw_only=True)
class LotComparison:
    """Two lots, pad by pad, and in what else they differ (sentences)."""

    first: Lot
    second: Lot
    pads: tuple[PadComparison, ...]
    circumstances: tuple[str, ...]


def compare_lots(first: Lot, second: Lot, *, card: CardLayout) -> LotComparison:
    """Compare all pads of two lots of one kind.

    Parameters
    ----------
    card : CardLayout
        The card in the calibrations' photos: its patches tell how far their lights are apart. If it has too few of
        the patches, nothing is allowed for lights, and the circumstances say so.

    Raises
    ------
    LotFileError
        If the lots are of different kinds, have different pads, analytes or units, or no common range.
    """
    for expected, one, other in (
        (Message("two lots of one kind"), first.kind, second.kind),
        (Message("two lots with the same pads, analytes and units"), _pads(first), _pads(second)),
    ):
        if one != other:
            raise LotFileError(
                expected=expected,
                found=Message(
                    "%(one)s in lot %(first)s and %(other)s in lot %(second)s",
                    one=one,
                    first=first.number,
                    other=other,
                    second=second.number,
                ),
                remedy=Message("Compare lots of one strip kind only."),
            )
    lights = _compare_lights(first, second, card)
    pads = tuple(_compare_pad(pad, second.pad(pad.pad), first, second, lights) for pad in first.pads)
    return LotComparison(first=first, second=second, pads=pads, circumstances=_circumstances(first, second, lights))


def _pads(lot: Lot) -> str:
    return ", ".join(sorted(f"{pad.pad} ({pad.analyte}, {pad.unit})" for pad in lot.pads))


def _compare_pad(
    one: PadCalibration, other: PadCalibration, first: Lot, second: Lot, lights: "_Lights | None"
) -> PadComparison:
    low, top = max(one.curve.low, other.curve.low), min(one.curve.top, other.curve.top)
    if low >= top:
        raise LotFileError(
            expected=Message("curves of pad %(pad)s with a common range", pad=one.pad),
            found=Message(
                "%(low)s to %(top)s %(unit)s in lot %(first)s and %(other_low)s to %(other_top)s in lot %(second)s",
                low=Number(one.curve.low, "g"),
                top=Number(one.curve.top, "g"),
                unit=one.unit,
                first=first.number,
                other_low=Number(other.curve.low, "g"),
                other_top=Number(other.curve.top, "g"),
                second=second.number,
            ),
            remedy=Message("Calibrate both over the same range."),
        )
    scale = max(one.mismatch_scale, other.mismatch_scale)

    def light(lab: Float) -> Float:
        return np.zeros((len(lab), 3, 3)) if lights is None else scale**2 * lights.covariance(lab)

    first_curve, second_curve = one.fitted_curve, other.fitted_curve
    return compare_curves(first_curve, second_curve, light=light, pad=one.pad, analyte=one.analyte, unit=one.unit)


def compare_curves(
    first: Curve, second: Curve, *, light: Callable[[Float], Float], pad: str, analyte: str, unit: str
) -> PadComparison:
    """Compare two curves over the range that they share, at points spaced evenly along the first one's colours.

    ``light`` gives for colours (n, 3) the covariances (n, 3, 3) of what the lights of the two calibrations change.
    """
    from scipy.stats import f as fisher

    low, top = max(first.low, second.low), min(first.top, second.top)
    spread = first.grid(_POINTS)
    at = np.unique([float(f"{c:.2g}") for c in spread[(spread > low) & (spread < top)]])
    at = np.concatenate([[low], at[(at > low) & (at < top)], [top]])
    lit = light(first.lab(at))
    readings = [
        invert_curve(
            second, lab, {"the other curve": own + _SMALL * np.eye(3), "light": by_light}, {"light": DEGREES_OF_FREEDOM}
        )
        for lab, own, by_light in zip(first.lab(at), first.covariance_at(at), lit, strict=True)
    ]
    read = np.minimum([reading.value for reading in readings], second.top)
    # Read as one of B's ends: the colour may lie beyond it.
    at_end = np.minimum(read - second.low, second.top - read) < 1e-6 * second.top
    off = np.array([
        reading.chi2 > 2 * fisher.ppf(1 - _OFF_CURVE_P, 2, reading.degrees_of_freedom) for reading in readings
    ], dtype=np.bool_)  # fmt: skip
    gain = _gain(first, second, at, read, lit)
    errors = _errors(first, second, at, read, gain)
    u_light = np.sqrt(np.maximum(np.einsum("ni,nij,nj->n", gain, lit, gain), 0.0))
    freedom = min(first.scatter.degrees_of_freedom, second.scatter.degrees_of_freedom)
    lights = np.concatenate([errors, np.diag(u_light)], axis=1)
    return PadComparison(
        pad=pad,
        analyte=analyte,
        unit=unit,
        concentration=at,
        read=read,
        u=np.linalg.norm(errors, axis=1),
        u_light=u_light,
        at_end=at_end,
        delta_e=np.array([reading.delta_e for reading in readings]),
        off_curve=off & ~at_end,
        limit=_largest_by_chance(errors[~at_end], freedom),
        limit_light=_largest_by_chance(lights[~at_end], min(freedom, DEGREES_OF_FREEDOM) if u_light.any() else freedom),
    )


def _gain(first: Curve, second: Curve, at: Float, read: Float, lit: Float) -> Float:
    """Change (n, 3) of what the second curve reads per change of the colour."""
    tangent = second.tangent(read)
    spread = first.covariance_at(at) + lit + second.covariance_at(read) + second.scatter_at(read)
    gain = np.einsum("nij,nj->ni", np.linalg.inv(spread + _SMALL * np.eye(3)), tangent)
    result: Float = gain / np.einsum("ni,ni->n", gain, tangent)[:, None]
    return result


def _errors(first: Curve, second: Curve, at: Float, read: Float, gain: Float) -> Float:
    """Errors (n, m) of the differences per each of m standard normal variables that both curves' parameters hang on."""
    parts = []
    for curve, places in ((first, at), (second, read)):
        slope = curve.path.slope(curve.parameters, places)
        parts.append(np.einsum("ni,nip->np", gain, slope) @ _root(curve.covariance))
    return np.concatenate([parts[0], -parts[1]], axis=1)


def _root(covariance: Float) -> Float:
    """Return a matrix (p, p) whose product with its transpose is the covariance, which may be singular."""
    values, vectors = np.linalg.eigh(0.5 * (covariance + covariance.T))
    root: Float = vectors * np.sqrt(np.maximum(values, 0.0))
    return root


def _largest_by_chance(errors: Float, freedom: float) -> float:
    """95 % point of the largest |difference| / u among points whose errors (n, m) hang together."""
    if len(errors) == 0:
        return float("inf")
    rng = np.random.default_rng(_SEED)
    units = errors / np.maximum(np.linalg.norm(errors, axis=1), 1e-300)[:, None]
    normal = np.abs(rng.standard_normal((_DRAWS, units.shape[1])) @ units.T).max(axis=1)
    student = normal / np.sqrt(rng.chisquare(max(freedom, 1), _DRAWS) / max(freedom, 1))
    return float(np.quantile(student, 1 - _CHANCE))


def _circumstances(first: Lot, second: Lot, lights: "_Lights | None") -> tuple[str, ...]:
    """Say in what the calibrations differ besides the strips; each may be a cause of what is found."""
    found = []
    if first.card != second.card:
        found.append(f"The cards differ: {first.card} and {second.card}.")
    phones = [_phones(lot) for lot in (first, second)]
    if phones[0] != phones[1]:
        found.append(f"The phones differ: {phones[0]}; and {phones[1]}.")
    if lights is None:
        found.append(
            "How far the lights differ cannot be told: the calibrations have too few patches of this card in common. "
            "No uncertainty below allows for it."
        )
    elif first.correction != second.correction:
        found.append(
            f"Colours were corrected by the {first.correction} map in lot {first.number} and by the "
            f"{second.correction} one in lot {second.number}: what the plain map misses is allowed for as light."
        )
    elif lights.distance >= 0.005:
        found.append(
            f"The cards' patches in the photos of both calibrations, once corrected, lie {lights.distance:.2f} Delta E "
            "apart (root mean square): what light and phone change."
        )
    shared = {c.photo_sha256 for pad in first.pads for c in pad.calibrators} & {
        c.photo_sha256 for pad in second.pads for c in pad.calibrators
    }
    if shared:
        found.append(
            f"Both calibrations use {len(shared)} of the same photos: their curves hang together, and the difference "
            "is less uncertain than stated."
        )
    return tuple(found)


def _phones(lot: Lot) -> str:
    return ", ".join(sorted({c.camera or "unknown phone" for pad in lot.pads for c in pad.calibrators}))


def _signature(lot: Lot) -> Mapping[str, tuple[float, float, float]]:
    """Mean residual of each patch over the conditions that made the curve, of patches that all of them have."""
    own = [c.signature for c in lot.conditions if not c.joined]
    common = set(own[0]).intersection(*own[1:]) if own else set()
    signature = {}
    for patch in sorted(common):
        mean = np.mean([one[patch] for one in own], axis=0)
        signature[patch] = (float(mean[0]), float(mean[1]), float(mean[2]))
    return signature


@dataclass(frozen=True, slots=True)
class _Lights:
    """How the patches' residuals (n, 3) in two calibrations differ, and the colours (n, 3) of these patches."""

    patch_lab: Float
    difference: Float
    is_colour: _Bools
    u_reference: float

    @property
    def distance(self) -> float:
        """Root mean square difference, Delta E*ab."""
        return float(np.sqrt(np.mean(np.sum(self.difference**2, axis=1))))

    def covariance(self, lab: Float) -> Float:
        """Covariance (n, 3, 3) of what the lights change in colours (n, 3); nothing where they are the same."""
        if not self.difference.any():
            return np.zeros((len(lab), 3, 3))
        return mismatch_covariance(lab, self.patch_lab, self.difference, self.is_colour, u_reference=self.u_reference)


def _compare_lights(first: Lot, second: Lot, card: CardLayout) -> _Lights | None:
    one, other = _signature(first), _signature(second)
    common = [patch for patch in card.patches if patch.id in one and patch.id in other]
    if len(common) < LEAST_COMMON:
        return None
    if first.correction != second.correction:
        # What the plain map misses is not in the other's curve: all of its residuals count, in the same light, too.
        missing = {patch.id: (0.0, 0.0, 0.0) for patch in common}
        one, other = (one, missing) if first.correction == "plain" else (missing, other)
    return _Lights(
        patch_lab=np.array([patch.lab for patch in common]),
        difference=np.array([np.subtract(one[patch.id], other[patch.id]) for patch in common]),
        is_colour=np.array([patch.role == "colour" for patch in common]),
        u_reference=0.0 if first.card == second.card else float(np.hypot(first.card_u_lab, second.card_u_lab)),
    )
