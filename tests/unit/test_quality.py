"""Judgements of photos on drawn edges, simulated patch colours and drawn slots."""

from dataclasses import replace
from functools import lru_cache

import cv2
import numpy as np
import pytest

from stripread.card import design_card
from stripread.colour import Correction, PatchColours, fit_correction
from stripread.errors import PhotoUnfitError
from stripread.findings import Finding
from stripread.geometry import Float, Rect
from stripread.photo import GroundLight, Photo, judge_pad, measure_ground
from stripread.photo.blur import measure_blur
from stripread.photo.quality import _median_of_known, judge_correction, judge_exposure, judge_light, judge_patches
from stripread.simulate.optics.cameras import make_phone
from stripread.simulate.optics.inks import print_card
from tests.fitting.patches import simulate_means
from tests.listed import each

CARD = design_card()
SCALE = 8.0  # px per mm of the drawn square


@lru_cache
def patches() -> PatchColours:
    printed = print_card(CARD.patch_lab, np.array([60.0, 0.0, 0.0]), printer_seed=3)
    return simulate_means(
        CARD, printed, "D65", make_phone(5), np.zeros((0, 81)), np.random.default_rng(9)
    ).patches  # light falls by 20 %


def corrected(linear: Float | None = None) -> Correction:
    return fit_correction(patches() if linear is None else replace(patches(), linear=linear))


def codes(findings: list[Finding]) -> list[str]:
    return [f.code for f in findings]


def changed(where: Rect, factor: Float | float) -> Float:
    """Patch colours with those inside a rectangle multiplied."""
    x, y = patches().places_mm.T
    inside = (x > where.x) & (x < where.x + where.width) & (y > where.y) & (y < where.y + where.height)
    return np.where(inside[:, None], patches().linear * factor, patches().linear)


def photo_of(light: Float) -> Photo:
    codes = np.arange(65536) / 65535
    return Photo(
        name="drawn", sha256="0" * 64, format="tiff", pixels=np.round(light * 65535).astype(np.uint16), reduction=1,
        full_size=(light.shape[1], light.shape[0]), decode_table=np.stack([codes] * 3, axis=1).astype(np.float32),
        to_srgb=np.eye(3), taken_at=None, camera=None,
    )  # fmt: skip


def square(sigma_px: tuple[float, float]) -> tuple[Photo, Float, Float]:
    """A black square of 15 mm on white, blurred along x and y; its homography and corners."""
    light = np.full((320, 320, 3), 0.8)
    light[100:220, 100:220] = 0.03
    blurred = cv2.GaussianBlur(light, (0, 0), sigmaX=sigma_px[0], sigmaY=sigma_px[1])
    homography = np.array([[SCALE, 0, 99.5], [0, SCALE, 99.5], [0, 0, 1.0]])
    return photo_of(blurred), homography, Rect(0, 0, 15, 15).corners


@each("sigma", [(1.5, 1.5), (4.0, 4.0), (1.5, 5.0)])
def test_blur_is_measured_across_edges_of_either_direction(sigma: tuple[float, float]) -> None:
    photo, homography, corners = square(sigma)
    blur = measure_blur(photo, homography, [corners])
    assert blur is not None
    np.testing.assert_allclose(blur.px, sigma, rtol=0.08)
    np.testing.assert_allclose(blur.mm, np.array(sigma) / SCALE, rtol=0.08)


def test_no_blur_is_stated_where_no_edge_shows() -> None:
    photo, homography, corners = square((1.0, 1.0))
    assert measure_blur(replace(photo, pixels=np.full_like(photo.pixels, 30000)), homography, [corners]) is None
    assert measure_blur(photo, homography, []) is None


def test_good_patches_give_no_finding() -> None:
    correction = corrected()
    view = np.ones(len(patches().ids), dtype=bool)
    assert judge_exposure(correction, view) == []
    assert judge_light(correction, enrolled=True) == []
    assert judge_patches(correction, enrolled=True) == []
    assert judge_correction(correction, enrolled=True) == []


