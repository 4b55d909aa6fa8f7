"""Two lots compared, shown to people and programs: a table, a figure, JSON."""

from pathlib import Path
from typing import Any

import numpy as np

from stripread.lot import COMPARISON_K as K
from stripread.lot import Lot, LotComparison, PadComparison
from stripread.report.lot.page import new_figure, save_figure
from stripread.report.terminal.reading import table
from stripread.units import format_number, places_for

__all__ = ["comparison_json", "comparison_text", "plot_comparison"]

_ROWS = 13  # of the table, spread over the points compared


def comparison_text(found: LotComparison) -> str:
    """Return the comparison in words and tables."""
    lines = [f"Lot A: {_lot_line(found.first)}", f"Lot B: {_lot_line(found.second)}"]
    lines += [f"  {sentence}" for sentence in found.circumstances]
    for pad in found.pads:
        lines += ["", *_pad_lines(pad)]
    return "\n".join(lines)


def _lot_line(lot: Lot) -> str:
    return (
        f"{lot.number} of kind {lot.kind}, calibrated on {lot.calibrated_on.isoformat()} with card {lot.card}, file "
        f"{lot.sha256[:12]}"
    )


def _pad_lines(pad: PadComparison) -> list[str]:
    unit = pad.unit
    order = np.unique(np.linspace(0, len(pad.concentration) - 1, _ROWS).round().astype(int))
    return [
        f"Pad {pad.pad}: {pad.analyte}, {pad.concentration[0]:g} to {pad.concentration[-1]:g} {unit}",
        f"  {verdict_words(pad)}",
        table(
            (f"A [{unit}]", "B reads", "B minus A", f"{K:g} u", "with light", "Delta E off B", f"over {K:g} u"),
            [_row(pad, int(k)) for k in order],
        ),
        "  B reads: what lot B makes of the colour that lot A's curve has there. u: of the difference, from the "
        "covariances",
        "  of both curves; strip-to-strip scatter is not in it. With light: also from how far the lights of the",
        "  calibrations are apart, as the card shows it. Delta E off B: distance of that colour from B's curve.",
    ]


_HEADS = {
    "agree": "✔ no difference beyond the uncertainty of the curves",
    "light": "? THE CURVES DIFFER, by no more than the lights of the two calibrations may explain",
    "differ": "▲ THE LOTS DIFFER, by more than curves and lights explain",
}


def verdict_words(pad: PadComparison) -> str:
    """Return what the comparison of one pad comes to."""
    judged = ~pad.at_end
    largest, largest_light = (float(np.abs(r).max(initial=0.0)) for r in (pad.ratio, pad.ratio_light))
    where = float(pad.concentration[int(np.abs(pad.ratio).argmax())])
    share = float(pad.beyond[judged].mean()) if judged.any() else 0.0
    words = (
        f"the largest difference is {largest:.1f} u, at {where:.3g} {pad.unit}; equal curves exceed {pad.limit:.1f} u "
        f"somewhere with a chance of 5 %. {100 * share:.0f} % of the points judged lie over {K:g} u one by one"
    )
    if pad.u_light.any():
        words += f". With the lights: {largest_light:.1f} u at most, against {pad.limit_light:.1f} u"
    if pad.off_curve.any():
        off = pad.concentration[pad.off_curve]
        words += f". From {off.min():.3g} to {off.max():.3g} {pad.unit} lot B would call lot A's colour none of its own"
    return f"{_HEADS[pad.verdict]}: {words}."


def _row(pad: PadComparison, k: int) -> tuple[object, ...]:
    places = places_for(float(2 * pad.u[k]))
    read = format_number(float(pad.read[k]), places)
    if pad.at_end[k]:
        return (f"{pad.concentration[k]:g}", f"{read} (end of B)", "", "", "", f"{pad.delta_e[k]:.2f}", "not judged")
    return (
        f"{pad.concentration[k]:g}",
        read,
        format_number(float(pad.difference[k]), places),
        format_number(float(K * pad.u[k]), places),
        format_number(float(K * pad.u_all[k]), places),
        f"{pad.delta_e[k]:.2f}",
        "yes" if abs(pad.ratio_light[k]) > K else "light?" if pad.beyond[k] else "no",
    )


