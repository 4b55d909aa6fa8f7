"""Finding the card in drawn scenes with a known pose."""

from dataclasses import replace

import cv2
import numpy as np
import pytest
from card_scenes import Conditions, bench, photo_of, pose_homography, put_bent_card, put_card, scene, small_card

from stripread.card import CardLayout, CardPose, design_card, find, find_card
from stripread.card.markers import refine_corners
from stripread.errors import (
    CardBentError,
    CardFileError,
    CardNotFoundError,
    MirroredPhotoError,
    SeveralCardsError,
)
from stripread.geometry import Float, Rect, apply_homography
from tests.listed import each

SMALL = (1632, 1224)  # 2 megapixels


@pytest.fixture(scope="module")
def card() -> CardLayout:
    return design_card()


def strays(pose: CardPose, truth: Float, card: CardLayout) -> Float:
    """Distances of the patch centres from their true places. [full-size px]"""
    centres = np.array([p.rect.centre for p in card.patches])
    difference = apply_homography(pose.homography, centres) - apply_homography(truth, centres)
    return np.linalg.norm(difference, axis=1)


def codes(pose: CardPose) -> set[str]:
    return {f.code for f in pose.findings}


@pytest.mark.slow
def test_patch_centres_are_within_three_tenths_of_a_pixel_in_normal_photos(card: CardLayout) -> None:
    rng = np.random.default_rng(11)
    off = []
    for seed in range(8):
        photo, truth = scene(
            card, seed=seed, share=rng.uniform(0.35, 0.95), turn_deg=rng.uniform(0, 360), tilt_deg=rng.uniform(0, 30),
            tilt_towards_deg=rng.uniform(0, 360), centre=tuple(rng.random(2)),
        )  # fmt: skip
        pose = find_card(photo, card)
        assert len(pose.markers_found) == 4
        assert pose.findings == ()
        off.append(strays(pose, truth, card))
    assert np.percentile(np.concatenate(off), 95) < 0.3


@pytest.mark.slow
@each("share", [0.2, 0.6, 1.0])
@each(
    "how",
    [Conditions(blur_modules=0.33), Conditions(shadow=True), Conditions(noise=8, quality=70), Conditions(gain=0.12)],
)
def test_patch_centres_are_within_a_pixel_in_hard_photos(card: CardLayout, how: Conditions, share: float) -> None:
    rng = np.random.default_rng(int(100 * share))
    photo, truth = scene(
        card, seed=5, full_size=SMALL, reduction=1, share=share, turn_deg=rng.uniform(0, 360), tilt_deg=40,
        tilt_towards_deg=rng.uniform(0, 360), centre=tuple(rng.random(2)), how=how,
    )  # fmt: skip
    pose = find_card(photo, card)
    assert strays(pose, truth, card).max() < 1
    assert "card_bent" not in codes(pose)


@each("corner", range(4))
def test_three_markers_suffice_and_the_missing_one_is_named(card: CardLayout, corner: int) -> None:
    hidden = card.markers[corner].id
    photo, truth = scene(
        card, seed=corner, full_size=SMALL, reduction=1, share=0.5, turn_deg=100.0 * corner, tilt_deg=25,
        hidden=(hidden,),
    )  # fmt: skip
    pose = find_card(photo, card)
    assert pose.markers_found == tuple(m.id for m in card.markers if m.id != hidden)
    assert np.percentile(strays(pose, truth, card), 95) < 1  # worst at the missing corner, where the pose is stretched
    (finding,) = pose.findings
    assert finding.code == "marker_missing"
    assert ("top left", "top right", "bottom right", "bottom left")[corner] in str(finding.message)


