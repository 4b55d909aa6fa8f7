import math

import numpy as np
import pytest
from scipy.optimize import curve_fit

from stripread.errors import WaterError
from stripread.units import Measured
from stripread.water import COVERS, Outlet, Timed, along_line, fit_loss, strength_at, time_until
from tests.listed import each


def readings(half_life, *, start=220.0, u=11.0, at=(0.0, 12.0, 24.0, 48.0), noise=None):
    exact = [start * 0.5 ** (t / half_life) for t in at]
    off = np.zeros(len(at)) if noise is None else noise
    return [Timed(t, Measured(max(c + e, 1.0), u)) for t, c, e in zip(at, exact, off, strict=True)]


def holds(found, truth):
    low, high = found.interval
    return low <= truth <= (math.inf if high is None else high)


def test_precise_readings_give_back_the_half_life_they_were_made_with():
    fit = fit_loss(readings(40.0, u=0.5))
    assert fit.half_life.value == pytest.approx(40.0, rel=0.005)
    assert fit.start_mg_per_l.value == pytest.approx(220.0, rel=0.005)
    assert time_until(fit, limit_mg_per_l=110.0).value == pytest.approx(40.0, rel=0.005)
    assert strength_at(fit, 80.0).value == pytest.approx(55.0, rel=0.01)
    assert fit.prior_share < 1e-3
    assert fit.widened_by == 1.0


def test_agrees_with_plain_weighted_least_squares_where_readings_tell_enough():
    u = np.array([6.0, 4.0, 8.0, 3.0, 5.0])
    at = (0.0, 10.0, 20.0, 40.0, 60.0)
    strength = np.array([305.0, 252.0, 221.0, 149.0, 108.0])
    fit = fit_loss([Timed(t, Measured(c, s)) for t, c, s in zip(at, strength, u, strict=True)])
    (start, k), covariance = curve_fit(
        lambda t, c0, k: c0 * np.exp(-k * t), at, strength, sigma=u, absolute_sigma=True, p0=(300, 0.02)
    )
    assert fit.rate.value == pytest.approx(k, rel=0.01)
    assert fit.rate.u == pytest.approx(math.sqrt(covariance[1, 1]), rel=0.05)
    assert fit.start_mg_per_l.value == pytest.approx(start, rel=0.005)
    assert fit.start_mg_per_l.u == pytest.approx(math.sqrt(covariance[0, 0]), rel=0.05)


@pytest.mark.slow
@each(("cover", "seed"), [(None, 1), ("covered", 2)])
def test_intervals_hold_the_truth_about_95_times_in_a_hundred(cover, seed):
    rng = np.random.default_rng(seed)
    prior = None if cover is None else COVERS[cover]
    hits, trials = np.zeros(3), 120
    for _ in range(trials):
        half = 60.0 if prior is None else prior.half_life * prior.factor ** rng.normal()
        fit = fit_loss(readings(half, noise=rng.normal(size=4) * 11.0), prior=prior)
        hits += (
            holds(fit.half_life, half),
            holds(time_until(fit, limit_mg_per_l=150.0), half * math.log2(220 / 150)),
            holds(strength_at(fit, 72.0), 220 * 0.5 ** (72 / half)),
        )
    assert (hits / trials > 0.90).all(), hits / trials


def test_one_reading_says_what_the_cover_says_whenever_it_was_taken():
    for at in (0.0, 30.0):
        fit = fit_loss([Timed(at, Measured(310.0, 15.0))], prior=COVERS["covered"])
        assert fit.half_life.value == pytest.approx(COVERS["covered"].half_life, rel=0.02)
        assert fit.half_life.interval[0] == pytest.approx(96 / 3**1.96, rel=0.03)
        assert fit.prior_share == pytest.approx(1.0, abs=0.01)


def test_readings_outweigh_a_wrong_cover():
    fit = fit_loss(readings(200.0, u=2.0), prior=COVERS["open"])
    assert holds(fit.half_life, 200.0)
    assert fit.prior_share < 0.05


def test_a_cover_makes_little_data_say_more():
    two = readings(96.0, at=(0.0, 12.0))
    without, given = fit_loss(two).half_life.interval, fit_loss(two, prior=COVERS["covered"]).half_life.interval
    assert given[1] / given[0] < without[1] / without[0] / 5


def test_readings_that_rise_never_make_a_stock_that_grows():
    fit = fit_loss([Timed(0.0, Measured(190.0, 9.0)), Timed(24.0, Measured(220.0, 11.0))])
    assert fit.rate.interval[0] > 0
    assert fit.half_life.interval[0] > 24.0


def test_a_stock_below_its_limit_already_has_a_time_in_the_past():
    fit = fit_loss(readings(40.0, u=3.0))
    assert time_until(fit, limit_mg_per_l=400.0).interval[1] < 0


def test_readings_that_scatter_more_than_they_state_are_widened():
    calm = fit_loss(readings(60.0, u=3.0))
    wild = fit_loss(readings(60.0, u=3.0, noise=np.array([20.0, -25.0, 22.0, -18.0])))
    assert calm.widened_by == 1.0
    assert wild.widened_by > 3.0
    assert wild.rate.u > 3 * calm.rate.u


def test_too_little_to_fit_is_refused():
    one = Timed(0.0, Measured(220.0, 11.0))
    for few in ([one], [one, one], []):
        with pytest.raises(WaterError, match="two times"):
            fit_loss(few)
    with pytest.raises(WaterError, match="uncertainty"):
        fit_loss([one, Timed(1.0, Measured(220.0))])


def test_covers_say_that_they_are_ours():
    assert all("judged on no data" in prior.source for prior in COVERS.values())
    assert COVERS["open"].half_life < COVERS["covered"].half_life < COVERS["sealed"].half_life


# --- along the line ---------------------------------------------------------------------------------------------------


def outlet(name, value, u, distance=None):
    return Outlet(name=name, reading_mg_per_l=Measured(value, u), distance_m=distance)


def test_steps_along_a_line_tell_what_is_left_and_whether_that_is_sure():
    found = along_line([outlet("a", 0.40, 0.02), outlet("b", 0.38, 0.02), outlet("c", 0.20, 0.02)])
    assert [step.seen for step in found.steps] == ["no difference seen", "falls"]
    assert found.steps[1].left.value == pytest.approx(0.20 / 0.38)
    assert found.steps[1].lost_mg_per_l.value == pytest.approx(0.18)
    assert found.fit is None


def test_strength_that_rises_along_a_line_is_told():
    assert along_line([outlet("a", 0.20, 0.02), outlet("b", 0.40, 0.02)]).steps[0].seen == "rises"


def test_distances_give_the_length_in_which_strength_halves():
    found = along_line([outlet(str(d), 0.4 * 0.5 ** (d / 50), 0.002, d) for d in (0.0, 25.0, 50.0, 100.0)])
    assert found.fit is not None
    assert found.fit.half_life.value == pytest.approx(50.0, rel=0.02)


@each(
    "outlets",
    [
        [outlet("a", 0.4, 0.02)],
        [outlet("a", 0.4, 0.02, 20.0), outlet("b", 0.3, 0.02, 10.0)],
        [outlet("a", 0.0, 0.0), outlet("b", 0.3, 0.02)],
    ],
)
def test_a_line_that_makes_no_sense_is_refused(outlets):
    with pytest.raises(WaterError):
        along_line(outlets)
