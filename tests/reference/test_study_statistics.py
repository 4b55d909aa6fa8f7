"""Published worked examples of the statistics that a study rests on; those marked "from memory" had no text at hand."""

import numpy as np
import pytest

from stripread.study.fits import WeightedMean, fit_components, fit_line, mcnemar_p, two_one_sided, weighted_mean
from stripread.study.statistics import agreement, cochran_critical, grubbs_critical
from tests.listed import each


class TestYork:
    """Pearson's points with York's weights (York 1966, Can. J. Phys. 44, 1079; York 1969; York et al. 2004)."""

    X = np.array([0.0, 0.9, 1.8, 2.6, 3.3, 4.4, 5.2, 6.1, 6.5, 7.4])
    Y = np.array([5.9, 5.4, 4.4, 4.6, 3.5, 3.7, 2.8, 2.8, 2.4, 1.5])
    WEIGHT_X = np.array([1000, 1000, 500, 800, 200, 80, 60, 20, 1.8, 1.0])
    WEIGHT_Y = np.array([1, 1.8, 4, 8, 20, 20, 70, 70, 100, 500])

    def test_slope_and_intercept(self) -> None:
        """-0.4805 and 5.4799, with S = 11.8664 for 8 degrees of freedom (from memory)."""
        line = fit_line(self.X, self.Y, self.WEIGHT_X**-0.5, self.WEIGHT_Y**-0.5)
        assert line.slope == pytest.approx(-0.4805, abs=5e-5)
        assert line.intercept == pytest.approx(5.4799, abs=5e-5)
        assert line.chi2 == pytest.approx(11.8664, abs=5e-5)
        assert line.degrees_of_freedom == 8

    def test_standard_uncertainties(self) -> None:
        """0.0580 and 0.2950 of York et al. 2004, not scaled by the residuals (from memory)."""
        line = fit_line(self.X, self.Y, self.WEIGHT_X**-0.5, self.WEIGHT_Y**-0.5)
        assert line.u_slope == pytest.approx(0.0580, abs=5e-5)
        assert line.u_intercept == pytest.approx(0.2950, abs=5e-5)


class TestBlandAltman:
    """Peak flow by two meters, first readings of 17 people: Bland & Altman (1986), Lancet 327, 307 (from memory)."""

    WRIGHT = np.array([494, 395, 516, 434, 476, 557, 413, 442, 650, 433, 417, 656, 267, 478, 178, 423, 427.0])
    MINI = np.array([512, 430, 520, 428, 500, 600, 364, 380, 658, 445, 432, 626, 260, 477, 259, 350, 451.0])

    def test_limits_of_agreement(self) -> None:
        """Mean -2.1, sd 38.8, limits -79.7 and 75.5 L/min; standard errors 9.4 and 16.3."""
        found = agreement(self.WRIGHT - self.MINI)
        assert found.mean == pytest.approx(-2.1, abs=0.05)
        assert found.sd == pytest.approx(38.8, abs=0.05)
        assert (found.low, found.high) == pytest.approx((-79.7, 75.5), abs=0.1)  # printed from the rounded sd
        assert found.u_mean == pytest.approx(9.4, abs=0.05)
        assert found.u_limit == pytest.approx(16.3, abs=0.05)


# UK NMS chemical metrology site, Cochran's test at 5 %, read there; p groups of n.
COCHRAN = {
    2: (0.998, 0.975, 0.939, 0.906),
    3: (0.967, 0.871, 0.798, 0.746),
    4: (0.906, 0.768, 0.684, 0.629),
    5: (0.841, 0.684, 0.598, 0.544),
    6: (0.781, 0.616, 0.532, 0.480),
    7: (0.727, 0.561, 0.480, 0.431),
    8: (0.680, 0.516, 0.438, 0.391),
    10: (0.602, 0.445, 0.373, 0.331),
    20: (0.389, 0.270, 0.221, 0.192),
}


@each("groups", COCHRAN)
def test_cochran_at_5_percent(groups: int) -> None:
    """The table is of older computations: a unit in the last place is allowed."""
    found = [cochran_critical(groups, each_has, alpha=0.05) for each_has in (2, 3, 4, 5)]
    assert found == pytest.approx(COCHRAN[groups], abs=0.0015)


# ISO 5725-2, Grubbs' test of one value, 5 % and 1 %, from memory; printed values differ by up to 0.001.
GRUBBS = {3: (1.155, 1.155), 5: (1.715, 1.764), 6: (1.887, 1.973), 8: (2.126, 2.274), 10: (2.290, 2.482),
          15: (2.549, 2.806), 20: (2.709, 3.001), 30: (2.908, 3.236)}  # fmt: skip


