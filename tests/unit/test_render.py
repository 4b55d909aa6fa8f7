"""The drawing half of the simulator: exact colours, true geometry, each defect and only it."""

from dataclasses import replace

import cv2
import numpy as np
import pytest

from stripread.card import design_card
from stripread.geometry import Float, apply_homography
from stripread.simulate.optics.light import field_at
from stripread.simulate.scene.paint import quad_pieces
from stripread.simulate.scene.render import Rendered, render
from stripread.simulate.scene.scene import (
    Cover,
    Defects,
    Drop,
    Finger,
    GlareSpot,
    LightField,
    Materials,
    Optics,
    PadFinish,
    PadPlace,
    Scene,
    SecondCard,
    Shadow,
    Specks,
    StripGeometry,
    StripPlacement,
    View,
    half_plane,
    pad_corners_mm,
)
from stripread.simulate.scene.view import bent_points
from tests.listed import each

CARD = design_card()
KIND = StripGeometry(
    length_mm=80,
    width_mm=6,
    pads=(
        PadPlace(id="a", along_mm=6, across_mm=3, size_along_mm=6, size_across_mm=5),
        PadPlace(id="b", along_mm=16, across_mm=3, size_along_mm=6, size_across_mm=5),
    ),
)
VIEW = View(size_px=(1200, 900), card_width_share=0.8, rotation_deg=6, tilt_deg=12, tilt_direction_deg=40)
PLAIN = Scene(card=CARD, view=VIEW, strip=StripPlacement(kind=KIND), texture=0.0)
ANTHRACITE = (0.03, 0.03, 0.031)


def materials(lights: int = 1) -> Materials:
    """Random colours for the patches; each light has its own."""
    rng = np.random.default_rng(5)
    colours = {f"patch:{p.id}": rng.uniform(0.05, 0.8, (lights, 3)) for p in CARD.patches}
    fixed = {
        "paper": (0.8, 0.81, 0.79),
        "ink_black": ANTHRACITE,
        "slot_ground": (0.25, 0.25, 0.25),
        "plastic": (0.75, 0.76, 0.74),
        "pad:a": (0.6, 0.3, 0.4),
        "pad:b": (0.73, 0.72, 0.71),
        "bench": (0.3, 0.2, 0.1),
        "clutter:0": (0.1, 0.5, 0.2),
        "clutter:1": (0.1, 0.1, 0.5),
        "skin": (0.5, 0.3, 0.2),
        "glare": (4.0, 4.0, 4.0),
    }
    return colours | {name: np.array([c] * lights) * rng.uniform(0.9, 1.1, (lights, 1)) for name, c in fixed.items()}


def patch_mask(polygon_px: Float, shape: tuple[int, ...], inner: float = 0.7) -> np.ndarray:
    """Pixels in the inner part of a polygon."""
    middle = polygon_px.mean(axis=0)
    mask = np.zeros(shape[:2], np.uint8)
    cv2.fillConvexPoly(mask, np.rint(middle + inner * (polygon_px - middle)).astype(np.int32), 1)
    return mask.astype(bool)


def patch_mean(rendered: Rendered, patch_id: str) -> Float:
    rect = next(p.rect for p in CARD.patches if p.id == patch_id)
    mask = patch_mask(apply_homography(rendered.homography, rect.corners), rendered.image.shape)
    return rendered.image[mask].astype(np.float64).mean(axis=0)


def pad_pixels(rendered: Rendered, pad_id: str, inner: float = 0.7) -> np.ndarray:
    return rendered.image[patch_mask(rendered.pad_polygons_px[pad_id], rendered.image.shape, inner)]


def changed(scene: Scene, other: Scene) -> np.ndarray:
    """Pixels in which two scenes differ."""
    a, b = (render(s, materials(len(s.lights)), seed=1).image for s in (scene, other))
    return np.abs(a - b).max(axis=2) > 1e-4


def changed_mm(scene: Scene, other: Scene) -> Float:
    """Places on the card, shape (n, 2), at which two scenes differ."""
    rows, columns = np.nonzero(changed(scene, other))
    homography = render(scene, materials(), seed=1).homography
    return apply_homography(np.linalg.inv(homography), np.stack([columns, rows], axis=-1))


def with_defects(defects: Defects) -> Scene:
    return replace(PLAIN, defects=defects)


@pytest.fixture(scope="module")
def plain() -> Rendered:
    return render(PLAIN, materials(), seed=1)