@pytest.mark.slow
@each(("reduction", "size"), [(1, (4032, 3024)), (2, (4032, 3024)), (4, (8160, 6120))])
def test_points_are_those_of_the_full_size_photo_at_any_reduction(
    card: CardLayout, reduction: int, size: tuple[int, int]
) -> None:
    photo, truth = scene(
        card, seed=2, full_size=size, reduction=reduction, share=0.7, turn_deg=12, tilt_deg=10,
        decode_reduced=size[0] < 5000,
    )  # fmt: skip
    pose = find_card(photo, card)
    assert strays(pose, truth, card).max() < 0.1 * reduction  # a shift by half a decoded pixel would be 0.5
    assert pose.homography[2, 2] == 1
    np.testing.assert_allclose(pose.corners_px, apply_homography(truth, card.corners_mm), atol=0.3 * reduction)


def test_scale_and_tilt_are_those_of_the_pose(card: CardLayout) -> None:
    photo, truth = scene(card, seed=4, full_size=SMALL, reduction=1, share=0.5, turn_deg=70, tilt_deg=30)
    pose = find_card(photo, card)
    assert pose.tilt_deg == pytest.approx(30, abs=1)
    middle = Rect(0, 0, card.width_mm, card.height_mm).centre
    square = apply_homography(truth, Rect(*(middle - 0.05), 0.1, 0.1).corners)
    edges = np.diff(square, axis=0)
    assert pose.px_per_mm == pytest.approx(10 * np.sqrt(abs(np.linalg.det(edges[:2]))), rel=1e-3)
    assert 0 < pose.reprojection_rms_px < 0.3
    assert 0 < pose.reprojection_max_mm < 0.3


def test_sixteen_bit_pixels_give_the_same_pose(card: CardLayout) -> None:
    photo, _ = scene(card, seed=4, full_size=SMALL, reduction=1, share=0.5)
    deep = photo_of(photo.pixels.astype(np.uint16) * np.uint16(257), full_size=SMALL)
    np.testing.assert_allclose(find_card(deep, card).corners_px, find_card(photo, card).corners_px, atol=0.02)


@pytest.mark.slow
@each("dictionary", ["DICT_5X5_100", "DICT_6X6_250", "DICT_APRILTAG_36h11", "DICT_ARUCO_ORIGINAL"])
def test_any_dictionary_and_any_ids_serve(dictionary: str) -> None:
    card = small_card(dictionary, (17, 3, 99, 42))
    photo, truth = scene(card, seed=1, full_size=SMALL, reduction=1, share=0.5, turn_deg=200, tilt_deg=20)
    pose = find_card(photo, card)
    assert pose.markers_found == (17, 3, 99, 42)
    assert strays(pose, truth, card).max() < 0.5


def test_three_markers_anywhere_make_a_card() -> None:
    card = small_card()
    markers = (replace(card.markers[0], corners_mm=Rect(90, 50, 12, 12).corners), *card.markers[2:])
    card = replace(card, markers=markers)
    photo, truth = scene(card, seed=1, full_size=SMALL, reduction=1, share=0.6, turn_deg=20)
    assert strays(find_card(photo, card), truth, card).max() < 0.5


def test_unknown_dictionary_is_the_fault_of_the_card_file(card: CardLayout) -> None:
    photo = photo_of(np.zeros((60, 80, 3), np.uint8), full_size=(80, 60))
    for name in ("DICT_9X9_50", "Dictionary", "DICT_", "4X4"):
        with pytest.raises(CardFileError, match="dictionary"):
            find_card(photo, replace(card, dictionary=name))


def test_id_beyond_the_dictionary_is_the_fault_of_the_card_file(card: CardLayout) -> None:
    photo = photo_of(np.zeros((60, 80, 3), np.uint8), full_size=(80, 60))
    markers = (replace(card.markers[0], id=50), *card.markers[1:])
    with pytest.raises(CardFileError, match=r"from 0 to 49.*50"):
        find_card(photo, replace(card, markers=markers))


