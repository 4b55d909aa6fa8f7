"""Injecting stock into flowing water: dose, ratio, pump rate, and how much of the dose the water takes.

Dose = residual + demand: what is injected is what is to be left at the outlets and what the water and the pipes take on
the way (operator training, such as Oklahoma's: feed in pounds a day = million gallons x mg/L x 8.34, which is
`feed_mg_per_h` in other units).

An injector's 1:N is understood in two ways, and the trade uses both:

- **in**: 1 part of stock *in* N parts of what comes out (UMass Extension, Ratios and Concentrations): final = stock / N
- **to**: 1 part of stock *to* N parts of water (UGA Extension, Pennisi and Thomas): final = stock / (N + 1), which at
  1:100 is 1 % less
"""

import re
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal

from stripread.errors import QuantityError, WaterError
from stripread.i18n import Message, Number, Verbatim
from stripread.units import Difference, Measured, difference, propagate, with_points

__all__ = [
    "RATIO_U",
    "Convention",
    "Delivery",
    "Demand",
    "Injection",
    "Ratio",
    "delivered",
    "dose_for",
    "estimate_demand",
    "feed_mg_per_h",
    "inject",
    "parse_ratio",
    "stock_for",
]

Convention = Literal["in", "to"]
RATIO_U = 0.05  # relative standard uncertainty of the ratio that an injector keeps. Common practice, no source


_PARTS = r"(?:\s*parte?s?)?"
_RATIO = re.compile(
    rf"\s*1{_PARTS}(?P<how>\s*:\s*|\s+(?:in|to|en|a)\s+)(?P<n>\d+(?:\.\d+)?){_PARTS}"
    r"(?:\s+(?:of|de)\s+(?:water|agua))?\s*",
    re.IGNORECASE,
)
_PERCENT = re.compile(r"\s*(\d*\.?\d+)\s*(?:%|percent|por\s+ciento)\s*", re.IGNORECASE)


@dataclass(frozen=True, slots=True)
class Ratio:
    """An injector's setting 1:N; a setting in percent is 1 part in 100/percent."""

    n: float
    convention: Convention

    @property
    def share(self) -> float:
        """Share of stock in what comes out."""
        return 1 / self.n if self.convention == "in" else 1 / (self.n + 1)

    def __str__(self) -> str:
        """Say it with its convention, and in percent of what comes out."""
        words = "in" if self.convention == "in" else "to"
        n, percent = Number(self.n, ".6g"), Number(100 * self.share, ".3g")
        return f"1 part {words} {n} ({percent} % of what comes out)"


@dataclass(frozen=True, slots=True, kw_only=True)
class Injection:
    """How to inject a stock of a known strength.

    Attributes
    ----------
    dose_mg_per_l : Measured
        Residual + demand.
    share : Measured
        Of stock in what comes out: dose over stock.
    n_in, n_to : Measured
        The N of 1:N by either convention.
    pump_l_per_h : Measured or None
        Of stock; None where no flow was given.
    feed_mg_per_h : Measured or None
        Of the substance itself.
    """

    dose_mg_per_l: Measured
    share: Measured
    n_in: Measured
    n_to: Measured
    pump_l_per_h: Measured | None
    feed_mg_per_h: Measured | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Delivery:
    """What an injector that is set gives with a stock of a known strength.

    Attributes
    ----------
    dose_mg_per_l : Measured
    residual_mg_per_l : Measured
        Dose minus demand; under 0 the water takes it all.
    """

    dose_mg_per_l: Measured
    residual_mg_per_l: Measured


@dataclass(frozen=True, slots=True, kw_only=True)
class Demand:
    """How much of the dose the water takes on its way.

    Attributes
    ----------
    per_outlet_mg_per_l : tuple of Measured
        Dose minus reading, in the order of the outlets; under 0 where an outlet reads more than the dose.
    mean_mg_per_l : Measured
        Over the outlets. What the dose does not know is shared by all of them, and does not average out.
    largest : int
        The outlet that takes most: dose for this one, and none falls short.
    above_dose : tuple of Difference or None
        For each outlet that reads more than the dose beyond what chance allows (z over 2), how far; else None.
    at_least : tuple of bool
        For each outlet, whether its reading is only a bound from above: its demand is that or more, up to the dose.
    """

    per_outlet_mg_per_l: tuple[Measured, ...]
    mean_mg_per_l: Measured
    largest: int
    above_dose: tuple[Difference | None, ...]
    at_least: tuple[bool, ...]


def parse_ratio(text: str, *, convention: Convention) -> Ratio:
    """Read ``1:100``, ``1 in 100``, ``1 to 99`` or ``1 %``.

    ``1 to 128`` is one part to 128 parts of water, ``1 in 100`` one part in 100 in all, a percentage a share of all;
    ``1:128`` is by the convention.

    Raises
    ------
    QuantityError
        If it is neither, or gives more stock than water.
    """
    plain = with_points(text)
    ratio, percent = _RATIO.fullmatch(plain), _PERCENT.fullmatch(plain)
    share = float(percent[1]) if percent else 0.0
    n = float(ratio["n"]) if ratio else 100 / share if share > 0 else 0.0
    if not 2 <= n <= 1e5:
        raise QuantityError(
            expected=Message("an injector's setting as 1:100, 1 in 100, 1 to 99 or 1 %, from 1:2 to 1:100000"),
            found=Verbatim(repr(text)),
            remedy=Message("Read it off the injector's dial, and write no sign between thousands."),
        )
    if ratio is None:
        return Ratio(n, "in")
    words = (ratio["how"] or ":").strip().casefold()
    return Ratio(n, convention if words == ":" else "in" if words in ("in", "en") else "to")


