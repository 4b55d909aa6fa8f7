"""Looks: split into families, drawn from seeds, each one visible where it belongs, and the truth moves with it."""

import itertools
from dataclasses import fields, replace

import cv2
import numpy as np
import pytest

from stripread.card import design_card
from stripread.geometry import Float, Rect, apply_homography
from stripread.simulate import random_shot, take_photo
from stripread.simulate.looks.families import CAMERA_ASPECTS, FAMILIES, USUAL, Look, Trait, random_look
from stripread.simulate.optics.cameras import make_phone
from stripread.simulate.optics.conditions import with_look
from stripread.simulate.random_kinds import RANGES, another_kind, dip_random, random_kind
from stripread.simulate.scene.heic import heif_encoder
from stripread.simulate.scene.photograph import DippedStrip, Shot, draw_shot, strip_geometry
from stripread.simulate.scene.render import Rendered
from stripread.simulate.scene.scene import StripPlacement, View
from stripread.strip import Dip, PadSpec, StripKind
from tests.listed import each

pytestmark = pytest.mark.slow  # some two hundred photos

CARD = design_card()
KIND = StripKind(
    name="try-kind",
    analyte="a",
    unit="mg/L",
    range=(0, 500),
    length_mm=70,
    width_mm=6,
    pads=(PadSpec(id="p", centre_mm=(4.5, 3.0), size_mm=(5.0, 5.0), analyte="a", unit="mg/L", range=(0, 500)),),
    dip=Dip(seconds=2, motion="still", read_from_s=10, read_until_s=60),
)
STRIP = DippedStrip(kind=KIND, concentrations={"p": 450.0}, chemistry={"p": "violet"})
SHOT = Shot(
    card=CARD,
    printer_seed=2,
    phone=make_phone(3),
    lamps=("D55",),
    view=View(size_px=(1000, 720), card_width_share=0.85, rotation_deg=3),
    strip=STRIP,
    placement=StripPlacement(kind=strip_geometry(KIND), angle_deg=2.0),
    clutter=0,
)
STRIP_ASPECTS = ("plastic", "outline", "handle", "pad_form", "pad_edge", "pad_face", "around")
ALL = [(a, f) for a, families in FAMILIES.items() for f in (*families.seen, *families.unseen)]


def looked(aspect: str, family: str, *, strength: float = 0.8, seed: int = 4) -> Shot:
    look = replace(Look(), **{aspect: Trait(family=family, strength=strength, seed=seed)})
    return replace(with_look(SHOT, look), clutter=0)


@pytest.fixture(scope="module")
def usual() -> tuple[bytes, Rendered]:
    return take_photo(replace(SHOT, look=Look()), seed=1)


def changed_mm(drawn: Rendered, other: Rendered) -> Float:
    """Places on the card, shape (n, 2), where two pictures differ by more than 0.1 % of full scale."""
    rows, columns = np.nonzero(np.abs(drawn.image - other.image).max(axis=2) > 1e-3)
    return apply_homography(np.linalg.inv(drawn.homography), np.stack([columns, rows], axis=-1))


def test_no_family_is_both_seen_and_unseen() -> None:
    for families in FAMILIES.values():
        assert len(families.seen) >= 2
        assert families.unseen
        assert not set(families.seen) & set(families.unseen)
        assert USUAL not in (*families.seen, *families.unseen)
    assert {f.name for f in fields(Look)} == set(FAMILIES)


@each("seen", [True, False])
def test_looks_are_drawn_from_their_part_and_all_of_it(seen: bool) -> None:
    drawn = [random_look(np.random.default_rng(seed), seen=seen).families for seed in range(300)]
    for aspect, families in FAMILIES.items():
        names = set(families.of(seen=seen)) - (set() if heif_encoder() else {"HEIC"})
        assert {d[aspect] for d in drawn} == names | {USUAL}


def test_same_seed_same_bytes_and_another_seed_another_photo() -> None:
    def photo(seed: int) -> bytes:
        rng = np.random.default_rng(seed)
        known = random_kind(rng)
        look = random_look(rng, seen=True)
        shot = random_shot(CARD, dip_random(known, rng), rng, seen=True, sizes=((800, 600),), look=look)
        return take_photo(shot, seed=seed)[0]

    assert photo(5) == photo(5)
    assert photo(5) != photo(6)


@each(("aspect", "family"), [c for c in ALL if c[0] not in CAMERA_ASPECTS])
def test_each_family_shows_where_it_belongs(aspect: str, family: str, usual: tuple[bytes, Rendered]) -> None:
    drawn = draw_shot(looked(aspect, family), seed=1)
    places = changed_mm(usual[1], drawn)
    assert len(places) > 30
    slot = CARD.slot
    assert slot is not None
    whole = Rect(0, 0, CARD.width_mm, CARD.height_mm)
    # up to 7 mm beside the slot a strip throws its shadow and lies over the edge; the lens blurs nothing here
    area = slot.grown(7.0) if aspect in STRIP_ASPECTS else whole.grown(1.0)
    if family == "finger shadow":  # the hand is beside the card
        area = slot.grown(200.0)
    inside = ((places > area.corners[0]) & (places < area.corners[2])).all(axis=1)
    if aspect == "bench":
        within = whole.grown(-1.0)
        assert not ((places > within.corners[0]) & (places < within.corners[2])).all(axis=1).any()
    else:
        assert inside.all()


