"""From the patches of a card in one photo to the way from any linear RGB on it to CIELAB.

Tone curve and light from the neutral patches, then the colour map from all patches, and what the patches left out of
the fit say about it. Patches that are clipped or plainly disagree are left out and named. Where the spectra of the
patches are known, `spectral.py` takes the map's place if it predicts patches much better.
"""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from stripread.colour.lab import d50_white, delta_e_2000, lab_jacobian, lab_to_xyz, linear_srgb, xyz_to_lab
from stripread.colour.map import METHODS, ColourMap, fit_map
from stripread.colour.mismatch import CONSTANTS, MismatchConstants
from stripread.colour.spectra import LARGEST_DISAGREEMENT, spectra_to_xyz
from stripread.colour.spectral import SpectralMap, fit_spectral_map
from stripread.colour.tone import LOWEST, ToneAndLight, fit_tone_and_light, scatter_by_place
from stripread.errors import PhotoUnfitError
from stripread.geometry import Float
from stripread.i18n import Message

__all__ = ["CLIPPED_HIGH", "Corrected", "Correction", "PatchColours", "fit_correction"]

# Linear light beyond which a channel's mean is taken as clipped: codes 253 and 4 of 255.
CLIPPED_HIGH, CLIPPED_LOW = 0.982, 0.0012
_CLIPPED_SHARE = 0.02  # of a patch's pixels at the last code; a few specks of glare are dealt with by the robust mean
# A patch is left out when its left-out residual exceeds both: 6 robust standard deviations of patches as strong in
# colour, and 5 CIEDE2000. Enrolled prints of the simulator's seen conditions reach 4.9 in one patch of a thousand.
_OUTLIER_SIGMAS, _OUTLIER_DE00 = 6.0, 5.0
_CHROMA, _ENOUGH = 15.0, 6  # from where a patch is strong in colour; fewer of a sort tell no scatter
# The same for neutral patches by how much a channel's light departs from the other channels'.
_OUTLIER_TINT = 0.12
_ROUNDS = 5  # what lies on the card bends the first fit, so the worst go first
_LEAST_PATCHES, _LEAST_NEUTRALS = 8, 4
_ONE_STEP = 3.0  # L*: greys nearer than that to the lightest one are the same step
# Root-polynomial is kept only when its left-out residual is this much better: a tie goes to the plain map.
_BETTER = 0.95
# The spectral map is kept only when patches left out of it err by less than this share of what they do with the best
# plain map. On seen conditions they err by 0.17 to 0.35 of it (patch means), by 0.34 to 0.73 in whole photos, with
# spectra of another printer by 1.3 (median; those are left out for their colours). Spectra that have the right colours
# but another printer's shapes pass; with them a pad errs no further than with the plain map.
_SPECTRAL_BETTER = 0.85
# Spectra that fit no lamp and camera are explained away by what d may be, and the matrix is then far from right: alone
# it errs by 7 CIEDE2000 or more; with true spectra by 1 to 2 times what the plain linear map does (seen patch means).
_MATRIX_WORSE = 3.0
_TONE_ROUNDS = 3  # tone curve and spectral map in turn; three more change a colour by hundredths of a Delta E
# Stray light, of full scale, and the change of colour at which a patch counts half; 0.2 and 1 do as well (seen part).
_STRAY, _STRAY_DELTA_E = 0.002, 0.4
# Of the light under a pad, relative. The first was judged on simulated photos of the seen part by the coverage of the
# pads' lightness, for prints whose patches' own errors are not known.
_U_LIGHT_SHARE, _U_LIGHT_LEAST = 0.3, 0.002
# A pad stands between plastic and the slot's ground, patches between patches: what phones of the seen looks did to a
# pad's lightness, against the scatter by place of the card's greys in the same photo (maximum likelihood, 104 photos
# against the same ones without their effects: 1.9, 1.7 to 2.15).
_BY_PLACE = 1.9
# What tone curve and light of a well furnished card leave open, relative: 0.002 to 0.005 on the project's own, where
# `u_light` and the constants of the mismatch were judged, so that they hold it already.
_OPEN_USUAL = 0.006


