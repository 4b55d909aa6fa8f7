"""NIST Statistical Reference Datasets through the product's only fit: nonlinear sets from both starts, and Norris.

Certified values and data as shipped with lmfit 1.3.4 and scipy (see the heads of the tables in ``data``). Degrees of
freedom are n - p; the header of Rat43 prints 9, its certified residual standard deviation needs 11.
"""

from collections.abc import Callable

import numpy as np
import pytest
from published import columns, fit_polynomial, rows

from stripread.calibrate.fit import fit_parameters
from tests.listed import each


def saturating(b, x):
    return b[0] * (1 - np.exp(-b[1] * x))


def cubic_ratio(b, x):
    return (b[0] + b[1] * x + b[2] * x**2 + b[3] * x**3) / (1 + b[4] * x + b[5] * x**2 + b[6] * x**3)


MODELS: dict[str, Callable] = {
    "Misra1a": saturating,
    "BoxBOD": saturating,
    "DanWood": lambda b, x: b[0] * x ** b[1],
    "Rat42": lambda b, x: b[0] / (1 + np.exp(b[1] - b[2] * x)),
    "Rat43": lambda b, x: b[0] / (1 + np.exp(b[1] - b[2] * x)) ** (1 / b[3]),
    "MGH17": lambda b, x: b[0] + b[1] * np.exp(-x * b[3]) + b[2] * np.exp(-x * b[4]),
    "Chwirut2": lambda b, x: np.exp(-b[0] * x) / (b[1] + b[2] * x),
    "Kirby2": lambda b, x: (b[0] + b[1] * x + b[2] * x**2) / (1 + b[3] * x + b[4] * x**2),
    "Hahn1": cubic_ratio,
    "Thurber": cubic_ratio,
}


@each("start", ["start1", "start2"])
@each("name", MODELS)
def test_certified_values_from_both_starts(name: str, start: str) -> None:
    certified = [row for row in rows("nist_strd_nls_certified.csv") if row["dataset"] == name]

    def column(key: str) -> np.ndarray:
        return np.array([float(row[key]) for row in certified])

    x, y = columns(f"nist_strd_{name.lower()}.csv")
    fit = fit_parameters(lambda b: MODELS[name](b, x), y, np.ones(len(x)), column(start))
    # Six digits of the parameters and four of their standard deviations are far more than a lot needs; the eleven that
    # are certified need a search in higher precision.
    np.testing.assert_allclose(fit.parameters, column("certified"), rtol=5e-7)
    np.testing.assert_allclose(np.sqrt(np.diag(fit.covariance)), column("certified_sd"), rtol=5e-5)
    assert fit.degrees_of_freedom == int(certified[0]["dof"])
    assert fit.residual_sd == pytest.approx(float(certified[0]["resid_sd"]), rel=5e-10)
    assert fit.residual_sum_of_squares == pytest.approx(float(certified[0]["rss"]), rel=5e-10)


def test_straight_line_of_norris() -> None:
    x, y = columns("nist_strd_norris.csv")
    fit = fit_polynomial(x, y, np.array([1.0, 1.0]))
    assert fit.parameters == pytest.approx([-0.262323073774029, 1.00211681802045], rel=1e-9)
    assert np.sqrt(np.diag(fit.covariance)) == pytest.approx([0.232818234301152, 0.429796848199937e-03], rel=1e-9)
    assert fit.residual_sd == pytest.approx(0.884796396144373, rel=1e-11)
    assert fit.degrees_of_freedom == 34
