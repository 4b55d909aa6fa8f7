import numpy as np
import pytest
from lot_series import OLD_PINK, PINK, PIXELS, known_curve, parameters, strips_of
from scipy.stats import norm

from stripread.lot import invert_curve, limit_of_quantification, minimum_detectable_value
from stripread.lot.limits import critical_value, standard_uncertainty_at
from stripread.lot.path import POLYNOMIAL
from tests.listed import each

T = float(norm.ppf(0.95))


def test_limits_come_in_order():
    curve = known_curve(PINK, top=3.0)
    critical = critical_value(curve, PIXELS, t=T)
    detectable = minimum_detectable_value(curve, PIXELS, t=T)
    assert 0 < critical < detectable
    assert detectable == pytest.approx(2 * critical, rel=0.1)


@pytest.mark.slow
@each("hill", [0.8, 1.3])
def test_blanks_and_faint_strips_are_told_apart_as_often_as_the_limits_say(hill):
    """Alpha and beta of 5 % by simulated strips, also where the curve's slope at the blank is 0 or infinite.

    Within 3 SD of 500 draws (2.9 %).
    """
    rng = np.random.default_rng(5)
    curve = known_curve(parameters(3.0, hill, [95, 0, 3], [-30, 45, -6]), top=3.0, u=1e-3, form=POLYNOMIAL)
    critical = critical_value(curve, PIXELS, t=T)
    detectable = minimum_detectable_value(curve, PIXELS, t=T)

    def share_over_critical(true: float) -> float:
        labs = strips_of(curve, true, 500, rng) + 0.1 * rng.standard_normal((500, 3))
        return float(np.mean([invert_curve(curve, lab, {"pixels": PIXELS}, {}).value > critical for lab in labs]))

    assert share_over_critical(0.0) == pytest.approx(0.05, abs=0.029)
    assert share_over_critical(detectable) == pytest.approx(0.95, abs=0.029)


def test_more_scatter_raises_every_limit():
    calm, wild = (known_curve(PINK, top=3.0, scatter=(0.03, colour, 20)) for colour in (0.2, 0.6))
    assert minimum_detectable_value(wild, PIXELS, t=T) > 2 * minimum_detectable_value(calm, PIXELS, t=T)
    assert limit_of_quantification(wild, PIXELS, t=2.0, k=3.0) > 2 * limit_of_quantification(calm, PIXELS, t=2.0, k=3.0)


def test_limit_of_quantification_solves_its_definition():
    curve = known_curve(PINK, top=3.0)
    found = limit_of_quantification(curve, PIXELS, t=2.0, k=3.0)
    assert 2.0 * standard_uncertainty_at(curve, PIXELS, found) == pytest.approx(found / 3, rel=1e-9)


def test_no_limit_where_the_curve_ends_below_it():
    curve = known_curve(OLD_PINK, top=0.02, scatter=(0.03, 0.3, 20), form=POLYNOMIAL)
    assert critical_value(curve, PIXELS, t=T) is None
    assert minimum_detectable_value(curve, PIXELS, t=T) is None
    assert limit_of_quantification(curve, PIXELS, t=2.0, k=3.0) is None


def test_critical_value_alone_may_be_within_the_curve():
    whole = known_curve(PINK, top=3.0)
    cut = known_curve(PINK, top=1.3 * critical_value(whole, PIXELS, t=T))
    assert critical_value(cut, PIXELS, t=T) == pytest.approx(critical_value(whole, PIXELS, t=T), rel=1e-9)
    assert minimum_detectable_value(cut, PIXELS, t=T) is None
