"""Control charts against the NIST/SEMATECH e-Handbook, 6.3.2, and Montgomery & Runger (2002), Example 16-2.

The tables were read in public code that tests against these pages. Tolerances are half the last printed digit unless
said otherwise.
"""

import numpy as np
import pytest
from published import columns, rows

from stripread.check import individuals_chart
from stripread.check.control_chart import cusum


def test_individuals_of_the_flow_rate_example() -> None:
    values = [float(row["flowrate"]) for row in rows("nist_individuals_flowrate.csv")]
    chart = individuals_chart(values)
    assert chart.mean == pytest.approx(50.81, abs=5e-3)
    assert chart.mean_range == pytest.approx(1.8778, abs=5e-5)
    assert chart.limits == pytest.approx((45.8159, 55.8041), abs=1e-4)  # from the mean range as printed
    assert chart.range_limit == pytest.approx(6.1347, abs=1e-4)
    assert all(chart.limits[0] < v < chart.limits[1] for v in values)


def test_individuals_of_the_concentration_example() -> None:
    values = [float(row["concentration"]) for row in rows("montgomery_runger_individuals_concentration.csv")]
    chart = individuals_chart(values)
    # The book goes on with the rounded 99.1 and 2.59; full digits are 99.095, 2.589474, 92.2081 and 105.9819.
    assert (chart.mean, chart.mean_range) == pytest.approx((99.095, 2.589474), abs=5e-7)
    assert chart.limits == pytest.approx((92.2081, 105.9819), abs=5e-5)
    assert chart.limits == pytest.approx((92.21, 105.99), abs=0.01)
    assert chart.range_limit == pytest.approx(8.46, abs=5e-3)


def test_cusum() -> None:
    _, x, _, high, low, _ = columns("nist_cusum.csv")
    found = cusum(x.tolist(), target=325.0, allowance=0.3175, limit=4.1959)
    assert found.high == pytest.approx(high, abs=5e-3 + 1e-9)  # ties are printed either way
    assert found.low == pytest.approx(low, abs=5e-3 + 1e-9)
    assert np.flatnonzero(found.signals).tolist() == list(range(13, 20))  # from group 14 on, all on the high side


def test_one_value_has_no_moving_range() -> None:
    with pytest.raises(ValueError, match="1 values"):
        individuals_chart([1.0])