def test_lost_whites_are_counted_and_those_outside_the_picture_are_not() -> None:
    linear = patches().linear.copy()
    whites = np.flatnonzero(patches().white)
    linear[whites[: len(whites) // 2]] = 0.995
    correction = corrected(linear)
    view = np.ones(len(linear), dtype=bool)
    (finding,) = judge_exposure(correction, view)
    assert finding.code == "photo_clipped"
    assert f"{len(whites) // 2} of {len(whites)} white" in str(finding.message)
    view[whites[: len(whites) // 2]] = False
    assert judge_exposure(correction, view) == []


def test_a_dark_white_is_found() -> None:
    assert codes(judge_exposure(corrected(patches().linear * 0.15), np.ones(len(patches().ids), dtype=bool))) == [
        "photo_dark"
    ]


def test_a_shadow_over_some_patches_is_told_from_a_thing_on_them() -> None:
    corner = Rect(120, 60, 70, 70)
    assert codes(judge_light(corrected(changed(corner, 0.75)), enrolled=True)) == ["shadow_edge"]
    coloured = judge_light(corrected(changed(corner, np.array([0.9, 0.5, 0.3]))), enrolled=True)
    assert "card_covered" in codes(coloured)
    assert "shadow_edge" not in codes(coloured)


def test_one_stained_grey_is_no_shadow() -> None:
    linear = patches().linear.copy()
    grey = np.flatnonzero(patches().neutral & ~patches().white)[3]
    linear[grey] *= 0.92
    assert "shadow_edge" not in codes(judge_light(corrected(linear), enrolled=True))


def test_light_that_changes_colour_is_mixed_and_light_that_falls_is_uneven() -> None:
    x = patches().places_mm[:, :1] / CARD.width_mm
    assert codes(judge_light(corrected(patches().linear * (1 - x * np.array([0.25, 0, 0]))), enrolled=True)) == [
        "mixed_light"
    ]
    assert codes(judge_light(corrected(patches().linear * (1 - 0.6 * x)), enrolled=True)) == ["uneven_light"]


def test_neighbours_that_disagree_are_covered_and_a_single_one_has_changed() -> None:
    odd = np.array([0.3, 0.9, 0.5])
    colours = [i for i, neutral in zip(patches().ids, patches().neutral, strict=True) if not neutral]
    pair = ["B4", "B5"] if {"B4", "B5"} <= set(colours) else _two_neighbours(colours)
    for names, code in ((pair, "card_covered"), (pair[:1], "patch_disagrees")):
        linear = patches().linear.copy()
        linear[[patches().ids.index(n) for n in names]] = odd * linear.max(axis=0) * 0.8
        correction = corrected(linear)
        assert set(correction.disagreeing) == set(names)
        (finding,) = judge_patches(correction, enrolled=True)
        assert finding.code == code
        assert all(n in str(finding.message) for n in names)


def _two_neighbours(colours: list[str]) -> list[str]:
    return next([a, f"{a[0]}{int(a[1:]) + 1}"] for a in colours if f"{a[0]}{int(a[1:]) + 1}" in colours)


def test_colours_that_do_not_match_are_doubted_and_hopeless_ones_refused() -> None:
    rng = np.random.default_rng(4)

    def printed_otherwise(delta_e: float) -> Correction:
        colour = ~patches().neutral[:, None]
        lab = patches().lab + colour * rng.normal(0, delta_e, patches().lab.shape)
        return fit_correction(replace(patches(), lab=lab))

    doubtful = printed_otherwise(2.0)
    assert 0.75 < doubtful.residual_de00_mean < 2.0
    assert codes(judge_correction(doubtful, enrolled=True)) == ["poor_correction"]
    assert judge_correction(doubtful, enrolled=False) == []
    # A card as far off as real phones leave theirs is read, enrolled or not.
    phone = printed_otherwise(6.0)
    assert 2.2 < phone.residual_de00_mean < 4.5
    assert codes(judge_correction(phone, enrolled=True)) == ["poor_correction"]
    assert codes(judge_correction(phone, enrolled=False)) == ["poor_correction"]
    with pytest.raises(PhotoUnfitError, match="grow lamps"):
        judge_correction(printed_otherwise(15.0), enrolled=True)


def test_light_without_a_part_of_the_colours_is_refused_by_what_the_map_takes_away() -> None:
    """Red-blue light: green is only what leaks into the channel, and is worked out as a difference."""
    leaks = np.array([[1.0, 0.0, 0.0], [0.3, 0.4, 0.3], [0.0, 0.0, 1.0]])
    poor = corrected(patches().linear @ leaks.T)
    assert poor.taken_away > 0.2
    assert corrected().taken_away < 0.05
    with pytest.raises(PhotoUnfitError, match="another channel is taken away"):
        judge_correction(poor, enrolled=True)


def one_row(photo: PatchColours, *, tilt: float = 0.0) -> PatchColours:
    """The same card with all its neutral patches but one of each lightness left out: a row of eight along the card."""
    grey = np.flatnonzero(photo.neutral)
    levels = np.round(photo.lab[:, 0] / 6)
    row = [grey[levels[grey] == level][0] for level in np.unique(levels[grey])]
    keep = np.sort([*np.flatnonzero(~photo.neutral), *row])
    places = photo.places_mm.copy()
    places[row] = [(20 + 20 * i, 60 + tilt * i) for i in range(len(row))]
    return PatchColours(
        ids=tuple(photo.ids[i] for i in keep), places_mm=places[keep], linear=photo.linear[keep],
        clipped_share=photo.clipped_share[keep], lab=photo.lab[keep], white=photo.lab[keep, 0] > 93,
        neutral=photo.neutral[keep], card_size_mm=photo.card_size_mm,
    )  # fmt: skip


def test_one_row_of_greys_cannot_tell_mixed_light_and_says_so() -> None:
    assert codes(judge_light(fit_correction(one_row(patches())), enrolled=True)) == ["light_unknown"]
    assert judge_light(corrected(), enrolled=True) == []


def test_what_one_row_leaves_open_is_stated_at_the_pad() -> None:
    pad, place = np.full(3, 0.3), np.array(CARD.patches[0].rect.centre)
    left_open = fit_correction(one_row(patches())).at(pad, place).u_open
    assert np.sqrt(np.trace(left_open)) > 1.0
    assert np.sqrt(np.trace(corrected().at(pad, place).u_open)) < 0.05


def clipped_white(*, also_the_next: bool = False) -> PatchColours:
    linear, neutral = patches().linear.copy(), patches().neutral
    lost = patches().white.copy()
    if also_the_next:
        lost |= neutral & ~lost & (patches().lab[:, 0] > patches().lab[neutral & ~lost, 0].max() - 3)
    linear[lost] = 0.995
    return replace(patches(), linear=linear)


def test_the_next_grey_stands_for_a_clipped_white_and_the_one_after_does_not() -> None:
    correction = fit_correction(clipped_white())
    assert set(codes(judge_exposure(correction, np.ones(len(patches().ids), dtype=bool)))) == {
        "photo_clipped",
        "grey_for_white",
    }
    middle = patches().linear[~patches().white & ~patches().neutral]
    places = patches().places_mm[~patches().white & ~patches().neutral]
    moved = np.linalg.norm(correction.lab(middle, places) - corrected().lab(middle, places), axis=1)
    assert np.median(moved) < 0.3
    # Over the grey the tone curve is a guess, and that is stated.
    white, place = patches().linear[patches().white][0] * 1.15, patches().places_mm[patches().white][0]
    assert correction.at(white, place).u_open[0, 0] > 4 * corrected().at(white, place).u_open[0, 0]
    with pytest.raises(PhotoUnfitError, match="the next grey"):
        fit_correction(clipped_white(also_the_next=True))


def test_a_phone_that_saturates_strong_colours_covers_no_patch() -> None:
    grey = patches().linear.mean(axis=1, keepdims=True)
    away = patches().linear - grey
    strength = np.linalg.norm(away, axis=1, keepdims=True) / grey
    strange = np.clip(grey + away * (1 + 0.35 * np.clip(strength - 0.5, 0, None) * np.sign(away[:, :1])), 0.003, 0.98)
    correction = corrected(strange)
    assert correction.residual_de00_max > 5.0
    assert correction.disagreeing == ()


def slot(change: float, from_mm: float, to_mm: float) -> Float:
    """A slot of 100 x 20 mm at 4 px/mm with a strip 80 x 6 mm in its middle; the ground is changed along a stretch."""
    view = np.full((80, 400, 3), 0.36)
    view[:, round(from_mm * 4) : round(to_mm * 4)] *= 1 + change
    view[28:52, 40:360] = 0.9
    return view.astype(np.float32)


def ground_in(view: Float) -> GroundLight:
    """The ground beside a pad 4.5 to 10.5 mm from the tip of the strip in such a slot."""
    ground = measure_ground(
        view,
        np.array([[4.0, 0, 40], [0, 4.0, 39.5]]),
        (np.array([4.0, 4.0]), np.array([396.0, 76.0])),
        length_mm=80,
        width_mm=6,
        pad_along_mm=(4.5, 10.5),
    )
    assert ground is not None
    return ground


@each(
    ("change", "place", "expected"),
    [(0.0, 12, []), (-0.1, 12, ["shadow_edge"]), (0.12, 12, ["glare_on_pad"]), (-0.1, 60, []), (0.12, 60, [])],
)
def test_the_ground_beside_the_pad_shows_shadow_and_mirrored_light(
    change: float, place: float, expected: list[str]
) -> None:
    ground = ground_in(slot(change, place, place + 12))
    findings = judge_pad("clo2", np.full(3, 0.3), corrected(), ground, shadow_known=False)
    assert codes(findings) == expected


def test_paper_beside_the_pad_is_no_mirrored_light() -> None:
    view = slot(0.0, 0, 0)
    view[:26, 50:90] = 0.85
    ground = ground_in(view)
    assert not judge_pad("clo2", np.full(3, 0.3), corrected(), ground, shadow_known=False)


def test_a_pad_brighter_than_every_usable_patch_is_named() -> None:
    findings = judge_pad("clo2", np.array([0.98, 0.7, 0.7]), corrected(), None, shadow_known=False)
    assert codes(findings) == ["photo_clipped"]


@each(("scale", "add", "veiled"), [(1.0, 0.03, True), (1.2, 0.0, False), (1.0, 0.005, False)])
def test_light_mirrored_over_the_pad_is_told_from_more_light_by_the_plastic(
    scale: float, add: float, veiled: bool
) -> None:
    view = slot(0.0, 0, 0)
    view[:, 40:120] = view[:, 40:120] * scale + add
    ground = ground_in(view)
    assert ground.veiled is veiled


def test_median_of_what_is_known_is_that_of_numpy() -> None:
    rng = np.random.default_rng(4)
    cells = rng.random((40, 9))
    cells[rng.random(cells.shape) < np.linspace(0, 1, 40)[:, None]] = np.nan
    cells[0], cells[-1] = np.arange(9.0), np.nan
    enough = np.isfinite(cells).sum(axis=1) >= 3
    assert 5 < enough.sum() < 38
    expected = np.full(40, np.nan)
    expected[enough] = np.nanmedian(cells[enough], axis=1)
    np.testing.assert_array_equal(_median_of_known(cells, least=3), expected)


@each("reduction", [1, 2])
def test_blur_in_full_size_pixels_does_not_depend_on_the_reduction(reduction: int) -> None:
    square = Rect(10, 10, 15, 15).corners
    picture = np.full((600, 600, 3), 220, dtype=np.uint8)
    low, high = round(10 * SCALE), round(25 * SCALE)
    picture[low:high, low:high] = 20
    picture = np.asarray(cv2.GaussianBlur(picture, (0, 0), 6 / reduction), dtype=np.uint8)
    code = np.linspace(0, 1, 256, dtype=np.float32)
    photo = Photo(
        name="x", sha256="", format="jpeg", pixels=picture, reduction=reduction,
        full_size=(600 * reduction, 600 * reduction), decode_table=np.stack([code] * 3, axis=1), to_srgb=np.eye(3),
        taken_at=None, camera=None,
    )  # fmt: skip
    k = SCALE * reduction
    blur = measure_blur(photo, np.array([[k, 0, -0.5], [0, k, -0.5], [0, 0, 1.0]]), [square])
    assert blur is not None
    assert blur.worst_px == pytest.approx(6, rel=0.05)
    assert blur.worst_mm == pytest.approx(6 / k, rel=0.05)
