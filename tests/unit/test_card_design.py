from itertools import combinations

import cv2
import numpy as np

from stripread.card import SLOT_LAB, design_card
from stripread.card.design import DICTIONARY, MARKER_IDS
from stripread.card.figure import lab_to_srgb, marker_bits
from stripread.geometry import Rect
from tests.listed import each

CARD = design_card()


def gap(a: Rect, b: Rect) -> float:
    dx = max(a.x - (b.x + b.width), b.x - (a.x + a.width))
    dy = max(a.y - (b.y + b.height), b.y - (a.y + a.height))
    return max(dx, dy)


def quiet_zones() -> list[Rect]:
    return [Rect(*m.corners_mm[0], 15.0, 15.0).grown(2.5) for m in CARD.markers]


def of_role(role: str) -> tuple[np.ndarray, np.ndarray]:
    chosen = [p for p in CARD.patches if p.role == role]
    return np.array([p.rect.centre for p in chosen]), np.array([p.lab for p in chosen])


def test_card_fits_a4_and_letter_with_margins_of_8_mm():
    assert CARD.width_mm + 16 <= min(210.0, 215.9)
    assert CARD.height_mm + 16 <= min(297.0, 279.4)


def test_patches_keep_their_distances():
    rects = [p.rect for p in CARD.patches]
    card = Rect(0, 0, CARD.width_mm, CARD.height_mm)
    for rect in rects:
        assert rect.x >= 2.5
        assert rect.y >= 2.5
        assert rect.x + rect.width <= card.width - 2.5
        assert rect.y + rect.height <= card.height - 2.5
    others = [CARD.slot, CARD.vial, *quiet_zones()]
    assert min(gap(a, b) for a, b in combinations(rects, 2)) >= 1.0 - 1e-9
    assert min(gap(a, b) for a in rects for b in others) >= 1.0 - 1e-9
    assert min(gap(a, b) for a, b in combinations(others, 2)) > 0


def test_quiet_zones_of_a_module_lie_on_the_card():
    for zone in quiet_zones():
        assert zone.x >= 0
        assert zone.y >= 0
        assert zone.x + zone.width <= CARD.width_mm
        assert zone.y + zone.height <= CARD.height_mm


def test_slot_holds_a_strip_and_vial_room_a_vial():
    assert (CARD.slot.width, CARD.slot.height) == (100, 20)
    assert (CARD.vial.width, CARD.vial.height) == (100, 32)
    assert SLOT_LAB[1:] == (0, 0)


def test_numbers_of_patches_suffice():
    assert len(of_role("white")[0]) >= 12
    assert len(of_role("colour")[0]) >= 40
    levels = {p.lab[0] for p in CARD.patches if p.role == "grey"}
    assert len(levels) >= 7
    assert min(levels) <= 22
    assert max(levels) >= 90


def test_each_grey_level_is_above_and_below_the_slot_and_left_and_right_of_the_middle():
    places, lab = of_role("grey")
    assert np.abs(lab[:, 1:]).max() == 0
    for level in np.unique(lab[:, 0]):
        x, y = places[lab[:, 0] == level].T
        assert y.min() < CARD.slot.y
        assert y.max() > CARD.slot.y + CARD.slot.height
        assert x.min() < CARD.width_mm / 2 < x.max()
    beside = (places[:, 1] > CARD.slot.y) & (places[:, 1] < CARD.slot.y + CARD.slot.height)
    assert (places[beside, 0] < CARD.slot.x).any()
    assert (places[beside, 0] > CARD.slot.x + CARD.slot.width).any()


@each("role", ["grey", "colour"])
def test_lightness_and_colour_do_not_follow_the_place(role):
    places, lab = of_role(role)
    x, y = (places - [CARD.width_mm / 2, CARD.height_mm / 2]).T
    for shape in (x, y, x * x, y * y, x * y):
        for coordinate in lab.T:
            if coordinate.std() > 0:
                assert abs(np.corrcoef(shape, coordinate)[0, 1]) < 0.2


def test_whites_are_in_every_ninth_of_the_card_but_the_middle_where_the_slot_is():
    places, _ = of_role("white")
    ninths = {(int(3 * x / CARD.width_mm), int(3 * y / CARD.height_mm)) for x, y in places}
    assert ninths == {(i, j) for i in range(3) for j in range(3)} - {(1, 1)}


def test_neighbouring_colours_differ():
    places, lab = of_role("colour")
    apart = np.linalg.norm(places[:, None] - places[None], axis=2)
    delta = np.linalg.norm(lab[:, None] - lab[None], axis=2)
    assert delta[(apart > 0) & (apart < 15.5)].min() > 10


def test_families_where_pads_live_are_dense():
    _, lab = of_role("colour")
    chroma, hue = np.hypot(lab[:, 1], lab[:, 2]), np.degrees(np.arctan2(lab[:, 2], lab[:, 1])) % 360
    pink = (hue > 340) | (hue < 20)
    assert pink.sum() >= 14
    assert chroma[pink].min() <= 5
    assert chroma[pink].max() >= 50
    assert ((hue > 292) & (hue < 325)).sum() >= 10
    assert ((hue > 95) & (hue < 255) & (chroma > 20)).sum() >= 8
    assert ((hue > 50) & (hue < 97) & (chroma < 35)).sum() >= 8


def test_every_colour_can_be_printed():
    lab = CARD.patch_lab
    assert np.hypot(lab[:, 1], lab[:, 2]).max() <= 60
    assert lab[:, 0].min() >= 20
    rgb = lab_to_srgb(lab)
    assert rgb.min() >= -1e-4
    assert rgb.max() <= 1 + 1e-4


def test_colours_are_all_different():
    _, lab = of_role("colour")
    assert len(np.unique(lab, axis=0)) == len(lab)


def test_marker_ids_are_the_four_that_differ_most():
    count = len(cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, DICTIONARY)).bytesList)
    bits = [marker_bits(DICTIONARY, i)[1:-1, 1:-1] for i in range(count)]
    distance = np.array(
        [
            [min(int((a != np.rot90(b, k)).sum()) for k in range(int(i == j), 4)) for j, b in enumerate(bits)]
            for i, a in enumerate(bits)
        ]
    )
    fours = np.array(list(combinations(range(count), 4)))
    pairs = np.stack([distance[fours[:, i], fours[:, j]] for i, j in combinations(range(4), 2)])
    selves = np.stack([distance[fours[:, i], fours[:, i]] for i in range(4)])
    # by columns: least distance first, then the sum over pairs, then over the markers themselves
    order = np.lexsort((selves.sum(axis=0), pairs.sum(axis=0), np.minimum(pairs.min(axis=0), selves.min(axis=0))))
    ours = int(np.flatnonzero((fours == sorted(MARKER_IDS)).all(axis=1))[0])

    def rank(i: int) -> tuple[int, int, int]:
        return min(pairs[:, i].min(), selves[:, i].min()), pairs[:, i].sum(), selves[:, i].sum()

    assert rank(ours) == rank(int(order[-1]))


def test_name_is_kept():
    assert design_card("print of May").name == "print of May"
    assert design_card().patches == CARD.patches