def dose_for(*, residual_mg_per_l: Measured, demand_mg_per_l: Measured) -> Measured:
    """Return the dose that leaves a residual."""
    return propagate(lambda left, taken: left + taken, residual_mg_per_l, demand_mg_per_l)


def inject(*, dose_mg_per_l: Measured, stock_mg_per_l: Measured, flow_l_per_h: Measured | None = None) -> Injection:
    """Return ratio and pump rate for a dose.

    Parameters
    ----------
    flow_l_per_h : Measured or None
        Of the dosed water, after the injector.

    Raises
    ------
    WaterError
        If the stock is not at least twice as strong as the dose: no injector mixes that.
    """
    if not 0 < 2 * dose_mg_per_l.value <= stock_mg_per_l.value:
        raise WaterError(
            expected=Message(
                "a dose over 0 and of at most half the stock's %(stock)s mg/L",
                stock=Number(stock_mg_per_l.value, ".3g"),
            ),
            found=Message("a dose of %(dose)s mg/L", dose=Number(dose_mg_per_l.value, ".3g")),
            remedy=Message("Correct residual, demand or stock."),
        )
    pump = feed = None
    if flow_l_per_h is not None:
        pump = propagate(lambda d, s, q: q * d / s, dose_mg_per_l, stock_mg_per_l, flow_l_per_h)
        feed = feed_mg_per_h(flow_l_per_h=flow_l_per_h, dose_mg_per_l=dose_mg_per_l)
    return Injection(
        dose_mg_per_l=dose_mg_per_l,
        share=propagate(lambda d, s: d / s, dose_mg_per_l, stock_mg_per_l),
        n_in=propagate(lambda d, s: s / d, dose_mg_per_l, stock_mg_per_l),
        n_to=propagate(lambda d, s: s / d - 1, dose_mg_per_l, stock_mg_per_l),
        pump_l_per_h=pump,
        feed_mg_per_h=feed,
    )


def feed_mg_per_h(*, flow_l_per_h: Measured, dose_mg_per_l: Measured) -> Measured:
    """Return the mass of the substance to be fed: flow times dose."""
    return propagate(lambda q, d: q * d, flow_l_per_h, dose_mg_per_l)


def stock_for(ratio: Ratio, *, dose_mg_per_l: Measured) -> Measured:
    """Return the strength of the stock [mg/L] that gives a dose through an injector with a fixed ratio."""
    return dose_mg_per_l.scaled(1 / ratio.share)


def delivered(ratio: Ratio, *, stock_mg_per_l: Measured, demand_mg_per_l: Measured) -> Delivery:
    """Return what an injector gives."""
    share = Measured(ratio.share, RATIO_U * ratio.share)
    return Delivery(
        dose_mg_per_l=propagate(lambda s, x: s * x, stock_mg_per_l, share),
        residual_mg_per_l=propagate(
            lambda s, x, taken: s * x - taken, stock_mg_per_l, share, demand_mg_per_l, floor=float("-inf")
        ),
    )


def estimate_demand(
    dose_mg_per_l: Measured, outlets_mg_per_l: Sequence[Measured], *, under: Sequence[bool] | None = None
) -> Demand:
    """Return what the water takes, by the dose (or a reading just after the injector) and readings at outlets.

    Parameters
    ----------
    under : sequence of bool or None
        For each outlet, whether the upper end of its interval is all that is known of it; None where none is such.

    Raises
    ------
    ValueError
        Without an outlet.
    """
    if not outlets_mg_per_l:
        raise ValueError("no outlets")
    minus = float("-inf")
    bounds = tuple(under) if under is not None else (False,) * len(outlets_mg_per_l)
    # Of a bound its own end counts, without doubt: what the water takes is then the least that it takes.
    most = [
        Measured(one.interval[1] or one.value) if bound else one
        for one, bound in zip(outlets_mg_per_l, bounds, strict=True)
    ]

    def open_above(taken: Measured, bound: bool) -> Measured:
        return replace(taken, ends=(taken.interval[0], dose_mg_per_l.interval[1])) if bound else taken

    each = tuple(
        open_above(propagate(lambda given, left: given - left, dose_mg_per_l, one, floor=minus), bound)
        for one, bound in zip(most, bounds, strict=True)
    )
    mean = propagate(lambda given, *left: given - sum(left) / len(left), dose_mg_per_l, *most, floor=minus)
    above = tuple(difference(dose_mg_per_l, one) for one in outlets_mg_per_l)
    return Demand(
        per_outlet_mg_per_l=each,
        mean_mg_per_l=open_above(mean, any(bounds)),
        largest=max(range(len(each)), key=lambda i: each[i].value),
        above_dose=tuple(d if d.value > 0 and (d.z is None or d.z > 2) else None for d in above),
        at_least=bounds,
    )
