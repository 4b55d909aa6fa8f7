"""The pictures of a period's report: a point's trend with its limits, and a lot's control chart."""

from collections import Counter
from collections.abc import Sequence
from datetime import UTC

from stripread.check import individuals_chart
from stripread.i18n import Message, Say
from stripread.lot import CheckRow, Lot
from stripread.records import PointFacts
from stripread.report.document.document import Figure
from stripread.report.document.page import figure_png
from stripread.report.lot.page import new_figure
from stripread.report.pictures.trend import plot_trend, short_dates
from stripread.site import Site

__all__ = ["check_figure", "trend_figure"]

_FEWEST = 5  # values from which a point's own scatter is known, as for the rules that look back
_DPI = 110


def trend_figure(point: PointFacts, site: Site, say: Say) -> Figure:
    """Draw a point's trend; ``point`` has at least one reading."""
    readings = point.trend.readings
    expected = site.expectation(readings[-1].sample, readings[0].main.analyte)
    size = (8.2, 2.9)
    figure = new_figure(*size)
    ax = figure.subplots()
    plot_trend(point.trend, ax, expected=expected, say=say)
    good = [r for r in readings if r.validity == "valid" and r.main.value is not None]
    # Of one means alone: what two of them are off by is no scatter of the water.
    by = next(iter(Counter(r.method.by for r in good).most_common(1)), ("strip", 0))[0]
    values = [r.main.value for r in good if r.method.by == by and r.main.value is not None]
    if len(values) >= _FEWEST:
        chart = individuals_chart(values)
        for limit in (chart.mean - 3 * chart.sigma, chart.mean + 3 * chart.sigma):
            if limit > 0:
                ax.axhline(limit, color="black", linestyle=(0, (6, 3)), linewidth=0.8, zorder=1)
        own = say(Message("control limits of its own scatter"))
        ax.plot([], [], color="black", linestyle=(0, (6, 3)), linewidth=0.8, label=own)
        ax.legend(fontsize="x-small", loc="upper left", bbox_to_anchor=(1.0, 1.0))
    words = say(Message("readings over time with 95 % intervals and limits"))
    return Figure(figure_png(figure, dpi=_DPI), f"{point.name}: {words}", size)


def check_figure(checks: Sequence[CheckRow], lot: Lot, say: Say) -> Figure:
    """Draw a lot's check standards as scores; those that do not count are crossed out."""
    size = (8.2, 2.2)
    figure = new_figure(*size)
    ax = figure.subplots()
    for level, style in ((0, "-"), (-2, ":"), (2, ":"), (-3, "--"), (3, "--")):
        ax.axhline(level, color="0.4", linestyle=style, linewidth=0.9)
    own = [c for c in checks if c.z is not None and c.lot_sha256 == lot.sha256]
    for counts, mark, label in ((True, "o", say(Message("valid"))), (False, "x", say(Message("doubtful")))):
        shown = [c for c in own if c.counts is counts]
        if shown:
            ax.plot([c.when for c in shown], [c.z for c in shown], mark, color="black", label=label)
    ax.set(
        title=say(Message("Lot %(lot)s: check standards, limits at 2 and 3 standard uncertainties", lot=lot.number)),
        ylabel="z",
        ylim=(-4, 4),
    )
    short_dates(ax, say, zone=checks[-1].read_at.tzinfo if checks else UTC)
    ax.legend(fontsize="x-small", loc="upper left", bbox_to_anchor=(1.0, 1.0))
    return Figure(figure_png(figure, dpi=_DPI), say(Message("Control chart of lot %(lot)s", lot=lot.number)), size)
