"""A lot as its page shows it: limits, curve and residuals in figures of a phone's width and in tables, its checks."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Any

from stripread.errors import StripReadError
from stripread.i18n import Joined, Message, Number, Reader, Shown
from stripread.lot import RECORD, CheckRow, LimitOf, Lot, PadCalibration, chart_scores, load_record
from stripread.report import broken_by_last, check_cells, control_chart, figure_uri, level_rows, new_figure, plot_pad
from stripread.site import Site, find_lot_file, resolve_lot
from stripread.units import two_digits
from stripread.web.queue.exclusive import DRAWING

__all__ = ["LotLine", "checks_of", "lot_lines", "pad_checks", "pad_facts", "record_file"]

_PHONE_IN = (4.6, 4.0)  # inches: a figure as wide as a phone shows its words at their size
_SHOWN = 20  # checks in the table
_MOST_DRAWN = 40  # pads whose figures are remembered, some 150 kB each
_drawn: dict[tuple[str, str, str], tuple[str, str, str]] = {}


@dataclass(frozen=True, slots=True, kw_only=True)
class LotLine:
    """A lot of the site in the list; ``lot`` is None where its file cannot be used, ``trouble`` then says why."""

    name: str
    lot: Lot | None = None
    expired: bool = False
    pads: tuple[dict[str, object], ...] = ()
    trouble: StripReadError | None = None


def lot_lines(site: Site, *, today: date) -> list[LotLine]:
    """Return the lots of a site in the order of their names, with the state of their check standards."""
    lines = []
    for name in sorted(site.lots):
        try:
            lot = resolve_lot(name, site)
            checks = checks_of(site, name)
            pads = tuple(_pad_line(pad, lot, checks) for pad in lot.pads)
            lines.append(LotLine(name=name, lot=lot, expired=lot.expires < today, pads=pads))
        except StripReadError as error:  # of one lot: the others are shown all the same
            lines.append(LotLine(name=name, trouble=error))
    return lines


def checks_of(site: Site, name: str) -> tuple[CheckRow, ...]:
    """Return the checks of a lot from the file beside it (`RecordFileError`)."""
    return load_record(record_file(site, name))


def record_file(site: Site, name: str) -> Path:
    """Return where the checks of a lot are kept."""
    return find_lot_file(name, site).with_name(RECORD)


def _pad_line(pad: PadCalibration, lot: Lot, checks: Sequence[CheckRow]) -> dict[str, object]:
    scores = chart_scores(checks, pad=pad.pad, lot_sha256=lot.sha256)
    state = "none" if not scores else "broken" if broken_by_last(checks, lot, pad.pad) else "kept"
    return {
        "id": pad.pad,
        "analyte": pad.analyte,
        "range": _range(pad),
        "lod": _limit(pad.lod, pad.unit),
        "loq": _limit(pad.loq, pad.unit),
        "state": state,
        "checks": str(len(scores)),
    }


def _range(pad: PadCalibration) -> Message:
    top = Joined((Number(pad.curve.top, "g"), pad.unit))
    return Message("%(low)s to %(high)s", low=Number(pad.curve.low, "g"), high=top)


def _limit(limit: LimitOf, unit: str) -> Shown:
    return Message("none") if limit.value is None else Joined((two_digits(limit.value), unit))


def pad_facts(lot: Lot, pad: PadCalibration, language: str) -> dict[str, Any]:
    """Return what a page shows of one pad: limits, scatter, levels as a table, and three figures of them."""
    curve = pad.curve
    return {
        "id": pad.pad,
        "analyte": pad.analyte,
        "unit": pad.unit,
        "range": _range(pad),
        "lod": _limit(pad.lod, pad.unit),
        "lod_definition": pad.lod.definition,
        "loq": _limit(pad.loq, pad.unit),
        "loq_definition": pad.loq.definition,
        "scatter": Number(100 * curve.scatter.relative, ".1f"),
        "lack_of_fit": Number(pad.lack_of_fit, ".2f"),
        "levels": level_rows(pad),
        "beyond": [Number(row[0], "g") for row in pad.beyond],
        "figures": _figures(lot, pad, language),
    }


def _figures(lot: Lot, pad: PadCalibration, language: str) -> tuple[str, str, str]:
    """Return the figures of a pad: plane, lightness, residuals; drawn once for each lot file and language."""
    key = (lot.sha256, pad.pad, language)
    with DRAWING:
        if key not in _drawn:
            figures = [new_figure(*_PHONE_IN) for _ in range(3)]
            plane, lightness, residuals = (figure.subplots() for figure in figures)
            plot_pad(pad, plane, lightness, residuals, say=Reader(language=language).show)
            for ax in (plane, lightness, residuals):
                ax.set_title("")  # too long for a phone; the page has words of its own below each
            first, second, third = (figure_uri(figure) for figure in figures)
            while len(_drawn) >= _MOST_DRAWN:
                del _drawn[next(iter(_drawn))]  # the oldest
            _drawn[key] = (first, second, third)
        return _drawn[key]


def pad_checks(lot: Lot, pad: PadCalibration, rows: Sequence[CheckRow], language: str) -> dict[str, Any]:
    """Return a pad's check standards with this calibration: the latest as a table, the control chart, broken rules."""
    own = [row for row in rows if row.pad == pad.pad and row.lot_sha256 == lot.sha256]
    chart = None
    if any(row.z is not None for row in own):
        with DRAWING:
            chart = control_chart(own, pad, size_in=_PHONE_IN, say=Reader(language=language).show)
    return {
        "id": pad.pad,
        "analyte": pad.analyte,
        "unit": pad.unit,
        "rows": [check_cells(row) for row in reversed(own[-_SHOWN:])],
        "count": len(own),
        "counting": sum(row.counts for row in own),
        "chart": chart,
        "broken": broken_by_last(rows, lot, pad.pad),
    }