@dataclass(frozen=True, slots=True, kw_only=True)
class PatchColours:
    """What the photo shows of a card's patches.

    Attributes
    ----------
    ids : tuple of str
    places_mm : ndarray (n, 2)
        Centres on the card. [mm]
    linear : ndarray (n, 3)
        Mean decoded value, 0 to 1 (sRGB primaries).
    clipped_share : ndarray (n,)
        Share of pixels at the last code or at 0 in any channel.
    lab : ndarray (n, 3)
        Reference CIELAB.
    white, neutral : ndarray of bool (n,)
        Role ``white``; role ``white`` or ``grey``.
    card_size_mm : tuple
    reflectance : ndarray (n, 81) or None
        Measured spectra on `spectra.GRID_NM`, where the print has them.
    u_lab : float or None
        Standard uncertainty of each coordinate of ``lab`` by the print's measurement; None where it was never measured.
    """

    ids: tuple[str, ...]
    places_mm: Float
    linear: Float
    clipped_share: Float
    lab: Float
    white: NDArray[np.bool_]
    neutral: NDArray[np.bool_]
    card_size_mm: tuple[float, float]
    reflectance: Float | None = None
    u_lab: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Corrected:
    """A decoded value at a place on the card, corrected, and what its colour depends on.

    Attributes
    ----------
    lab : ndarray (3,)
        CIELAB.
    jacobian : ndarray (3, 3)
        Its derivative by the decoded value.
    light_gradient : ndarray (3,)
        Its change per relative change of the light at the place.
    u_open : ndarray (3, 3)
        Its covariance by what the greys leave open of tone curve and light, beyond what is usual. Nothing on a card
        whose greys span its lightness and its place; much far from a single row of greys, or where the value is
        brighter than all patches that could be used.
    stated_mismatch : ndarray (3, 3) or None
        Its covariance that the spectral map states; None of a plain map.
    """

    lab: Float
    jacobian: Float
    light_gradient: Float
    u_open: Float
    stated_mismatch: Float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Correction:
    """The way from linear RGB at a place on the card to CIELAB, and how good it is.

    Attributes
    ----------
    clipped, disagreeing : tuple of str
        Patches left out because they are clipped, or because they do not fit the others.
    left_out : ndarray (n, 3)
        CIELAB residual of each patch when it is left out of the fit of the best plain map (NaN where clipped). It
        shows what light and phone are like, also where the spectral map is used.
    de00 : ndarray (n,)
        CIEDE2000 of the patches left out of the map that is used.
    linear_misfit : float
        Mean CIEDE2000 of the patches used, each left out in turn of a plain linear map.
    taken_away : float
        How much of the white's light in one channel the plain linear map takes away to get another colour, the largest
        of the three: 0 in lamps that hold all colours, where the phone has worked them out already.
    mismatch : MismatchConstants
        How the left-out residuals tell of the error of a pad.
    """

    patches: PatchColours
    tone: ToneAndLight
    map: ColourMap | SpectralMap
    clipped: tuple[str, ...]
    disagreeing: tuple[str, ...]
    used: NDArray[np.bool_]
    left_out: Float
    de00: Float
    linear_misfit: float
    taken_away: float
    mismatch: MismatchConstants = CONSTANTS

    @property
    def white(self) -> NDArray[np.bool_]:
        """Patches (n,) that stand for white: the whites that are used, or the lightest step of grey."""
        return _white(self.patches, self.used)

    @property
    def residuals(self) -> Float:
        """CIELAB residuals (n, 3) of the patches used, each left out in turn; NaN for the others."""
        result: Float = np.where(self.used[:, None], self.left_out, np.nan)
        return result

    @property
    def residual_de00_mean(self) -> float:
        """Mean CIEDE2000 of the patches used, each left out in turn."""
        return float(np.mean(self.de00[self.used]))

    @property
    def residual_de00_max(self) -> float:
        """Largest CIEDE2000 of the patches used, each left out in turn."""
        return float(np.max(self.de00[self.used]))

    @property
    def u_light(self) -> float:
        """Standard uncertainty of the light under the pad, relative.

        It is interpolated from some dozens of neutral patches, whose scatter about the fit is partly their own. Where
        the print was measured, that part is known and taken off; what is left tells of a phone that maps tones by their
        surroundings. What the smooth surface misses is taken as `_U_LIGHT_SHARE` of the whole scatter at least.
        """
        patches, neutral = self.patches, self.used & self.patches.neutral
        least = float(np.hypot(_U_LIGHT_SHARE * self.tone.scatter, _U_LIGHT_LEAST))
        if patches.u_lab is None:
            return least
        noise = patches.u_lab**2 * np.sum(_log_light_gradient(patches.lab[neutral]) ** 2, axis=1)
        by_place = scatter_by_place(self.tone.residual, patches.linear[neutral], noise)
        return max(least, float(np.hypot(_BY_PLACE * by_place, _U_LIGHT_LEAST)))

    def scene(self, linear: Float, places_mm: Float) -> Float:
        """Scene RGB (n, 3), tone curve undone and light divided out."""
        return self.tone.undo(np.atleast_2d(linear), np.atleast_2d(places_mm))

    def lab(self, linear: Float, places_mm: Float) -> Float:
        """CIELAB (n, 3) of decoded values (n, 3) at places (n, 2)."""
        return self.map.lab(self.scene(linear, places_mm))

    def at(self, linear: Float, place_mm: Float) -> Corrected:
        """Correct one decoded value (3,) at a place (2,) on the card."""
        scene = self.scene(linear, place_mm)[0]
        chain = self.map.jacobian(scene) * scene
        return Corrected(
            lab=self.map.lab(scene),
            jacobian=chain * self.tone.slope(linear) / np.maximum(linear, LOWEST),
            light_gradient=chain.sum(axis=1),
            u_open=self._open_covariance(linear, place_mm, chain),
            stated_mismatch=self.map.mismatch(scene) if isinstance(self.map, SpectralMap) else None,
        )

    def _open_covariance(self, linear: Float, place_mm: Float, chain: Float) -> Float:
        patches, white = self.patches, self.white
        relative = self.tone.scene_covariance(linear, place_mm, patches.linear[white], patches.places_mm[white])
        widest = float(np.linalg.eigvalsh(relative)[-1])
        covariance: Float = max(0.0, 1 - _OPEN_USUAL**2 / widest) * chain @ relative @ chain.T
        return covariance


