import math
import random

import pytest

from stripread.units import K95, Measured, difference, propagate
from tests.listed import each


def test_interval_is_that_of_a_normal_distribution_cut_off_at_the_floor():
    assert Measured(10.0, 1.0).interval == pytest.approx((10 - K95, 10 + K95))
    assert Measured(1.0, 1.0).interval == pytest.approx((0.0, 1 + K95))
    assert Measured(1.0, 1.0, floor=-math.inf).interval == pytest.approx((1 - K95, 1 + K95))
    assert Measured(-1.0, 0.1).interval[0] <= -1.0  # the floor never cuts the value itself off


def test_an_interval_that_was_given_is_kept_and_scaled():
    given = Measured(10.0, 1.0, (9.0, None)).scaled(3.0)
    assert (given.value, given.u, given.interval) == (30.0, 3.0, (27.0, None))
    assert Measured(10.0, 1.0, floor=-math.inf).scaled(0.0).interval == (0.0, 0.0)


@each(("value", "u"), [(math.nan, 1.0), (math.inf, 1.0), (1.0, -1.0), (1.0, math.nan)])
def test_what_is_no_number_is_refused(value, u):
    with pytest.raises(ValueError, match="standard uncertainty"):
        Measured(value, u)


def test_propagation_of_a_product_is_that_of_the_books():
    """JCGM 100:2008, 5.1.6: relative uncertainties of a product of powers add in squares."""
    found = propagate(lambda a, b, c: a * b**2 / c, Measured(3.0, 0.1), Measured(5.0, 0.2), Measured(2.0, 0.05))
    relative = math.sqrt((0.1 / 3) ** 2 + (2 * 0.2 / 5) ** 2 + (0.05 / 2) ** 2)
    assert found.value == pytest.approx(37.5)
    assert found.u == pytest.approx(37.5 * relative, rel=1e-6)


def test_propagation_agrees_with_drawing_the_inputs():
    rng = random.Random(7)

    def strength(c, v, w):
        return c * v / (v + w)

    inputs = (Measured(420.0, 21.0), Measured(20.0, 0.4), Measured(34.0, 0.68))
    drawn = [strength(*(rng.gauss(i.value, i.u) for i in inputs)) for _ in range(20_000)]
    mean = sum(drawn) / len(drawn)
    sd = math.sqrt(sum((x - mean) ** 2 for x in drawn) / len(drawn))
    found = propagate(strength, *inputs)
    assert found.u == pytest.approx(sd, rel=0.03)
    assert found.value == pytest.approx(mean, rel=0.003)


def test_propagation_bears_an_input_at_zero_and_exact_ones():
    assert propagate(lambda a, b: a + b, Measured(0.0, 0.5), Measured(2.0)).u == pytest.approx(0.5)
    assert propagate(lambda a: 2 * a, Measured(2.0)).u == 0.0


def test_difference_tells_how_likely_so_large_a_one_is():
    apart = difference(Measured(10.0, 3.0), Measured(20.0, 4.0))
    assert (apart.value, apart.u, apart.z) == (10.0, 5.0, 2.0)
    assert apart.probability == pytest.approx(0.0455, abs=5e-5)  # of a normal distribution beyond 2
    assert difference(Measured(1.0), Measured(1.0)).probability == 1.0
    exact = difference(Measured(1.0), Measured(2.0))
    assert (exact.z, exact.probability) == (None, 0.0)
