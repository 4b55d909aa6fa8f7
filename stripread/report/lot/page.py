"""A lot shown to people: its curves, limits and residuals as text and as a figure."""

import io
from pathlib import Path
from typing import Any

import numpy as np

from stripread.calibrate import curve_calibrators
from stripread.errors import DrawingError, MissingExtraError
from stripread.files import write_file
from stripread.geometry import Float
from stripread.i18n import ENGLISH, Message, Say, Verbatim
from stripread.lot import LimitOf, Lot, PadCalibration, invert_curve
from stripread.report.terminal.reading import table
from stripread.units import counted, format_number, places_for, two_digits

__all__ = ["level_rows", "lot_text", "new_figure", "plot_lot", "plot_pad", "read_off", "save_figure"]

_EXACT = {"pixels": 1e-4 * np.eye(3)}  # a colour taken as it is: the place on the curve, not its interval


def lot_text(lot: Lot) -> str:
    """Return a lot in words and tables."""
    lines = [
        f"Lot {lot.number} of kind {lot.kind}, expires {lot.expires.isoformat()}",
        f"calibrated on {lot.calibrated_on.isoformat()} with card {lot.card}",
    ]
    for condition in lot.conditions:
        more = ", joined: shifts the others' curve" if condition.joined else ""
        photos = counted(condition.photos, "photo")
        lines.append(f"  condition {condition.name}: {photos}, {condition.camera or 'phone unknown'}{more}")
    if lot.correction == "spectral":
        lines.append("colours corrected by the card print's spectra")
    if lot.provisional:
        lines.append(
            "PROVISIONAL: made from the chart on the vial, not calibrated; the levels below are its blocks, and "
            "scatter is an allowance"
        )
    if lot.left_out:
        lines.append(f"left out by hand: {', '.join(lot.left_out)}")
    for pad in lot.pads:
        lines += ["", *_pad_lines(pad)]
    return "\n".join(lines)


def _pad_lines(pad: PadCalibration) -> list[str]:
    curve, unit = pad.curve, pad.unit
    scatter = curve.scatter
    return [
        f"Pad {pad.pad}: {pad.analyte}, {curve.low:g} to {curve.top:g} {unit}",
        f"  LOD  {_limit(pad.lod, unit)}",
        f"  LOQ  {_limit(pad.loq, unit)}",
        f"  strip-to-strip scatter: {100 * scatter.relative:.1f} % along the curve and {scatter.colour:.2f} CIELAB "
        f"units, {scatter.degrees_of_freedom} degrees of freedom",
        f"  lack of fit: {pad.lack_of_fit:.2f} (residual standard deviation of the levels in their uncertainties)",
        "  levels of the series; residual = read from the curve minus assigned:",
        table(
            (f"assigned [{unit}]", "strips", "L*", "a*", "b*", "Delta E to curve", f"residual [{unit}]"),
            level_rows(pad),
        ),
        "  the curve:",
        table(
            (f"[{unit}]", "L*", "a*", "b*", "step in Delta E"),
            _curve_rows(pad),
        ),
        *(_beyond_lines(pad) if pad.beyond else ()),
    ]


def _limit(limit: LimitOf, unit: str) -> str:
    return (
        f"none: {limit.definition}" if limit.value is None else f"{two_digits(limit.value)} {unit}: {limit.definition}"
    )


def _levels(pad: PadCalibration) -> list[float]:
    return sorted({c.concentration for c in curve_calibrators(pad.calibrators)})


def level_rows(pad: PadCalibration) -> list[tuple[object, ...]]:
    """Return for each level what was assigned, its strips, mean L*, a*, b*, Delta E to the curve, residual."""
    return [_level_row(level, pad) for level in _levels(pad)]


def _level_row(level: float, pad: PadCalibration) -> tuple[object, ...]:
    own = [c for c in curve_calibrators(pad.calibrators) if c.concentration == level]
    lab = np.mean([c.lab for c in own], axis=0)
    places = places_for(max(level, pad.curve.top / 20) * 0.02)
    delta_e = float(np.linalg.norm(lab - pad.curve.lab(np.array([level]))[0]))
    residual = format_number(read_off(pad, lab) - level, places)
    return (f"{level:g}", str(len({c.replicate for c in own})), *(f"{x:.2f}" for x in lab), f"{delta_e:.2f}", residual)


def read_off(pad: PadCalibration, lab: Float) -> float:
    """Concentration of the curve's nearest point."""
    return invert_curve(pad.curve, lab, _EXACT, {}).value