@each("count", GRUBBS)
def test_grubbs_at_5_and_1_percent(count: int) -> None:
    found = [grubbs_critical(count, alpha=alpha) for alpha in (0.05, 0.01)]
    assert found == pytest.approx(GRUBBS[count], abs=0.0015)


def test_grubbs_one_sided_of_nist_uranium() -> None:
    """NIST e-Handbook 1.3.5.17.1: eight values, one-sided 5 %: 2.032 (two-sided at 10 %)."""
    assert grubbs_critical(8, alpha=0.10) == pytest.approx(2.032, abs=5e-4)


def test_mcnemar_exact() -> None:
    """6 and 16 discordant pairs: exact p 0.053 (an encyclopedia's second example; from memory, so to a unit)."""
    assert mcnemar_p(6, 16) == pytest.approx(0.053, abs=1e-3)


def test_mixed_model_of_the_dyestuff() -> None:
    """Six batches of five samples (Davies 1947; Box & Tiao 1973): REML variances 1764 and 2451 (data from memory)."""
    yields = {
        "A": (1545, 1440, 1440, 1520, 1580),
        "B": (1540, 1555, 1490, 1560, 1495),
        "C": (1595, 1550, 1605, 1510, 1560),
        "D": (1445, 1440, 1595, 1465, 1545),
        "E": (1595, 1630, 1515, 1635, 1625),
        "F": (1520, 1455, 1450, 1480, 1445),
    }
    values = np.array([float(v) for batch in yields.values() for v in batch])
    labels = [name for name, batch in yields.items() for _ in batch]
    found = fit_components(values, ["all"] * len(values), {"strip": labels})
    assert values.mean() == pytest.approx(1527.5)
    assert found["photo"] == pytest.approx(2451.25, rel=1e-3)
    assert found["strip"] == pytest.approx(1764.05, rel=1e-3)


def test_mixed_model_agrees_with_the_analysis_of_variance_of_a_balanced_design() -> None:
    """Crossed and balanced: REML gives (mean square of phones - residual) / strips, where none is negative."""
    rng = np.random.default_rng(4)
    strips, phones = 12, 5
    values = rng.normal(0, 3, strips)[:, None] + rng.normal(0, 2, phones)[None] + rng.normal(0, 1, (strips, phones))
    rows, columns = np.indices(values.shape)
    found = fit_components(
        values.ravel(),
        ["all"] * values.size,
        {"strip": [f"s{k}" for k in rows.ravel()], "phone": [f"p{k}" for k in columns.ravel()]},
    )
    centred = values - values.mean(0) - values.mean(1, keepdims=True) + values.mean()
    residual = (centred**2).sum() / ((strips - 1) * (phones - 1))
    by_strip, by_phone = phones * values.mean(1).var(ddof=1), strips * values.mean(0).var(ddof=1)
    expected = {"strip": (by_strip - residual) / phones, "phone": (by_phone - residual) / strips, "photo": residual}
    assert found == pytest.approx(expected, rel=2e-3)


def test_two_one_sided_tests_agree_with_statsmodels() -> None:
    """Of equal weights they are `ttost_mean` (Schuirmann 1987)."""
    from statsmodels.stats.weightstats import DescrStatsW

    values = np.random.default_rng(2).normal(0.03, 0.1, 24)
    mean = weighted_mean(values, np.ones(24))
    p, _, _ = DescrStatsW(values).ttost_mean(-0.1, 0.1)
    assert two_one_sided(mean, 0.1) == pytest.approx(float(p), rel=1e-9)


def test_two_one_sided_tests_are_passed_where_the_90_percent_interval_lies_within() -> None:
    just = WeightedMean(mean=0.0, se=0.1 / 1.7139, degrees_of_freedom=23)  # t of 23, one-sided 5 %: 1.714 (any table)
    assert two_one_sided(just, 0.1) == pytest.approx(0.05, abs=1e-4)


def test_a_mixed_model_whose_variances_are_0_is_found_all_the_same() -> None:
    """Causes that explain nothing have about nothing of the variance, and no search stops the report."""
    for seed in range(6):
        rng = np.random.default_rng(seed)
        values = rng.normal(0, 0.03, 60)
        labels = {name: [f"{name}{k}" for k in rng.integers(0, 2, 60)] for name in ("session", "phone", "light")}
        found = fit_components(values, ["a", "b"] * 30, {**labels, "strip": [f"s{k // 4}" for k in range(60)]})
        assert found is not None
        assert found["photo"] == pytest.approx(0.03**2, rel=0.5)
        assert min(found.values()) >= 0