def test_every_patch_and_pad_has_exactly_its_colour(plain: Rendered) -> None:
    for patch in CARD.patches:
        np.testing.assert_allclose(patch_mean(plain, patch.id), materials()[f"patch:{patch.id}"][0], rtol=1e-5)
    for pad in KIND.pads:
        np.testing.assert_allclose(pad_pixels(plain, pad.id).mean(axis=0), materials()[f"pad:{pad.id}"][0], rtol=1e-5)


def test_blur_and_texture_leave_the_patch_means_alone() -> None:
    scene = replace(PLAIN, texture=0.01, optics=Optics(blur_sigma_px=1.0))
    rendered = render(scene, materials(), seed=2)
    for patch in CARD.patches[::7]:
        np.testing.assert_allclose(patch_mean(rendered, patch.id), materials()[f"patch:{patch.id}"][0], rtol=1e-3)


@pytest.mark.slow
@each("tilt", [0.0, 30.0])
@each("rotation", [0.0, 77.0, 180.0])
def test_markers_are_found_where_the_truth_says(tilt: float, rotation: float) -> None:
    view = replace(VIEW, size_px=(1600, 1200), card_width_share=0.6, rotation_deg=rotation, tilt_deg=tilt)
    rendered = render(replace(PLAIN, view=view, optics=Optics(blur_sigma_px=0.7)), materials(), seed=1)
    # in linear light: a tone curve lightens the mixed pixels of an edge and so moves it by up to half a pixel
    grey = np.rint(255 * np.clip(rendered.image[..., 1], 0, 1)).astype(np.uint8)
    parameters = cv2.aruco.DetectorParameters()
    parameters.cornerRefinementMethod = cv2.aruco.CORNER_REFINE_SUBPIX
    dictionary = cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, CARD.dictionary))
    corners, ids, _ = cv2.aruco.ArucoDetector(dictionary, parameters).detectMarkers(grey)
    found = dict(zip(np.ravel(ids), corners, strict=True))
    assert sorted(found) == sorted(m.id for m in CARD.markers)
    for marker in CARD.markers:
        expected = apply_homography(rendered.homography, marker.corners_mm)
        # 0.25 px: twice the refinement's own error here; a slip of convention would be half a pixel, to one side
        offsets = found[marker.id].reshape(4, 2) - expected
        assert np.abs(offsets).max() < 0.25
        assert np.abs(offsets.mean(axis=0)).max() < 0.1


def test_the_card_is_as_wide_as_the_view_says() -> None:
    for rotation in (0.0, 60.0):
        view = replace(VIEW, rotation_deg=rotation, card_width_share=0.5)
        corners = render(replace(PLAIN, view=view), materials(), seed=1).card_corners_px
        left, right = (corners[0] + corners[3]) / 2, (corners[1] + corners[2]) / 2
        # the middles of the projected sides, not the projected middles: they differ a little under tilt
        assert np.hypot(*(right - left)) == pytest.approx(600, rel=0.01)


def test_offset_moves_the_cards_middle() -> None:
    view = replace(VIEW, offset=(0.2, -0.1))
    rendered = render(replace(PLAIN, view=view), materials(), seed=1)
    middle = apply_homography(rendered.homography, np.array([CARD.width_mm / 2, CARD.height_mm / 2]))
    np.testing.assert_allclose(middle, [1199 / 2 + 0.2 * 1200, 899 / 2 - 0.1 * 900], atol=1e-6)


@each("width", [0.3, 1.0, 2.7])
def test_cover_of_a_turned_stroke_adds_up_to_its_area(width: float) -> None:
    angle = np.deg2rad(23)
    along, side = np.array([np.cos(angle), np.sin(angle)]), np.array([-np.sin(angle), np.cos(angle)])
    start, end = np.array([40.2, 60.7]), np.array([40.2, 60.7]) + 150 * along
    quad = np.array(
        [start - side * width / 2, end - side * width / 2, end + side * width / 2, start + side * width / 2]
    )
    total = sum(
        float(np.sum(p.share))
        if p.share is not None
        else (p.rows.stop - p.rows.start) * (p.columns.stop - p.columns.start)
        for p in quad_pieces(quad, (300, 300))
    )
    assert total == pytest.approx(150 * width, rel=0.01)


def test_same_seed_same_bytes_and_another_seed_another_picture() -> None:
    scene = replace(PLAIN, texture=0.01, clutter=6)
    first, again, other = (render(scene, materials(), seed=s).image for s in (4, 4, 5))
    assert first.tobytes() == again.tobytes()
    assert first.tobytes() != other.tobytes()