def fit_correction(patches: PatchColours, *, spectral: bool = False) -> Correction:
    """Fit the correction of one photo.

    Parameters
    ----------
    patches : PatchColours
    spectral : bool
        Whether the spectral map may be used, where the patches have spectra and it is better.

    Raises
    ------
    PhotoUnfitError
        If fewer than 8 patches, or fewer than 4 neutral ones, are usable, or neither white nor the next grey.
    """
    extreme = (patches.linear.max(axis=1) > CLIPPED_HIGH) | (patches.linear.min(axis=1) < CLIPPED_LOW)
    clipped = extreme | (patches.clipped_share > _CLIPPED_SHARE)
    used = ~clipped
    trust = _trust(patches.lab)
    for _ in range(_ROUNDS):
        _check(patches, used, clipped)
        correction = _fit(patches, used, clipped, trust)
        far = _far_off(correction) & (correction.de00 > _OUTLIER_DE00)
        now = ~clipped & ~far & ~_off_grey(correction)
        if np.array_equal(now, used) or now.sum() < used.sum() // 2:
            break
        used = now
    if spectral and patches.reflectance is not None:
        return _with_spectra(correction, patches.reflectance)
    return correction


def _with_spectra(plain: Correction, reflectance: Float) -> Correction:
    """Return the correction with a spectral map, or the plain one where that does not predict patches much better.

    A printed grey is no neutral spectrum: camera and lamp see it tinted. Once they are known, the tone curve is fitted
    again to what the greys are expected to look like.
    """
    patches, used = plain.patches, plain.used
    if np.mean(delta_e_2000(xyz_to_lab(spectra_to_xyz(reflectance)), patches.lab)) > LARGEST_DISAGREEMENT:
        return plain  # spectra of something else
    neutral = used & patches.neutral
    fitted = fit_spectral_map(plain.tone.undo(patches.linear, patches.places_mm), reflectance, used)
    for _ in range(_TONE_ROUNDS):
        tone = _fit_tone(patches, used, fitted.seen(reflectance[neutral]))
        scene = tone.undo(patches.linear, patches.places_mm)
        fitted = fit_spectral_map(scene, reflectance, used, noise=fitted.noise)
    de00 = np.where(np.isnan(plain.de00), np.nan, delta_e_2000(patches.lab + fitted.left_out, patches.lab))
    alone = delta_e_2000(xyz_to_lab(np.maximum(scene @ fitted.matrix.T, 1e-6)), patches.lab)
    too_far = np.mean(alone[used]) > _MATRIX_WORSE * plain.linear_misfit
    if too_far or np.mean(de00[used]) > _SPECTRAL_BETTER * plain.residual_de00_mean:
        return plain
    return replace(plain, tone=tone, map=fitted, de00=de00)