@each(("aspect", "family"), [c for c in ALL if c[0] in CAMERA_ASPECTS and (c[1] != "HEIC" or heif_encoder())])
def test_each_camera_effect_changes_the_file(aspect: str, family: str, usual: tuple[bytes, Rendered]) -> None:
    data, _ = take_photo(looked(aspect, family), seed=1)
    assert data != usual[0]
    if aspect == "file":
        return
    one, two = (cv2.imdecode(np.frombuffer(d, np.uint8), cv2.IMREAD_COLOR).astype(float) for d in (usual[0], data))
    assert np.abs(one - two).mean() > 0.1
    assert np.abs(np.median(one - two)) < 40  # still a photo of the same thing


def test_the_usual_look_shows_plastic_and_pad_in_their_own_colours(usual: tuple[bytes, Rendered]) -> None:
    plain = draw_shot(SHOT, seed=1)
    for place in ((4.5, 3.0), (30.0, 3.0), (60.0, 3.0)):
        x, y = _on_picture(plain, place)
        part = np.s_[y - 3 : y + 4, x - 3 : x + 4]
        np.testing.assert_allclose(
            usual[1].image[part].mean(axis=(0, 1)), plain.image[part].mean(axis=(0, 1)), rtol=0.004
        )


def _on_picture(drawn: Rendered, place: tuple[float, float]) -> tuple[int, int]:
    """Pixel of a place on the strip as it lies in `SHOT`."""
    from stripread.simulate.scene.scene import strip_to_card

    assert SHOT.placement is not None
    x, y = apply_homography(drawn.homography @ strip_to_card(CARD, SHOT.placement), np.array(place))
    return round(x), round(y)


@each("family", ["uneven dye", "streaked dye", "paper grain", "woven", *FAMILIES["pad_face"].unseen])
def test_an_uneven_pad_has_its_own_colour_in_the_mean(family: str, usual: tuple[bytes, Rendered]) -> None:
    drawn = draw_shot(looked("pad_face", family), seed=1)
    means = []
    for picture in (usual[1], drawn):
        mask = np.zeros(picture.image.shape[:2], np.uint8)
        polygon = picture.pad_polygons_px["p"]
        middle = polygon.mean(axis=0)
        cv2.fillConvexPoly(mask, np.rint(middle + 0.85 * (polygon - middle)).astype(np.int32), 1)
        means.append(picture.image[mask.astype(bool)].mean(axis=0))
    np.testing.assert_allclose(means[1], means[0], rtol=0.03)


@each(
    ("aspect", "family"),
    [(a, f) for a, f in ALL if a in ("outline", "pad_form", "around", "lens") and f != "veiling glare"],
)
def test_the_truth_lies_where_the_pad_is(aspect: str, family: str) -> None:
    drawn = draw_shot(looked(aspect, family, strength=1.0), seed=1)
    place = drawn.pad_polygons_px["p"].mean(axis=0)
    # The violet pad is less green than red and blue; plastic and ground are not.
    red, green, blue = np.moveaxis(drawn.image.astype(np.float64), -1, 0)
    x0, y0 = (np.floor(place).astype(int) - 22).tolist()
    window = np.s_[y0 : y0 + 45, x0 : x0 + 45]
    violet = np.clip((red + blue)[window] / np.maximum(2 * green[window], 1e-3), 0, None)
    share = np.clip((violet - np.median(violet)) / max(violet.max() - np.median(violet), 1e-6) - 0.4, 0, None)
    rows, columns = np.mgrid[y0 : y0 + 45, x0 : x0 + 45]
    middle = np.array([(columns * share).sum(), (rows * share).sum()]) / share.sum()
    per_mm = SHOT.view.card_width_share * SHOT.view.size_px[0] / CARD.width_mm
    assert np.hypot(*(middle - place)) / per_mm < 0.2


@each("family", ["turned", "slanted"])
def test_the_truth_leans_with_its_pad(family: str) -> None:
    drawn = draw_shot(looked("pad_form", family, strength=1.0), seed=1)
    straight = draw_shot(looked("pad_form", USUAL), seed=1).pad_polygons_px["p"]
    polygon = drawn.pad_polygons_px["p"]
    assert np.abs(polygon - straight).max() > 1.0
    middle = polygon.mean(axis=0)
    for corner in polygon:
        inside, outside = (
            drawn.image[tuple(np.rint(middle + k * (corner - middle)).astype(int)[::-1])] for k in (0.8, 1.25)
        )
        violet, white = ((c[0] + c[2]) / (2 * c[1]) for c in (inside, outside))
        assert violet > white + 0.08