def test_two_covered_markers_raise_with_their_places(card: CardLayout) -> None:
    hidden = (card.markers[0].id, card.markers[2].id)
    photo, _ = scene(card, seed=1, full_size=SMALL, reduction=1, share=0.5, hidden=hidden)
    with pytest.raises(CardNotFoundError) as caught:
        find_card(photo, card)
    assert "missing: top left, bottom right" in str(caught.value.found)
    assert str(caught.value.found).startswith("top right, bottom left")


@pytest.mark.slow
@each("seed", range(6))
def test_bench_without_card_shows_none(card: CardLayout, seed: int) -> None:
    pixels = bench(SMALL, np.random.default_rng(seed), pieces=250)
    with pytest.raises(CardNotFoundError, match="found none"):
        find_card(photo_of(pixels, full_size=SMALL), card)


@each("value", [0, 128, 255])
def test_even_picture_shows_no_card(card: CardLayout, value: int) -> None:
    for size in ((1, 1), (7, 5), (640, 480)):
        with pytest.raises(CardNotFoundError):
            find_card(photo_of(np.full((size[1], size[0], 3), value, np.uint8), full_size=size), card)


def test_mirrored_photo_is_told_from_a_missing_card(card: CardLayout) -> None:
    photo, _ = scene(card, seed=3, full_size=SMALL, reduction=1, share=0.6, turn_deg=30, tilt_deg=20)
    with pytest.raises(MirroredPhotoError):
        find_card(replace(photo, pixels=np.ascontiguousarray(photo.pixels[:, ::-1])), card)


def test_two_cards_are_refused(card: CardLayout) -> None:
    picture = bench(SMALL, np.random.default_rng(0))
    put_card(picture, card, pose_homography(card, SMALL, share=0.45, turn_deg=10, centre=(0.02, 0.1)))
    put_card(picture, card, pose_homography(card, SMALL, share=0.35, turn_deg=-30, centre=(0.98, 0.9)))
    with pytest.raises(SeveralCardsError):
        find_card(photo_of(picture, full_size=SMALL), card)


@each("smaller", [0.6, 0.8])
def test_a_smaller_second_card_is_seen_at_a_glance(card: CardLayout, smaller: float) -> None:
    size = (2016, 1512)
    picture = bench(size, np.random.default_rng(1))
    put_card(picture, card, pose_homography(card, size, share=0.6, turn_deg=0, centre=(0.0, 0.0)))
    put_card(picture, card, pose_homography(card, size, share=0.6 * smaller, turn_deg=90, centre=(1.0, 1.0)))
    with pytest.raises(SeveralCardsError):
        find_card(photo_of(picture, full_size=(4032, 3024), reduction=2), card)


@pytest.mark.slow
@pytest.mark.parametrize("share", [0.95, 0.5, 0.35])
def test_a_glance_places_the_card_as_the_whole_search_does(
    card: CardLayout, share: float, monkeypatch: pytest.MonkeyPatch
) -> None:
    photo, truth = scene(card, seed=6, share=share, turn_deg=80, tilt_deg=25, how=Conditions(blur_modules=0.2, noise=4))
    searched = []
    search = find._search
    monkeypatch.setattr(find, "_search", lambda *args, **more: searched.append(1) or search(*args, **more))
    quick = find_card(photo, card)
    assert not searched
    monkeypatch.setattr(find, "_glance", lambda *_: [])
    thorough = find_card(photo, card)
    assert searched
    assert np.abs(strays(quick, truth, card) - strays(thorough, truth, card)).max() < 0.1
    assert strays(quick, truth, card).max() < 1


def test_a_glance_leaves_a_card_with_a_covered_marker_to_the_whole_search(
    card: CardLayout, monkeypatch: pytest.MonkeyPatch
) -> None:
    photo, _ = scene(card, seed=1, share=0.9, hidden=(card.markers[1].id,))
    searched = []
    search = find._search
    monkeypatch.setattr(find, "_search", lambda *args, **more: searched.append(1) or search(*args, **more))
    assert len(find_card(photo, card).markers_found) == 3
    assert searched