@pytest.mark.slow
def test_clutter_stays_off_the_card() -> None:
    places = changed_mm(PLAIN, replace(PLAIN, clutter=8))
    assert len(places) > 1000
    inside = (places > 0.5).all(axis=1) & (places < [CARD.width_mm - 0.5, CARD.height_mm - 0.5]).all(axis=1)
    assert not inside.any()


def test_strip_turned_end_for_end_puts_the_pads_at_the_other_end() -> None:
    assert CARD.slot is not None
    centres = {
        flipped: pad_corners_mm(CARD, StripPlacement(kind=KIND, flipped=flipped), KIND.pads[0]).mean(axis=0)
        for flipped in (False, True)
    }
    np.testing.assert_allclose(centres[False] - CARD.slot.centre, [6 - 40, 0], atol=1e-9)
    np.testing.assert_allclose(centres[True] - CARD.slot.centre, [40 - 6, 0], atol=1e-9)
    rendered = render(replace(PLAIN, strip=StripPlacement(kind=KIND, flipped=True)), materials(), seed=1)
    np.testing.assert_allclose(pad_pixels(rendered, "a").mean(axis=0), materials()["pad:a"][0], rtol=1e-5)


def test_strip_face_down_shows_plastic_only() -> None:
    rendered = render(replace(PLAIN, strip=StripPlacement(kind=KIND, face_down=True)), materials(), seed=1)
    assert rendered.pad_polygons_px == {}
    back = apply_homography(rendered.homography, pad_corners_mm(CARD, StripPlacement(kind=KIND), KIND.pads[0]))
    colour = rendered.image[patch_mask(back, rendered.image.shape)]
    np.testing.assert_allclose(colour, np.broadcast_to(materials()["plastic"][0], colour.shape), rtol=1e-5)


def test_a_pad_like_its_strip_still_has_a_rim(plain: Rendered) -> None:
    polygon = plain.pad_polygons_px["b"]
    middle = polygon.mean(axis=0)
    across = np.linspace(middle, middle + 1.3 * (polygon[2:].mean(axis=0) - middle), 60)
    line = np.array([plain.image[round(y), round(x), 1] for x, y in across])
    assert line.min() < 0.95 * min(materials()["pad:b"][0, 1], materials()["plastic"][0, 1])


@each("form", ["linear", "quadratic", "inverse_square"])
def test_light_falls_by_the_stated_drop(form: str) -> None:
    light = LightField(level=0.9, form=form, drop=0.4, direction_deg=180)  # type: ignore[arg-type] # parametrised
    ends = field_at(light, (CARD.width_mm, CARD.height_mm), np.array([[CARD.width_mm, 65.0], [0.0, 65.0]]))
    np.testing.assert_allclose(ends, [0.9, 0.54], rtol=1e-9)


def test_patch_under_a_field_has_its_colour_times_the_field() -> None:
    light = LightField(form="linear", drop=0.3, direction_deg=90)
    rendered = render(replace(PLAIN, lights=(light,)), materials(), seed=1)
    for patch in CARD.patches[::9]:
        mask = patch_mask(apply_homography(rendered.homography, patch.rect.corners), rendered.image.shape)
        rows, columns = np.nonzero(mask)
        places = apply_homography(np.linalg.inv(rendered.homography), np.stack([columns, rows], axis=-1))
        strength = field_at(light, (CARD.width_mm, CARD.height_mm), places)
        expected = strength[:, None] * materials()[f"patch:{patch.id}"][0]
        np.testing.assert_allclose(rendered.image[mask], expected, rtol=1e-3)


def test_lights_of_different_fields_add_up_and_equal_ones_are_merged_to_the_same() -> None:
    two = materials(2)
    fields = (LightField(form="linear", drop=0.5), LightField(level=0.7))
    both = render(replace(PLAIN, lights=fields), two, seed=1).image
    single = [
        render(replace(PLAIN, lights=(f,)), {n: c[i : i + 1] for n, c in two.items()}, seed=1).image
        for i, f in enumerate(fields)
    ]
    np.testing.assert_allclose(both, single[0] + single[1], atol=1e-5)
    merged = render(replace(PLAIN, lights=(LightField(), LightField())), two, seed=1)
    np.testing.assert_allclose(patch_mean(merged, "E2"), two["patch:E2"].sum(axis=0), rtol=1e-5)