def _curve_rows(pad: PadCalibration) -> list[tuple[str, ...]]:
    points = pad.curve.low + (pad.curve.top - pad.curve.low) * np.array([0, 0.02, 0.05, 0.1, 0.2, 0.35, 0.5, 0.75, 1.0])
    lab = pad.curve.lab(points)
    steps = np.concatenate([[0.0], np.linalg.norm(np.diff(lab, axis=0), axis=1)])
    return [
        (f"{c:.4g}", *(f"{x:.2f}" for x in row), "" if i == 0 else f"{steps[i]:.2f}")
        for i, (c, row) in enumerate(zip(points, lab, strict=True))
    ]


def _beyond_lines(pad: PadCalibration) -> list[str]:
    rows = [(f"{c:g}", f"{light:.2f}", f"{a:.2f}", f"{b:.2f}") for c, light, a, b in pad.beyond]
    return ["  above the range, where the pad bleaches or turns back (not in the fit):", table(
        (f"[{pad.unit}]", "L*", "a*", "b*"), rows
    )]  # fmt: skip


def plot_lot(lot: Lot, path: Path) -> None:
    """Draw the lot's curves to a PNG, SVG or PDF file, a row for each pad.

    Left: the path on the a*b* plane. Middle: lightness. Right: residuals in concentration. Levels differ by the shape
    of their marks and bear their numbers, so nothing rests on colour alone.

    Raises
    ------
    MissingExtraError
        Without matplotlib.
    DrawingError
        If the suffix is of no format known.
    """
    figure = new_figure(16, 5.4 * len(lot.pads))
    figure.suptitle(
        f"Lot {lot.number}, kind {lot.kind}, calibrated on {lot.calibrated_on.isoformat()} with card {lot.card}"
    )
    rows = figure.subplots(len(lot.pads), 3, squeeze=False)
    for pad, (plane, lightness, residuals) in zip(lot.pads, rows, strict=True):
        plot_pad(pad, plane, lightness, residuals)
    save_figure(figure, path)


def plot_pad(pad: PadCalibration, plane: Any, lightness: Any, residuals: Any, *, say: Say = ENGLISH.show) -> None:
    """Draw one pad's path, lightness and residuals on three axes of matplotlib."""
    _plot_plane(pad, plane, say)
    _plot_lightness(pad, lightness, say)
    _plot_residuals(pad, residuals, say)


def new_figure(width_in: float, height_in: float) -> Any:
    """Return an empty figure of matplotlib, `MissingExtraError` without it. No window, no global state."""
    try:
        from matplotlib.backends.backend_agg import FigureCanvasAgg
        from matplotlib.figure import Figure
    except ImportError:
        raise MissingExtraError(
            expected=Message("the package matplotlib for figures"),
            found=Message("it is not installed"),
            remedy=Message("Install it with `pip install 'stripread[plot]'`."),
        ) from None
    figure = Figure(figsize=(width_in, height_in), layout="constrained")
    FigureCanvasAgg(figure)
    return figure


def save_figure(figure: Any, path: Path) -> None:
    """Write a figure to a PNG, SVG or PDF file, `DrawingError` for any other."""
    if path.suffix.lower() not in (".png", ".svg", ".pdf"):
        raise DrawingError(
            expected=Message("a file name that ends in .png, .svg or .pdf"),
            found=Verbatim(path.name),
            remedy=Message("Choose one of these."),
        )
    out = io.BytesIO()
    figure.savefig(out, format=path.suffix.lower()[1:], dpi=130)
    write_file(path, out.getvalue())


_SHAPES = "os^Dv<>P*Xhpd"


def _shape(index: int) -> str:
    return _SHAPES[index % len(_SHAPES)]


def _srgb(lab: Float) -> Float:
    """Display colours of CIELAB (n, 3), clipped to what a screen can show."""
    from stripread.colour import colour_science, d50_white, lab_to_xyz

    colour = colour_science()
    white = d50_white()
    rgb: Float = colour.XYZ_to_RGB(
        lab_to_xyz(lab),
        "sRGB",
        white[:2] / white.sum(),
        chromatic_adaptation_transform="Bradford",
        apply_cctf_encoding=True,
    )
    return np.clip(rgb, 0.0, 1.0)