def test_a_finger_shadow_leaves_the_pads_in_the_light() -> None:
    for seed in range(12):
        drawn = draw_shot(looked("around", "finger shadow", strength=1.0, seed=seed), seed=1)
        plain = draw_shot(looked("around", USUAL), seed=1)
        x, y = np.rint(drawn.pad_polygons_px["p"].mean(axis=0)).astype(int)
        np.testing.assert_allclose(
            drawn.image[y - 12 : y + 13, x - 12 : x + 13], plain.image[y - 12 : y + 13, x - 12 : x + 13], rtol=1e-5
        )


def test_a_strip_stays_in_the_slot_unless_its_look_lets_it_out() -> None:
    slot = CARD.slot
    assert slot is not None
    from stripread.simulate.scene.scene import strip_to_card

    for aspect_family in (USUAL, "over the side", "corner over the edge", "end over the edge"):
        out = 0
        for seed in range(30):
            rng = np.random.default_rng(seed)
            known = random_kind(rng)
            look = replace(Look(), around=Trait(family=aspect_family, strength=float(rng.random()), seed=seed))
            shot = random_shot(CARD, dip_random(known, rng), rng, seen=True, look=look)
            assert shot.placement is not None
            size = (known.kind.length_mm, known.kind.width_mm)
            corners = apply_homography(strip_to_card(CARD, shot.placement), Rect(0, 0, *size).corners)
            beyond = np.maximum(slot.corners[0] - corners, corners - slot.corners[2]).max()
            out += beyond > 0
            assert beyond < 8.0
        assert (out == 0) if aspect_family == USUAL else (out >= 15)


def test_random_kinds_are_kinds() -> None:
    gaps = []
    for seed in range(200):
        known = random_kind(np.random.default_rng(seed))
        kind = known.kind
        assert 50 <= kind.length_mm <= 95
        assert 4 <= kind.width_mm <= 7
        assert 1 <= len(kind.pads) <= 3
        edges = [(p.centre_mm[0] - p.size_mm[0] / 2, p.centre_mm[0] + p.size_mm[0] / 2) for p in kind.pads]
        assert all(a[1] < b[0] for a, b in itertools.pairwise(edges))
        assert all(p.size_mm[1] <= kind.width_mm for p in kind.pads)
        assert all(known.chemistry[p.id] in RANGES for p in kind.pads)
        gaps.append(known.tip_gap_mm)
    assert min(gaps) == pytest.approx(0, abs=1e-3)
    assert max(gaps) > 2


def test_another_kind_differs_in_what_can_be_measured() -> None:
    rng = np.random.default_rng(3)
    for _ in range(30):
        one = random_kind(rng)
        other = another_kind(one, rng)
        a, b = one.kind, other.kind
        assert abs(a.length_mm - b.length_mm) > 5 or abs(a.width_mm - b.width_mm) > 1 or len(b.pads) > len(a.pads)


def test_a_second_strip_lies_beside_the_first() -> None:
    assert SHOT.placement is not None
    second = replace(SHOT.placement, offset_mm=(0.0, 7.0), angle_deg=0.0)
    for look in (None, Look()):
        one = replace(SHOT, look=look, placement=replace(SHOT.placement, offset_mm=(0.0, -3.0), angle_deg=0.0))
        two = replace(one, beside=replace(STRIP, concentrations={"p": 0.0}), beside_placement=second)
        places = changed_mm(*(draw_shot(s, seed=1) for s in (one, two)))
        assert CARD.slot is not None
        y = CARD.slot.centre[1] + 7.0
        assert np.percentile(np.abs(places[:, 1] - y), 95) < 4.0
        assert len(places) > 2000


def test_a_lens_bends_the_card_and_its_truth_alike() -> None:
    from stripread.simulate.looks.lens import seen_through_lens

    for family in ("barrel", "pincushion", "rolling shutter"):
        shot = looked("lens", family, strength=1.0)
        drawn = draw_shot(shot, seed=1)
        assert shot.look is not None
        grey = np.rint(255 * np.clip(drawn.image[..., 1], 0, 1)).astype(np.uint8)
        parameters = cv2.aruco.DetectorParameters()
        parameters.cornerRefinementMethod = cv2.aruco.CORNER_REFINE_SUBPIX
        dictionary = cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, CARD.dictionary))
        corners, ids, _ = cv2.aruco.ArucoDetector(dictionary, parameters).detectMarkers(grey)
        found = dict(zip(np.ravel(ids).tolist(), corners, strict=True))
        for marker in CARD.markers:
            straight = apply_homography(drawn.homography, marker.corners_mm)
            bent = seen_through_lens(shot.look.lens, straight, SHOT.view.size_px)
            assert np.abs(bent - straight).max() > 0.5
            assert np.abs(found[marker.id].reshape(4, 2) - bent).max() < 0.35