def test_materials_for_another_number_of_lights_are_refused() -> None:
    with pytest.raises(ValueError, match="for 2 lights"):
        render(replace(PLAIN, lights=(LightField(), LightField())), materials(1), seed=1)


def test_shadow_takes_its_share_of_its_light_on_its_side_only() -> None:
    two = materials(2)
    shadow = Shadow(polygon_mm=half_plane((95, 65), 0), penumbra_mm=2, darkness=0.6, lights=(1,))
    rendered = render(replace(PLAIN, lights=(LightField(), LightField()), shadows=(shadow,)), two, seed=1)
    np.testing.assert_allclose(patch_mean(rendered, "E2"), two["patch:E2"].sum(axis=0), rtol=1e-4)
    expected = two["patch:E17"][0] + 0.4 * two["patch:E17"][1]
    np.testing.assert_allclose(patch_mean(rendered, "E17"), expected, rtol=1e-4)


def test_glare_adds_light_inside_its_ellipse_only() -> None:
    spot = GlareSpot(centre_mm=(60, 48), radii_mm=(4, 2), strength=0.5, angle_deg=30)
    places = changed_mm(PLAIN, with_defects(Defects(glare=(spot,))))
    distance = np.hypot(*(places - spot.centre_mm).T)
    assert 3.5 < distance.max() < 4.1
    rendered = render(with_defects(Defects(glare=(spot,))), materials(), seed=1)
    x, y = np.rint(apply_homography(rendered.homography, np.array(spot.centre_mm))).astype(int)
    expected = render(PLAIN, materials(), seed=1).image[y, x] + 0.5 * materials()["glare"][0]
    np.testing.assert_allclose(rendered.image[y, x], expected, rtol=1e-4)


@each(
    ("defects", "middle", "reach"),
    [
        (Defects(drops=(Drop(centre_mm=(100, 90), radius_mm=4),)), (100, 90), 4.2),
        (Defects(covers=(Cover(polygon_mm=((0, 0), (22, 0), (22, 22), (0, 22))),)), (11, 11), 18.0),
    ],
)
def test_a_thing_on_the_card_changes_its_place_only(
    defects: Defects, middle: tuple[float, float], reach: float
) -> None:
    places = changed_mm(PLAIN, with_defects(defects))
    assert len(places) > 100
    assert np.hypot(*(places - middle).T).max() < reach


def test_finger_covers_from_its_tip_outwards() -> None:
    places = changed_mm(PLAIN, with_defects(Defects(finger=Finger(tip_mm=(120, 60), from_deg=90))))
    assert 57 < places[:, 1].min() < 60  # its soft shadow reaches a little further than the tip
    assert places[:, 1].max() > CARD.height_mm
    assert np.abs(places[:, 0] - 120).max() < 10


def test_specks_darken_single_places_of_their_pad_only(plain: Rendered) -> None:
    rendered = render(with_defects(Defects(specks=(Specks(pad_id="a", count=4, radius_mm=0.3),))), materials(), seed=1)
    colour = materials()["pad:a"][0]
    dark = pad_pixels(rendered, "a", 0.95)[:, 1] < 0.8 * colour[1]
    assert 0 < dark.mean() < 0.2
    np.testing.assert_array_equal(pad_pixels(rendered, "b"), pad_pixels(plain, "b"))


def test_pad_finish_mixes_in_plastic_with_the_stated_mean_and_slope() -> None:
    finish = PadFinish(pad_id="a", plastic_share=0.3, gradient_share=0.4)
    rendered = render(with_defects(Defects(finishes=(finish,))), materials(), seed=1)
    pad, plastic = materials()["pad:a"][0], materials()["plastic"][0]
    np.testing.assert_allclose(pad_pixels(rendered, "a").mean(axis=0), 0.7 * pad + 0.3 * plastic, rtol=5e-3)
    corners = rendered.pad_polygons_px["a"]
    for share, expected in ((0.1, 0.3 - 0.16), (0.9, 0.3 + 0.16)):
        near, far = (corners[0] + corners[3]) / 2, (corners[1] + corners[2]) / 2
        x, y = np.rint(near + share * (far - near)).astype(int)
        # one pixel is 1/30 of the pad here, hence 0.02
        assert (rendered.image[y, x, 1] - pad[1]) / (plastic[1] - pad[1]) == pytest.approx(expected, abs=0.02)