def _plot_plane(pad: PadCalibration, ax: Any, say: Say) -> None:
    """Draw the path on the a*b* plane, each level in its own colour and shape, with its number."""
    fine = pad.curve.lab(pad.curve.grid())
    ax.plot(fine[:, 1], fine[:, 2], color="0.35", linewidth=1.2, zorder=1, label=say(Message("curve")))
    for index, level in enumerate(_levels(pad)):
        labs = np.array([c.lab for c in curve_calibrators(pad.calibrators) if c.concentration == level])
        ax.scatter(
            labs[:, 1],
            labs[:, 2],
            c=_srgb(labs),
            marker=_shape(index),
            s=60,
            edgecolors="black",
            linewidths=0.7,
            zorder=3,
        )
        _number(ax, f"{level:g}", labs[:, 1].mean(), labs[:, 2].mean())
    if pad.beyond:
        beyond = np.array(pad.beyond)
        ax.plot(
            [fine[-1, 1], *beyond[:, 2]],
            [fine[-1, 2], *beyond[:, 3]],
            color="0.35",
            linewidth=1,
            linestyle=":",
            zorder=1,
        )
        ax.scatter(
            beyond[:, 2], beyond[:, 3], color="black", marker="x", s=60, label=say(Message("above the range")), zorder=3
        )
        for row in beyond:
            _number(ax, f"{row[0]:g}", row[2], row[3], shift=(-12, -18))
    _left_out(pad, ax, say)
    ax.set(
        xlabel="a*",
        ylabel="b*",
        title=say(
            Message("%(analyte)s [%(unit)s]: path on the a*b* plane", analyte=Message(pad.analyte), unit=pad.unit)
        ),
    )
    ax.set_aspect("equal", adjustable="datalim")
    ax.grid(alpha=0.3)
    ax.legend(fontsize="small")


def _number(ax: Any, text: str, x: float, y: float, *, shift: tuple[int, int] = (9, 9)) -> None:
    ax.annotate(text, (x, y), xytext=shift, textcoords="offset points", fontsize=11, zorder=4)


def _left_out(pad: PadCalibration, ax: Any, say: Say) -> None:
    labs = np.array([c.lab for c in pad.calibrators if c.left_out])
    if len(labs):
        ax.scatter(
            labs[:, 1], labs[:, 2], marker="|", color="black", s=90, label=say(Message("left out by hand")), zorder=3
        )


def _plot_lightness(pad: PadCalibration, ax: Any, say: Say) -> None:
    """Draw lightness against concentration, with LOD and LOQ."""
    grid = np.linspace(pad.curve.low, pad.curve.top, 300)
    ax.plot(grid, pad.curve.lab(grid)[:, 0], color="0.35", linewidth=1.2, label=say(Message("curve")))
    for index, level in enumerate(_levels(pad)):
        labs = np.array([c.lab for c in curve_calibrators(pad.calibrators) if c.concentration == level])
        ax.scatter(
            np.full(len(labs), level),
            labs[:, 0],
            c=_srgb(labs),
            marker=_shape(index),
            s=60,
            edgecolors="black",
            linewidths=0.7,
        )
    _limits(pad, ax)
    _spread(pad, ax)
    ax.set(xlabel=f"{say(Message(pad.analyte))} [{pad.unit}]", ylabel="L*", title=say(Message("lightness")))
    ax.grid(alpha=0.3)
    ax.legend(fontsize="small")


def _limits(pad: PadCalibration, ax: Any) -> None:
    for name, limit, style in (("LOD", pad.lod, "--"), ("LOQ", pad.loq, "-.")):
        if limit.value is not None:
            ax.axvline(
                limit.value,
                color="black",
                linestyle=style,
                linewidth=1,
                label=f"{name} {two_digits(limit.value)}",
            )


def _plot_residuals(pad: PadCalibration, ax: Any, say: Say) -> None:
    """Draw what each photo of the series reads from the curve, less what was assigned."""
    for index, level in enumerate(_levels(pad)):
        labs = np.array([c.lab for c in curve_calibrators(pad.calibrators) if c.concentration == level])
        residuals = [read_off(pad, lab) - level for lab in labs]
        ax.scatter(
            np.full(len(labs), level),
            residuals,
            c=_srgb(labs),
            marker=_shape(index),
            s=60,
            edgecolors="black",
            linewidths=0.7,
        )
    ax.axhline(0.0, color="0.35", linewidth=1.2)
    _spread(pad, ax)
    ax.set(
        xlabel=say(Message("assigned [%(unit)s]", unit=pad.unit)),
        ylabel=say(Message("read minus assigned [%(unit)s]", unit=pad.unit)),
        title="\n".join(
            (say(Message("residuals, one mark a photo")), say(Message("(readings stop at the ends of the curve)")))
        ),
    )
    ax.grid(alpha=0.3)


def _spread(pad: PadCalibration, ax: Any) -> None:
    """Space concentrations by their square root where there is a zero: the weak levels would lie on each other."""
    if pad.curve.low == 0:
        ax.set_xscale("function", functions=(lambda c: np.sign(c) * np.sqrt(np.abs(c)), lambda r: np.sign(r) * r * r))
        ax.set_xlim(-0.002 * pad.curve.top, 1.05 * pad.curve.top)
        ax.set_xticks(_levels(pad), [f"{level:g}" for level in _levels(pad)])