def _far_off(correction: Correction) -> NDArray[np.bool_]:
    """Return the patches whose left-out residual is no longer usual in this photo for a colour so strong.

    What lamp and phone do to colours grows with their chroma, and is largest at the edge of the inks' gamut, where no
    other patch is near: taken for one scatter of all, that looks like a thing on the card.
    """
    used, lab = correction.used, correction.patches.lab
    size, chroma = np.linalg.norm(correction.left_out, axis=1), np.hypot(lab[:, 1], lab[:, 2])
    usual = np.full(len(size), 1.4826 * np.median(size[used]))
    weak, strong = used & (chroma < _CHROMA), used & (chroma >= _CHROMA)
    if min(weak.sum(), strong.sum()) >= _ENOUGH:
        low, high = 1.4826 * np.median(size[weak]), 1.4826 * np.median(size[strong])
        from_chroma, to_chroma = np.median(chroma[weak]), np.median(chroma[strong])
        slope = max(0.0, float((high - low) / (to_chroma - from_chroma)))
        usual = np.maximum(usual, low + slope * (chroma - from_chroma))
    far: NDArray[np.bool_] = size > _OUTLIER_SIGMAS * usual
    return far


def _off_grey(correction: Correction) -> NDArray[np.bool_]:
    """Return the neutral patches whose channels disagree: something lies on them. A shadow takes all channels alike."""
    patches, neutral = correction.patches, correction.patches.neutral
    target = np.maximum(linear_srgb(patches.lab[neutral]), 1e-4)
    scene = correction.scene(patches.linear[neutral], patches.places_mm[neutral])
    log_ratio = np.log(np.maximum(scene, 1e-4) / target)
    tint = np.abs(log_ratio - log_ratio.mean(axis=1, keepdims=True)).max(axis=1)
    usual = 1.4826 * float(np.median(tint[correction.used[neutral]]))
    off = np.zeros(len(neutral), dtype=np.bool_)
    off[neutral] = tint > max(_OUTLIER_SIGMAS * usual, _OUTLIER_TINT)
    return off


