"""Conformance probabilities and risks of JCGM 106:2012 (the document itself was not at hand: see each check)."""

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.optimize import brentq
from scipy.stats import gamma

from stripread.check.conformity import probability_within
from tests.listed import each


@each(("probability", "z"), [(0.80, 0.84), (0.90, 1.28), (0.95, 1.64), (0.99, 2.33), (0.999, 3.09)])
def test_one_sided_probabilities_are_those_of_the_normal_distribution(probability: float, z: float) -> None:
    """Quantiles to two decimals, as scipy.stats.norm.ppf gives them."""
    found = brentq(lambda step: probability_within(0.0, 1.0, None, step) - probability, 0.0, 5.0)
    assert found == pytest.approx(z, abs=0.005)
    assert probability_within(0.0, 1.0, -found, None) == pytest.approx(probability, abs=1e-9)


def test_voltage_under_an_upper_limit() -> None:
    """Upper limit -5.40 V, estimate -5.47 V, u = 0.05 V: Phi(1.4), as scipy.special.ndtr gives it."""
    assert probability_within(-5.47, 0.05, None, -5.40) == pytest.approx(0.91924, abs=5e-6)


def test_pressure_over_a_lower_limit() -> None:
    """Lower limit 490 kPa, estimate 507 kPa, u = 8 kPa: Phi(17 / 8), as scipy.special.ndtr gives it."""
    assert probability_within(507.0, 8.0, 490.0, None) == pytest.approx(0.98321, abs=5e-6)


class TestBallBearings:
    """JCGM 106:2012, 9.5.4, as quoted in Suncal's example "Risk - Ball Bearing".

    Prior gamma of shape 4 and rate 4 per micrometre, upper limit 2 micrometres, u = 0.25 micrometres. The measuring
    system accepts a bearing of true value y with the probability that a value scattered about y is within the limit.
    """

    prior = gamma(4, scale=1 / 4)

    def consumers_risk(self, acceptance: float) -> float:
        risk, _ = quad(
            lambda y: self.prior.pdf(y) * probability_within(y, 0.25, None, acceptance), 2.0, 5.0, epsabs=1e-12
        )
        return risk

    def test_consumers_risk_without_a_guard_band(self) -> None:
        assert self.consumers_risk(2.0) == pytest.approx(0.008, abs=5e-4)
        assert self.consumers_risk(2.0) == pytest.approx(0.00801911, abs=5e-9)

    def test_acceptance_limit_for_a_risk_of_a_thousandth(self) -> None:
        limit = brentq(lambda a: self.consumers_risk(a) - 0.001, 1.0, 2.0, xtol=1e-10)
        assert limit == pytest.approx(1.67, abs=0.005)
        assert 2.0 - limit == pytest.approx(0.33, abs=0.005)

    def test_producers_risk_at_that_limit(self) -> None:
        rejected, _ = quad(
            lambda y: self.prior.pdf(y) * probability_within(y, 0.25, 1.67182877, None), 0.0, 2.0, epsabs=1e-12
        )
        assert rejected == pytest.approx(0.0754939, abs=5e-8)

    def test_share_out_of_limits_without_any_measurement(self) -> None:
        assert self.prior.sf(2.0) == pytest.approx(0.04238011, abs=5e-9)  # the prior is the published one
        assert np.isclose(self.consumers_risk(np.inf), self.prior.sf(2.0), atol=1e-5)