def test_markers_refined_together_land_where_each_would_alone(card: CardLayout) -> None:
    photo, truth = scene(card, seed=3, share=0.6, turn_deg=33, tilt_deg=35)
    grey = np.asarray(cv2.cvtColor(photo.pixels, cv2.COLOR_RGB2GRAY), dtype=np.uint8)
    corners = np.stack([photo.from_full(apply_homography(truth, m.corners_mm)) for m in card.markers])
    rough = corners + np.random.default_rng(0).uniform(-2, 2, corners.shape)
    nowhere = corners[:1] * 0 + np.array([[5.0, 5.0], [45.0, 5.0], [45.0, 45.0], [5.0, 45.0]])  # even ground or clutter
    together = refine_corners(grey, np.concatenate([rough, nowhere]), 6)
    alone = [refine_corners(grey, one[None], 6)[0] for one in (*rough, *nowhere)]
    np.testing.assert_allclose(together, alone, atol=1e-6)
    assert np.abs(together[:4] - corners).max() < 0.3
    tiny = nowhere / 20  # less than a pixel a module: stays as it was
    np.testing.assert_array_equal(refine_corners(grey, tiny, 6), tiny)


def test_stray_marker_of_the_card_on_the_bench_does_not_move_the_pose(card: CardLayout) -> None:
    picture = bench(SMALL, np.random.default_rng(0), clutter=False)
    truth = pose_homography(card, SMALL, share=0.5, turn_deg=5, centre=(0.05, 0.05))
    put_card(picture, card, truth, hidden=(card.markers[2].id,))
    dictionary = cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, card.dictionary))
    picture[1050:1130, 1450:1530] = 235
    picture[1060:1120, 1460:1520] = cv2.aruco.generateImageMarker(dictionary, card.markers[2].id, 60)[..., None]
    pose = find_card(photo_of(picture, full_size=SMALL), card)
    assert card.markers[2].id not in pose.markers_found
    assert strays(pose, truth, card).max() < 0.5


def leaving_by(card: CardLayout, mm: float) -> CardPose:
    """The pose of a turned card whose leftmost corner lies outside the picture."""
    picture = bench(SMALL, np.random.default_rng(0))
    truth = pose_homography(card, SMALL, share=0.5, turn_deg=20, centre=(0.3, 0.5))
    left = apply_homography(truth, card.corners_mm)[:, 0].min() + mm * 0.5 * SMALL[0] / card.width_mm
    put_card(picture, card, np.array([[1, 0, -left], [0, 1, 0], [0, 0, 1]]) @ truth)
    return find_card(photo_of(picture, full_size=SMALL), card)


def test_card_whose_print_leaves_the_picture_is_noted() -> None:
    (finding,) = (f for f in leaving_by(design_card(), 12.0).findings if f.code == "card_covered")
    assert "bottom left" in str(finding.message)


def test_a_bare_margin_outside_the_picture_covers_nothing() -> None:
    pose = leaving_by(design_card(), 3.5)
    assert len(pose.markers_found) == 4
    assert codes(pose) == set()


@each(("sagitta_mm", "outcome"), [(0.2, "flat"), (5.0, "bent"), (25.0, "useless")])
def test_bend_is_called_by_its_size(card: CardLayout, sagitta_mm: float, outcome: str) -> None:
    picture = bench((2016, 1512), np.random.default_rng(0), clutter=False)
    truth = pose_homography(card, (2016, 1512), share=0.6, turn_deg=0, tilt_deg=30, tilt_towards_deg=90)
    put_bent_card(picture, card, truth, sagitta_mm=sagitta_mm)
    photo = photo_of(picture, full_size=(4032, 3024), reduction=2)
    if outcome == "useless":
        with pytest.raises(CardBentError, match="mm"):
            find_card(photo, card)
    else:
        assert ("card_bent" in codes(find_card(photo, card))) == (outcome == "bent")