def _white(patches: PatchColours, used: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Return the patches that stand for white: whites, or the next grey where none is usable. One step and no more."""
    white: NDArray[np.bool_] = used & patches.white
    if white.any():
        return white
    grey = patches.neutral & ~patches.white
    if not patches.white.any() or not grey.any():
        return white
    lightest: NDArray[np.bool_] = used & grey & (patches.lab[:, 0] > patches.lab[grey, 0].max() - _ONE_STEP)
    return lightest


def _check(patches: PatchColours, used: NDArray[np.bool_], clipped: NDArray[np.bool_]) -> None:
    neutrals, whites = int((used & patches.neutral).sum()), int((used & patches.white).sum())
    if used.sum() >= _LEAST_PATCHES and neutrals >= _LEAST_NEUTRALS and _white(patches, used).any():
        return
    bright = int((patches.linear.max(axis=1) > CLIPPED_HIGH).sum())
    raise PhotoUnfitError(
        expected=Message(
            "at least %(least)s usable patches, %(neutrals)s of them neutral, with white or the next grey among them",
            least=_LEAST_PATCHES,
            neutrals=_LEAST_NEUTRALS,
        ),
        found=Message(
            "%(usable)s usable (%(neutrals)s neutral, %(whites)s white); %(clipped)s clipped, %(bright)s of them "
            "too bright",
            usable=int(used.sum()),
            neutrals=neutrals,
            whites=whites,
            clipped=int(clipped.sum()),
            bright=bright,
        ),
        remedy=Message(
            "Retake the photo: tap on the white of the card so that the phone exposes for it, and "
            "keep all of the card in view, dry and uncovered."
        ),
    )


def _log_light_gradient(lab: Float) -> Float:
    """Differentiate the mean of the channels' logarithms by CIELAB (n, 3), by central differences; shape (n, 3)."""
    step = 1e-2
    up, down = (np.maximum(linear_srgb(lab[:, None] + sign * step * np.eye(3)), LOWEST) for sign in (1, -1))
    gradient: Float = (np.log(up) - np.log(down)).mean(axis=2) / (2 * step)
    return gradient


def _trust(lab: Float) -> Float:
    """Weights of patches by what a little stray light, or noise cut off at black, does to their CIELAB.

    Dark saturated patches change by several Delta E, light ones by a few tenths.
    """
    sensitivity = np.linalg.norm(lab_jacobian(lab_to_xyz(lab)) * d50_white(), axis=(1, 2))
    weights: Float = 1 / (1 + (_STRAY * sensitivity / _STRAY_DELTA_E) ** 2)
    return weights


def _fit_tone(patches: PatchColours, used: NDArray[np.bool_], neutral_rgb: Float) -> ToneAndLight:
    """Fit tone curve and light to the neutral patches that are used, whose scene RGB should be ``neutral_rgb``."""
    neutral = used & patches.neutral
    return fit_tone_and_light(
        patches.linear[neutral],
        patches.places_mm[neutral],
        neutral_rgb,
        code_range=np.array([patches.linear[used].min(axis=0), patches.linear[used].max(axis=0)]),
        card_size_mm=patches.card_size_mm,
    )


def _fit(patches: PatchColours, used: NDArray[np.bool_], clipped: NDArray[np.bool_], trust: Float) -> Correction:
    tone = _fit_tone(patches, used, linear_srgb(patches.lab[used & patches.neutral]))
    scene = tone.undo(patches.linear, patches.places_mm)
    weights = np.where(used, trust, 0.0)
    white = _white(patches, used)
    methods = [name for name, method in METHODS.items() if used.sum() >= method.least_patches]
    maps = [fit_map(scene, patches.lab, white, weights, method=method) for method in methods]
    apart = delta_e_2000(patches.lab + np.stack([m.left_out for m in maps]), np.stack([patches.lab] * len(maps)))
    errors = [float(np.mean(de00[used])) for de00 in apart]
    best = int(np.argmin(errors))
    best = best if errors[best] < _BETTER * errors[0] else 0
    chosen = maps[best]
    left_out = np.where(clipped[:, None], np.nan, chosen.left_out)
    de00 = np.where(clipped, np.nan, apart[best])
    ids = np.array(patches.ids)
    return Correction(
        patches=patches,
        tone=tone,
        map=chosen,
        clipped=tuple(ids[clipped].tolist()),
        disagreeing=tuple(ids[~used & ~clipped].tolist()),
        used=used,
        left_out=left_out,
        de00=de00,
        linear_misfit=errors[0],
        taken_away=float(np.maximum(-maps[0].coefficients, 0).sum(axis=1).max()),
    )
