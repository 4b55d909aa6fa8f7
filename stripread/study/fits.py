"""What statsmodels, pandas and odrpack calculate for a study; imported here alone, and only when called."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, TypeVar

import numpy as np

from stripread.errors import MissingExtraError
from stripread.geometry import Float
from stripread.i18n import Message

__all__ = ["Line", "WeightedMean", "fit_components", "fit_line", "mcnemar_p", "two_one_sided", "weighted_mean"]

_T = TypeVar("_T")
_SEARCHES: tuple[Mapping[str, Any], ...] = (
    {"method": "powell", "xtol": 1e-10, "ftol": 1e-12},
    {"method": "lbfgs"},
    {"method": "bfgs", "gtol": 1e-8},
)


@dataclass(frozen=True, slots=True, kw_only=True)
class WeightedMean:
    """A mean, its standard error, and the degrees of freedom of that."""

    mean: float
    se: float
    degrees_of_freedom: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """A straight line with errors in both variables; standard uncertainties (k = 1) as the points state them."""

    slope: float
    u_slope: float
    intercept: float
    u_intercept: float
    chi2: float
    degrees_of_freedom: int


def _needed(load: Callable[[], _T]) -> _T:
    try:
        return load()
    except ImportError as error:
        raise MissingExtraError(
            expected=Message("the packages statsmodels, pandas and odrpack for a study"),
            found=Message("%(name)s is not installed", name=error.name or "one of them"),
            remedy=Message("Install them with `pip install 'stripread[study]'`."),
        ) from None


def weighted_mean(values: Float, weights: Float) -> WeightedMean:
    """Return the mean of values (n,) with weights (n,), by weighted least squares on a constant."""

    def load() -> Any:
        from statsmodels.regression.linear_model import WLS

        return WLS

    fitted = _needed(load)(values, np.ones(len(values)), weights=weights).fit()
    return WeightedMean(
        mean=float(fitted.params[0]), se=float(fitted.bse[0]), degrees_of_freedom=float(fitted.df_resid)
    )


def two_one_sided(mean: WeightedMean, limit: float) -> float:
    """Return the larger p of the two one-sided tests that a mean lies over ``-limit`` and under ``limit``.

    References
    ----------
    .. [1] Schuirmann (1987), J. Pharmacokinet. Biopharm. 15, 657 (from memory).
    """
    from scipy.stats import t

    over = t.sf((mean.mean + limit) / mean.se, mean.degrees_of_freedom)
    under = t.cdf((mean.mean - limit) / mean.se, mean.degrees_of_freedom)
    return float(max(over, under))


def fit_line(x: Float, y: Float, u_x: Float, u_y: Float) -> Line:
    """Fit y = intercept + slope x where both have uncertainties: the least squares of York (1966, 1969).

    With uncorrelated errors York's line is the orthogonal distance regression that weighs both by 1/u^2.
    """

    def load() -> Any:
        from odrpack import odr_fit

        return odr_fit

    slope, intercept = np.polyfit(x, y, 1)
    found = _needed(load)(
        lambda at, beta: beta[0] + beta[1] * at,
        np.asarray(x, dtype=float),
        np.asarray(y, dtype=float),
        np.array([intercept, slope]),
        weight_x=np.asarray(u_x, dtype=float) ** -2,
        weight_y=np.asarray(u_y, dtype=float) ** -2,
        maxit=500,
        sstol=1e-14,
        partol=1e-14,
    )
    u = np.sqrt(np.diag(found.cov_beta))  # not scaled by the residuals
    return Line(slope=float(found.beta[1]), u_slope=float(u[1]), intercept=float(found.beta[0]),
                u_intercept=float(u[0]), chi2=float(found.sum_square), degrees_of_freedom=len(x) - 2)  # fmt: skip


def mcnemar_p(only_first: int, only_second: int) -> float:
    """Return the exact two-sided p that two ways are right equally often, by the pairs in which only one is right."""

    def load() -> Any:
        from statsmodels.stats.contingency_tables import mcnemar

        return mcnemar

    return float(_needed(load)([[0, only_first], [only_second, 0]], exact=True).pvalue)


def fit_components(
    values: Float, level: Sequence[str], factors: Mapping[str, Sequence[str]]
) -> dict[str, float] | None:
    """Return variances by cause, the rest as ``photo``: a mixed model by REML, each level with a mean of its own.

    None where no search finds the variances. Several are made and the likeliest is taken, as one alone may stop early
    or run into a singular matrix where a variance is 0.

    Parameters
    ----------
    values : ndarray (n,)
    level : sequence of str
        Fixed.
    factors : mapping of name to sequence of str
        Random, crossed or nested as their labels say.
    """

    def load() -> Any:
        import pandas
        from statsmodels.regression.mixed_linear_model import MixedLM

        return pandas, MixedLM

    pandas, mixed = _needed(load)
    import warnings

    scale = float(np.std(values)) or 1.0  # the search stops by absolute steps
    frame = pandas.DataFrame(
        {"value": values / scale, "level": list(level), **{name: list(of) for name, of in factors.items()}}
    )
    used = [name for name in factors if frame[name].nunique() > 1]
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # a variance of 0 lies on the edge, of which the fit warns
        model = mixed.from_formula(
            "value ~ 0 + C(level)" if frame["level"].nunique() > 1 else "value ~ 1",
            frame,
            groups=np.ones(len(frame)),
            re_formula="0",
            vc_formula={name: f"0 + C({name})" for name in used},
        )
        fits = [one for method in _SEARCHES if (one := _fitted(model, method)) is not None]
        likely = [(float(one.llf), at) for at, one in enumerate(fits)]  # statsmodels works it out only when asked
    known = [one for one in likely if np.isfinite(one[0])]
    if not known:
        return None
    fitted = fits[max(known)[1]]
    found = dict(zip(model.exog_vc.names, (scale**2 * float(v) for v in fitted.vcomp), strict=True))
    return {**{name: found.get(name, 0.0) for name in factors}, "photo": scale**2 * float(fitted.scale)}


def _fitted(model: Any, method: Mapping[str, Any]) -> Any:
    """Return a fit of a mixed model by one of the searches; None where it fails."""
    try:
        return model.fit(reml=True, **method)
    except (np.linalg.LinAlgError, ValueError):
        return None
