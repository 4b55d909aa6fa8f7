"""Which photos of a calibration belong together, and which of them another photo is like."""

import numpy as np
import pytest

from stripread.lot import Condition, compare_signature, group_photos, signature_of
from tests.listed import each

RNG = np.random.default_rng(3)
COUNT = 60
IDS = [f"p{i}" for i in range(COUNT)]
LAB = np.column_stack([RNG.uniform(30, 90, COUNT), RNG.uniform(-40, 40, (COUNT, 2))])
ALL = np.ones(COUNT, dtype=bool)
# What two lights do to colours: smooth functions of the colour, as residuals of a plain map are.
ONE = np.column_stack([LAB[:, 1] / 40, LAB[:, 2] / 30, LAB[:, 1] / 60])
TWO = np.column_stack([LAB[:, 2] / 50, -LAB[:, 1] / 40, LAB[:, 2] / 25])


def photos(light: np.ndarray, count: int, noise: float = 0.06) -> np.ndarray:
    return light + np.random.default_rng(count).normal(0, noise, (count, COUNT, 3))


def condition(light: np.ndarray, *, joined: bool = False) -> Condition:
    return Condition(name="x", camera=None, photos=9, joined=joined, signature=signature_of(IDS, photos(light, 9)))


def test_photos_of_two_lights_are_sorted_by_their_cards_alone():
    both = np.concatenate([photos(ONE, 4), photos(TWO, 5)])
    assert group_photos(both, LAB, ALL, [""] * 9, [False] * 9) == [0] * 4 + [1] * 5


def test_photos_of_two_phones_are_never_put_together():
    assert group_photos(photos(ONE, 4), LAB, ALL, ["a", "b", "a", "b"], [False] * 4) == [0, 1, 0, 1]


def test_photos_named_as_one_condition_stay_together_whatever_their_light():
    both = np.concatenate([photos(ONE, 2), photos(TWO, 2)])
    assert group_photos(both, LAB, ALL, ["here"] * 4, [True] * 4) == [0] * 4


@each("share", [0.0, 0.3, 1.0])
def test_a_mixture_of_two_lights_is_recognised_as_that_mixture(share):
    like = compare_signature(
        IDS, LAB, photos(share * ONE + (1 - share) * TWO, 1)[0], ALL, [condition(ONE), condition(TWO)]
    )
    assert like.weights[0] == pytest.approx(share, abs=0.1)
    assert like.weights.sum() == pytest.approx(1)
    assert like.distance < 0.2


def test_a_light_beyond_both_is_told_by_its_distance_and_not_extrapolated():
    like = compare_signature(IDS, LAB, 3 * ONE, ALL, [condition(ONE), condition(TWO)])
    assert like.weights == pytest.approx([1, 0], abs=0.05)
    assert like.distance > 0.5


def test_patches_that_were_not_used_are_left_out_of_the_comparison():
    residuals = photos(ONE, 1)[0]
    residuals[:30] = np.nan
    like = compare_signature(IDS, LAB, residuals, ALL, [condition(ONE), condition(TWO)])
    assert like.weights[0] > 0.9
    assert np.isnan(like.difference[:30]).all()
    assert np.isfinite(like.difference[30:]).all()


def test_another_card_is_not_comparable_and_the_conditions_that_make_the_curve_count_alike():
    like = compare_signature(
        [f"other{i}" for i in range(COUNT)], LAB, photos(ONE, 1)[0], ALL,
        [condition(ONE), condition(TWO), condition(TWO, joined=True)],
    )  # fmt: skip
    assert not like.comparable
    assert like.weights == pytest.approx([0.5, 0.5, 0])
