"""A point's trend as a picture: values with intervals, the expected range, what happened meanwhile."""

from typing import Any

from stripread.records.queries import RecordedPad
from stripread.records.trend import Event, Trend
from stripread.site import Expectation

__all__ = ["plot_trend", "short_dates"]

_YEAR = 300.0  # days; over it the year has to be named
_CLOSE = 0.03  # of the time shown
# Shape tells the verdict, not colour: filled where valid and within, hollow where not.
_MARKS = {"within": ("o", "black", "within"), "out": ("X", "black", "out of range"), "doubt": ("s", "none", "in doubt")}


def plot_trend(trend: Trend, ax: Any, *, expected: Expectation | None) -> Any:
    """Draw the main analyte of a trend with at least one reading on an axes; return it."""
    unit = trend.readings[0].main.unit
    if expected is not None:
        ax.axhspan(expected.low, expected.high, color="0.9", zorder=0, label=f"expected {expected}")
    marks: dict[str, list[tuple[Any, float]]] = {}
    for reading in trend.readings:
        pad = reading.main
        low, high = pad.low, pad.high
        if pad.value is None:
            bound = pad.limit_value
            if bound is not None:  # only a bound: an arrow away from it
                mark = "v" if pad.censored == "below" else "^"
                ax.plot([reading.when], [bound], marker=mark, color="black", markerfacecolor="none", linestyle="none")
            continue
        if low is not None and high is not None:
            ax.plot([reading.when, reading.when], [low, high], color="0.4", linewidth=1, zorder=1)
        marks.setdefault(_state(reading.validity, pad), []).append((reading.when, pad.value))
    for state, points in marks.items():
        marker, face, label = _MARKS[state]
        when, values = zip(*points, strict=True)
        ax.scatter(when, values, marker=marker, facecolors=face, edgecolors="black", label=label, zorder=2)
    _mark_events(trend, ax)
    ax.set(title=f"{trend.point}: {trend.readings[0].main.analyte}, 95 % intervals", ylabel=unit)
    ax.set_ylim(bottom=0)
    short_dates(ax)
    ax.legend(fontsize="small", loc="best")
    return ax


def _mark_events(trend: Trend, ax: Any) -> None:
    """Draw a line for each event; words of those that would lie on each other stand together."""
    span = trend.readings[-1].when - trend.readings[0].when
    together: list[list[Event]] = []
    for event in trend.events:
        ax.axvline(event.at, color="0.5", linestyle=":", linewidth=1, zorder=0)
        if together and event.at - together[-1][0].at <= span * _CLOSE:
            together[-1].append(event)
        else:
            together.append([event])
    for group in together:
        words = ", ".join(dict.fromkeys(f"{event.kind} {event.words}" for event in group))
        ax.annotate(
            words, (group[0].at, 1.0), xycoords=("data", "axes fraction"), rotation=90, fontsize=6, ha="right",
            va="top", xytext=(-1, -2), textcoords="offset points",
        )  # fmt: skip


def short_dates(ax: Any) -> None:
    """Let the time axis name days, and of longer times months."""
    from matplotlib.dates import AutoDateLocator, DateFormatter

    first, last = ax.get_xlim()  # in days
    ax.xaxis.set_major_locator(AutoDateLocator(minticks=4, maxticks=9))
    ax.xaxis.set_major_formatter(DateFormatter("%d %b" if last - first < _YEAR else "%b %Y"))


def _state(validity: str, pad: RecordedPad) -> str:
    if validity != "valid" or pad.range_state == "undecided":
        return "doubt"
    return "within" if pad.range_state in ("within", None) else "out"