def test_second_card_shows_a_second_set_of_markers() -> None:
    view = View(size_px=(1600, 1200), card_width_share=0.4, offset=(-0.2, 0.0))
    defects = Defects(second_card=SecondCard(offset_mm=(210, 0), angle_deg=10))
    rendered = render(replace(PLAIN, view=view, defects=defects), materials(), seed=1)
    grey = (255 * np.clip(rendered.image[..., 1], 0, 1) ** (1 / 2.2)).astype(np.uint8)
    dictionary = cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, CARD.dictionary))
    _, ids, _ = cv2.aruco.ArucoDetector(dictionary).detectMarkers(grey)
    assert sorted(np.ravel(ids)) == sorted(2 * [m.id for m in CARD.markers])


def test_mirror_flips_picture_and_truth() -> None:
    rendered = render(with_defects(Defects(mirror=True)), materials(), seed=1)
    np.testing.assert_array_equal(rendered.image, render(PLAIN, materials(), seed=1).image[:, ::-1])
    np.testing.assert_allclose(patch_mean(rendered, "C1"), materials()["patch:C1"][0], rtol=1e-5)
    np.testing.assert_allclose(
        apply_homography(rendered.homography, CARD.corners_mm), rendered.card_corners_px, atol=1e-6
    )
    np.testing.assert_allclose(pad_pixels(rendered, "a").mean(axis=0), materials()["pad:a"][0], rtol=1e-5)


def test_bend_lifts_the_middle_and_the_truth_follows(plain: Rendered) -> None:
    rendered = render(with_defects(Defects(bend_mm=8)), materials(), seed=1)
    top_middle = next(p for p in CARD.patches if p.id == "A9")
    there = bent_points(with_defects(Defects(bend_mm=8)), top_middle.rect.corners)
    assert np.hypot(*(there - apply_homography(plain.homography, top_middle.rect.corners)).T).min() > 5
    shares = rendered.image[patch_mask(there, rendered.image.shape, 0.85)] / materials()["patch:A9"][0]
    assert shares.min() > 0.95  # only the shading of the slope may be left
    assert shares.max() < 1.05
    np.testing.assert_allclose(rendered.card_corners_px, plain.card_corners_px, atol=1e-6)
    ratio = pad_pixels(rendered, "a", 0.85) / materials()["pad:a"][0]  # only the shading of the slope may be left
    assert np.ptp(ratio) < 0.03


def test_blur_and_motion_soften_edges_and_keep_the_light(plain: Rendered) -> None:
    def steepest(image: np.ndarray, axis: int) -> float:
        return float(np.abs(np.diff(image[..., 1], axis=axis)).max())

    blurred = render(replace(PLAIN, optics=Optics(blur_sigma_px=3)), materials(), seed=1).image
    moved = render(replace(PLAIN, optics=Optics(motion_px=12, motion_angle_deg=0)), materials(), seed=1).image
    assert steepest(blurred, 0) < 0.4 * steepest(plain.image, 0)
    assert steepest(moved, 1) < 0.3 * steepest(plain.image, 1)
    assert steepest(moved, 0) > 0.6 * steepest(plain.image, 0)
    for image in (blurred, moved):
        assert image.mean() == pytest.approx(plain.image.mean(), rel=2e-3)


def test_vignetting_takes_its_share_in_the_corners(plain: Rendered) -> None:
    image = render(replace(PLAIN, optics=Optics(vignetting=0.3)), materials(), seed=1).image
    assert image[0, 0, 0] / plain.image[0, 0, 0] == pytest.approx(0.7, abs=0.01)
    assert image[450, 600, 0] / plain.image[450, 600, 0] == pytest.approx(1.0, abs=0.001)


def test_an_edge_lies_where_the_truth_says() -> None:
    view = View(size_px=(1000, 700), card_width_share=0.7123, offset=(0.0137, 0.0071))
    rendered = render(replace(PLAIN, view=view), materials(), seed=1)
    corners = apply_homography(rendered.homography, CARD.markers[0].corners_mm)
    row = round(float(corners[[0, 3], 1].mean()))
    start = int(corners[0, 0]) - 6
    profile = rendered.image[row, start : start + 12, 1]
    paper, ink = materials()["paper"][0, 1], materials()["ink_black"][0, 1]
    edge = start - 0.5 + float(((profile - ink) / (paper - ink)).sum())
    assert edge == pytest.approx(corners[0, 0], abs=0.01)
