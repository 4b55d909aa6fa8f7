"""A point's trend as a picture: values with intervals, the expected range, what happened meanwhile."""

from datetime import UTC, tzinfo
from typing import Any

from stripread.check import Method
from stripread.i18n import ENGLISH, Joined, Message, Say
from stripread.records import Event, RecordedPad, Trend
from stripread.site import Expectation

__all__ = ["plot_trend", "short_dates"]

_YEAR = 300.0  # days; over it the year has to be named
_DAYS = 3.0  # under it the hour has to be named
_CLOSE = 0.03  # of the time shown
# Shape tells the verdict, not colour: filled where valid and within, hollow where not.
_MARKS = {"within": ("o", "black"), "out": ("X", "black"), "doubt": ("s", "none")}
_MARKS_ENTERED = {
    "within": ("D", "black"),
    "out": ("P", "black"),
    "doubt": ("D", "none"),
}  # by other means


def plot_trend(trend: Trend, ax: Any, *, expected: Expectation | None, say: Say = ENGLISH.show) -> Any:
    """Draw the main analyte of a trend with at least one reading on an axes; return it."""
    unit = trend.readings[0].main.unit
    if expected is not None:
        ax.axhspan(
            expected.low,
            expected.high,
            color="0.9",
            zorder=0,
            label=say(Joined((Message("expected"), expected.words))),
        )
    marks: dict[tuple[str, str], list[tuple[Any, float]]] = {}
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
        marks.setdefault((reading.method.by, _state(reading.validity, pad)), []).append((reading.when, pad.value))
    labels = {"within": say(Message("within")), "out": say(Message("out of range")), "doubt": say(Message("in doubt"))}
    for (by, state), points in marks.items():
        marker, face = (_MARKS if by == "strip" else _MARKS_ENTERED)[state]
        label = labels[state] if by == "strip" else f"{labels[state]} ({say(Method(by=by).words)})"
        when, values = zip(*points, strict=True)
        ax.scatter(when, values, marker=marker, facecolors=face, edgecolors="black", label=label, zorder=2)
    _mark_events(trend, ax, say)
    ax.set(
        title=say(
            Message(
                "%(point)s: %(analyte)s, 95 %% intervals",
                point=trend.point,
                analyte=Message(trend.readings[0].main.analyte),
            )
        ),
        ylabel=unit,
    )
    if all(pad.low is None or pad.low >= 0 for pad in (reading.main for reading in trend.readings)):
        ax.set_ylim(bottom=0)
    short_dates(ax, say, zone=trend.readings[-1].when.tzinfo)
    ax.legend(fontsize="small", loc="best")
    return ax


def _mark_events(trend: Trend, ax: Any, say: Say) -> None:
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
        words = ", ".join(dict.fromkeys(_short(event, say) for event in group))
        ax.annotate(
            words, (group[0].at, 1.0), xycoords=("data", "axes fraction"), rotation=90, fontsize=6, ha="right",
            va="top", xytext=(-1, -2), textcoords="offset points",
        )  # fmt: skip


def _short(event: Event, say: Say) -> str:
    """Name an event in a few words: of one that was noted its type."""
    if event.kind == "event":
        return say(Message(event.words.partition(":")[0]))
    return f"{say(Message(event.kind))} {event.words}"


def short_dates(ax: Any, say: Say = ENGLISH.show, *, zone: tzinfo | None = UTC) -> None:
    """Let the time axis name days as they began and ended in a zone, of shorter times hours, of longer ones months."""
    from matplotlib.dates import AutoDateLocator, num2date
    from matplotlib.ticker import FuncFormatter

    first, last = ax.get_xlim()  # in days

    def name(day: float, _: object) -> str:
        when = num2date(day, zone)
        month = say(Message(format(when, "%b")))
        if last - first < _DAYS:
            return f"{when:%H:%M}\n{when:%d} {month}"
        return f"{when:%d} {month}" if last - first < _YEAR else f"{month} {when:%Y}"

    ax.xaxis.set_major_locator(AutoDateLocator(tz=zone, minticks=3, maxticks=7))
    ax.xaxis.set_major_formatter(FuncFormatter(name))


def _state(validity: str, pad: RecordedPad) -> str:
    if validity != "valid" or pad.range_state == "undecided":
        return "doubt"
    return "within" if pad.range_state in ("within", None) else "out"