def comparison_json(found: LotComparison) -> dict[str, Any]:
    """Return the comparison for programs, at every point compared."""
    return {
        "lots": [
            {"number": lot.number, "kind": lot.kind, "card": lot.card, "sha256": lot.sha256}
            for lot in (found.first, found.second)
        ],
        "circumstances": list(found.circumstances),
        "pads": [
            {
                "pad": pad.pad,
                "analyte": pad.analyte,
                "unit": pad.unit,
                "verdict": pad.verdict,
                "limit": pad.limit if np.isfinite(pad.limit) else None,
                "limit_light": pad.limit_light if np.isfinite(pad.limit_light) else None,
                "points": [_point_json(pad, k) for k in range(len(pad.concentration))],
            }
            for pad in found.pads
        ],
    }


def _point_json(pad: PadComparison, k: int) -> dict[str, Any]:
    judged = not pad.at_end[k]
    return {
        "concentration": float(pad.concentration[k]),
        "read": float(pad.read[k]),
        "difference": float(pad.difference[k]) if judged else None,
        "standard_uncertainty": float(pad.u[k]) if judged else None,
        "standard_uncertainty_light": float(pad.u_light[k]) if judged else None,
        "beyond": bool(pad.beyond[k]) if judged else None,
        "delta_e": float(pad.delta_e[k]),
        "off_curve": bool(pad.off_curve[k]),
    }


def plot_comparison(found: LotComparison, path: Path) -> None:
    """Draw the differences to a PNG, SVG or PDF file, a panel for each pad.

    Raises
    ------
    MissingExtraError
        Without matplotlib.
    DrawingError
        If the suffix is of no format known.
    """
    figure = new_figure(9, 4.5 * len(found.pads))
    figure.suptitle(f"Lot {found.second.number} (B) against lot {found.first.number} (A)")
    for pad, (ax,) in zip(found.pads, figure.subplots(len(found.pads), 1, squeeze=False), strict=True):
        _plot_pad(pad, ax)
    save_figure(figure, path)


def _plot_pad(pad: PadComparison, ax: Any) -> None:
    judged = ~pad.at_end
    at, off, u, u_all = (x[judged] for x in (pad.concentration, pad.difference, pad.u, pad.u_all))
    reach, inner = pad.limit_light * u_all, pad.limit * u
    ax.fill_between(at, off - reach, off + reach, color="0.9", label="95 %, the whole curve at once, with the lights")
    ax.fill_between(at, off - inner, off + inner, color="0.75", label="95 %, the whole curve at once, curves alone")
    ax.plot(
        at, off - K * u, color="black", linewidth=0.8, linestyle=":", label=f"{K:g} u of the curves, point by point"
    )
    ax.plot(at, off + K * u, color="black", linewidth=0.8, linestyle=":")
    ax.plot(at, off, color="black", linewidth=1.5, label="what B reads less what A stands for")
    beyond = pad.beyond[judged]
    ax.plot(at[beyond], off[beyond], "kv", markersize=5, label=f"over {K:g} u")
    ax.axhline(0.0, color="black", linewidth=1, linestyle="--")
    if pad.concentration[0] == 0:
        ax.set_xscale("function", functions=(lambda c: np.sign(c) * np.sqrt(np.abs(c)), lambda r: np.sign(r) * r * r))
        ax.set_xlim(0, pad.concentration[-1])
    ax.set(
        xlabel=f"{pad.analyte} by lot A [{pad.unit}]",
        ylabel=f"B minus A [{pad.unit}]",
        title=f"pad {pad.pad}: {_HEADS[pad.verdict].partition(' ')[2]}",
    )
    ax.grid(alpha=0.3)
    ax.legend(fontsize="small")
