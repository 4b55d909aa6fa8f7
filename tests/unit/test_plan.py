"""Dilution plans against arithmetic by hand."""

import math

import pytest

from stripread.calibrate import enough_to_fit, plan_dilutions, usual_levels
from stripread.errors import SeriesError
from stripread.units import Measured
from tests.listed import each


def plan(levels, **more):
    given = {"standard": Measured(50.0, 1.0), "total_ml": 200.0, "pour_u": 0.01, "least_ml": 1.0}
    return plan_dilutions(levels, **{**given, **more})


def test_volumes_are_those_of_the_mass_balance():
    made = plan([0.0, 1.0, 2.5, 50.0])
    assert [(s.take_ml, s.water_ml, s.source) for s in made.levels] == [
        (0.0, 200.0, ""),
        (4.0, 196.0, "standard"),  # 200 x 1 / 50
        (10.0, 190.0, "standard"),
        (200.0, 0.0, "standard"),
    ]
    assert made.intermediates == ()
    assert made.standard_ml == 214.0


def test_the_uncertainty_is_that_of_the_formula():
    blank, level = plan([0.0, 2.5]).levels
    assert blank.strength == Measured(0.0)
    # u(C)/C = 0.02; w/(v+w) = 190/200 = 0.95, twice 1 %: sqrt(0.02^2 + 0.95^2 x 2 x 0.01^2) = 0.024094
    assert level.strength.value == pytest.approx(2.5)
    assert level.strength.u == pytest.approx(2.5 * 0.0240936, rel=1e-4)
    assert plan([50.0]).levels[0].strength.u == pytest.approx(1.0)  # undiluted: that of the standard


def test_what_is_too_little_to_measure_out_is_taken_from_a_solution_of_one_in_ten():
    made = plan([0.1, 0.2, 1.0])
    (first,) = made.intermediates
    assert (first.name, first.take_ml, first.water_ml, first.source) == ("D1", 20.0, 180.0, "standard")
    assert first.strength.value == pytest.approx(5.0)
    assert [(s.take_ml, s.source) for s in made.levels] == [(4.0, "D1"), (8.0, "D1"), (4.0, "standard")]
    # D1: sqrt(0.02^2 + 0.9^2 x 2e-4) = 0.0237065; 4 mL of it in 200: sqrt(0.0237065^2 + 0.98^2 x 2e-4) = 0.0274605
    assert first.strength.u == pytest.approx(5 * 0.0237065, rel=1e-4)
    assert made.levels[0].strength.u == pytest.approx(0.1 * 0.0274605, rel=1e-4)
    assert made.standard_ml == 24.0


def test_a_strong_standard_is_diluted_more_than_once():
    made = plan([0.1], standard=Measured(5000.0))
    assert [(s.name, s.source) for s in made.intermediates] == [("D1", "standard"), ("D2", "D1"), ("D3", "D2")]
    assert [s.strength.value for s in made.intermediates] == pytest.approx([500.0, 50.0, 5.0])
    assert made.levels[0].source == "D3"
    assert made.levels[0].strength.value == pytest.approx(0.1)


def test_an_intermediate_is_enough_for_all_that_is_drawn_from_it():
    levels = [0.01 * k for k in range(1, 10)] + [0.7 + 0.01 * k for k in range(25)]
    made = plan(levels, standard=Measured(50.0), least_ml=4.0)
    for solution in made.intermediates:
        drawn = sum(s.take_ml for s in (*made.intermediates, *made.levels) if s.source == solution.name)
        assert drawn <= solution.take_ml + solution.water_ml


def test_the_strength_is_that_of_the_volume_as_it_is_rounded():
    (level,) = plan([0.3], standard=Measured(47.0), least_ml=0.1).levels
    assert level.take_ml == 1.28  # 1.2766 mL
    assert level.strength.value == pytest.approx(47 * 1.28 / (1.28 + 198.7))
    assert level.name == "0.3"


def test_levels_beyond_the_range_come_last_and_are_marked():
    made = plan([0.0, 2.5, 1.0], beyond=[20.0])
    assert [(s.name, s.beyond) for s in made.levels] == [("0", False), ("1", False), ("2.5", False), ("20", True)]


@each(
    ("levels", "more"),
    [
        ([60.0], {}),
        ([-1.0], {}),
        ([math.nan], {}),
        ([1e-9], {}),
        ([1.0], {"standard": Measured(0.0)}),
        ([1.0], {"total_ml": 1.0}),
        ([1.0], {"least_ml": 0.0}),
    ],
)
def test_what_cannot_be_made_is_refused(levels, more):
    with pytest.raises(SeriesError):
        plan(levels, **more)


def test_the_usual_levels_have_a_blank_and_go_over_the_range():
    assert usual_levels(2.0) == (0.0, 0.03, 0.1, 0.3, 0.8, 1.6, 2.5)
    assert usual_levels(500.0) == (0.0, 7.5, 25.0, 75.0, 200.0, 400.0, 620.0)


def test_enough_is_five_levels_with_a_blank_and_two_strips_at_three():
    good = {0.0: 2, 0.1: 2, 0.2: 2, 0.5: 1, 1.0: 1}
    assert enough_to_fit(good)
    assert not enough_to_fit({**good, 1.0: 0})
    assert not enough_to_fit({**good, 0.2: 1})
    assert not enough_to_fit({0.05 if c == 0 else c: n for c, n in good.items()})
