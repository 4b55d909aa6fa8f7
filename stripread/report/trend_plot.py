"""A point's trend as a picture: values with intervals, the expected range, what happened meanwhile."""

from typing import Any

from stripread.records.queries import RecordedPad
from stripread.records.trend import Trend
from stripread.site import Expectation

__all__ = ["plot_trend"]

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
    for event in trend.events:
        ax.axvline(event.at, color="0.5", linestyle=":", linewidth=1, zorder=0)
        ax.annotate(
            f"{event.kind} {event.words}", (event.at, 1.0), xycoords=("data", "axes fraction"), rotation=90,
            fontsize=7, ha="right", va="top",
        )  # fmt: skip
    ax.set(title=f"{trend.point}: {trend.readings[0].main.analyte}, 95 % intervals", ylabel=unit)
    ax.set_ylim(bottom=0)
    ax.tick_params(axis="x", labelrotation=30)
    ax.legend(fontsize="small", loc="best")
    return ax


def _state(validity: str, pad: RecordedPad) -> str:
    if validity != "valid" or pad.range_state == "undecided":
        return "doubt"
    return "within" if pad.range_state in ("within", None) else "out"
