"""The report of a calibrated lot: one HTML page that holds its pictures, to be printed, checked and signed."""

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Any

import numpy as np

from stripread import __version__
from stripread.calibrate import Coverage
from stripread.check import CAUTION
from stripread.errors import StripReadError
from stripread.i18n import ENGLISH, Message, Say
from stripread.lot import Calibrator, CheckRow, Condition, LimitOf, Lot, PadCalibration
from stripread.records import StudyStanding
from stripread.report.document.page import data_uri, figure_png, page_environment
from stripread.report.lot.page import level_rows, new_figure, plot_pad, read_off
from stripread.report.study.words import lot_proven_words
from stripread.report.terminal.standard import broken_by_last
from stripread.units import counted, format_interval, format_number, places_for, two_digits

__all__ = ["ReportInputs", "check_cells", "control_chart", "figure_uri", "lot_report"]

_THUMB_PX = 128  # the longer side
_DPI = 120
_CAUTIONS = (
    "Not for drinking water compliance, medicine or food: this is no approved method and no licensed laboratory.",
    "Not a clearance: that a number is low does not mean that air or water is safe.",
    "Every number read with this lot is only as good as the dilutions it was calibrated with. An error of the stock "
    "that all of them were made from shows nowhere on this page.",
    CAUTION,
)


@dataclass(frozen=True, slots=True, kw_only=True)
class ReportInputs:
    """What the page is made of.

    Attributes
    ----------
    lot_file : Path
        Where the lot was loaded from.
    photos : mapping of str to tuple of Path, or None
        The series' photos by name, of which several series may have one each; None where no series was named, and no
        picture is shown.
    coverage : mapping of pad to Coverage
    checks : tuple of CheckRow
        The record of check standards; empty where there is none.
    study : StudyStanding or None
        The latest study of this calibration at the site.
    """

    lot: Lot
    lot_file: Path
    photos: Mapping[str, tuple[Path, ...]] | None
    coverage: Mapping[str, Coverage]
    checks: tuple[CheckRow, ...]
    today: date
    study: StudyStanding | None = None


def lot_report(inputs: ReportInputs) -> str:
    """Return the page as HTML.

    Raises
    ------
    MissingExtraError
        Without matplotlib.
    """
    environment = page_environment("stripread.report")
    lot = inputs.lot
    shown = _Photos(inputs.photos)
    return environment.get_template("lot_report.html").render(
        lot=lot,
        facts=_facts(inputs),
        pads=[_pad(pad, inputs, shown) for pad in lot.pads],
        photo_troubles=shown.troubles,
        series_given=inputs.photos is not None,
        cautions=_CAUTIONS,
        version=__version__,
        today=inputs.today.isoformat(),
    )


def _facts(inputs: ReportInputs) -> list[tuple[str, str]]:
    lot = inputs.lot
    expires = lot.expires.isoformat()
    return [
        ("Lot", lot.number),
        ("Strip kind", lot.kind),
        ("Expires", f"{expires} (EXPIRED)" if lot.expires < inputs.today else expires),
        ("Made on" if lot.provisional else "Calibrated on", lot.calibrated_on.isoformat()),
        ("Card print", f"{lot.card}{'' if lot.card_u_lab else ' (its colours were never measured)'}"),
        *((("Colours corrected by", "the card print's spectra"),) if lot.correction == "spectral" else ()),
        *((f"Condition {c.name}", _condition(c)) for c in lot.conditions),
        ("Proven on the site's phones", str(lot_proven_words(inputs.study))),
        ("Photos", str(len({c.photo_sha256 for pad in lot.pads for c in pad.calibrators}))),
        ("Left out by hand", ", ".join(lot.left_out) or "none"),
        ("Lot file", inputs.lot_file.name),
        ("SHA-256 of the lot file", lot.sha256),
        ("Lot file written by", _software(inputs.lot_file)),
        ("Report written by", f"stripread {__version__} on {inputs.today.isoformat()}"),
    ]


def _condition(condition: Condition) -> str:
    joined = "; joined later, not in the curve" if condition.joined else ""
    return f"{counted(condition.photos, 'photo')} with {condition.camera or 'an unknown phone'}{joined}"


def _software(lot_file: Path) -> str:
    return str(json.loads(lot_file.read_bytes()).get("software", "unknown"))


def _pad(pad: PadCalibration, inputs: ReportInputs, shown: "_Photos") -> dict[str, Any]:
    curve = pad.curve
    checks = [row for row in inputs.checks if row.pad == pad.pad and row.lot_sha256 == inputs.lot.sha256]
    others = sum(row.pad == pad.pad for row in inputs.checks) - len(checks)
    return {
        "id": pad.pad,
        "analyte": pad.analyte,
        "unit": pad.unit,
        "range": f"{curve.low:g} to {curve.top:g} {pad.unit}",
        "figures": _figures(pad),
        "limits": [("LOD", *_limit(pad.lod, pad.unit)), ("LOQ", *_limit(pad.loq, pad.unit))],
        "scatter": f"{100 * curve.scatter.relative:.1f} % along the curve and {curve.scatter.colour:.2f} CIELAB units, "
        f"{curve.scatter.degrees_of_freedom} degrees of freedom",
        "lack_of_fit": f"{pad.lack_of_fit:.2f}",
        "levels": level_rows(pad),
        "beyond": [(f"{c:g}", f"{x:.1f}", f"{a:.1f}", f"{b:.1f}") for c, x, a, b in pad.beyond],
        "coverage": _coverage(inputs.coverage.get(pad.pad)),
        "calibrators": [_calibrator_row(c, pad, inputs.lot, shown) for c in pad.calibrators],
        "checks": [check_cells(row) for row in checks],
        "other_checks": others,
        "chart": control_chart(checks, pad) if any(row.z is not None for row in checks) else None,
        "broken": broken_by_last(inputs.checks, inputs.lot, pad.pad),
    }


def _limit(limit: LimitOf, unit: str) -> tuple[str, str]:
    return ("none" if limit.value is None else f"{two_digits(limit.value)} {unit}", limit.definition)


def _coverage(found: Coverage | None) -> dict[str, Any] | None:
    if found is None:
        return None
    return {
        "share": "none" if found.share is None else f"{100 * found.share:.0f} %",
        "held": found.held,
        "intervals": found.intervals,
        "resamples": found.resamples,
        "refused": found.refused,
        "strips": found.strips,
        "seed": found.seed,
        "levels": [(f"{level:g}", f"{held} of {count}") for level, (held, count) in sorted(found.levels.items())],
    }


def _calibrator_row(c: Calibrator, pad: PadCalibration, lot: Lot, shown: "_Photos") -> dict[str, Any]:
    if c.beyond:
        residual: object = ""
        remark = "above the range, not in the fit"
    else:
        places = places_for(max(c.concentration, pad.curve.top / 20) * 0.02)
        residual = format_number(read_off(pad, np.array(c.lab)) - c.concentration, places)
        joined = c.condition < len(lot.conditions) and lot.conditions[c.condition].joined
        remark = "left out by hand" if c.left_out else "joined later, not in the curve" if joined else ""
    picture, trouble = shown.picture(c)
    return {
        "picture": picture,
        "trouble": trouble,
        "photo": c.photo,
        "sha": c.photo_sha256[:12],
        "camera": c.camera or "unknown",
        "cells": (
            f"{c.concentration:g}",
            f"{c.u_concentration:g}",
            c.replicate,
            *(f"{x:.1f}" for x in c.lab),
            residual,
        ),
        "remark": remark,
    }


def check_cells(row: CheckRow) -> tuple[object, ...]:
    """Return a check in words: when, photo, known, its u, read, interval, E_n, z, what came of it."""
    number = row.value is not None and row.u is not None and row.e_n is not None and row.z is not None
    places = places_for(2 * row.u) if row.u is not None else 3
    read, e_n, z = "no number", "", ""
    if number:
        read = str(format_number(row.value or 0.0, places))
        e_n, z = (str(format_number(score or 0.0, 2)) for score in (row.e_n, row.z))
    interval = "" if row.low is None and row.high is None else format_interval((row.low, row.high), places)
    if row.findings:
        verdict = f"doubtful: {', '.join(row.findings)}"
    elif row.e_n is None:
        outside = (row.low is not None and row.known < row.low) or (row.high is not None and row.known > row.high)
        verdict = "no number, and the known value lies OUTSIDE the interval" if outside else "no number"
    else:
        verdict = "agrees" if abs(row.e_n) <= 1 else "DIFFERS"
    return (
        row.read_at.date().isoformat(),
        row.photo,
        f"{row.known:g}",
        f"{row.u_known:g}",
        read,
        interval,
        e_n,
        z,
        verdict,
    )


# --- pictures --------------------------------------------------------------------------------------------------------


class _Photos:
    """Small pictures of the series' photos, each made once, and what is wrong with those that cannot be shown."""

    def __init__(self, paths: Mapping[str, tuple[Path, ...]] | None) -> None:
        self._paths = paths
        self._made: dict[tuple[str, str], tuple[str | None, str]] = {}

    @property
    def troubles(self) -> list[tuple[str, str]]:
        """Photo and reason, for all asked for so far that are not shown."""
        return [(name, trouble) for (name, _), (picture, trouble) in self._made.items() if picture is None and trouble]

    def picture(self, c: Calibrator) -> tuple[str | None, str]:
        """Return the picture of a calibrator's photo as a data URI, or None and why."""
        if self._paths is None:
            return None, ""
        key = (c.photo, c.photo_sha256)
        if key not in self._made:
            tried = [_thumbnail(path, c.photo_sha256) for path in self._paths.get(c.photo, ())]
            found = next((one for one in tried if one[0] is not None), None)
            self._made[key] = found or next(iter(tried), (None, "not named in the series"))
        return self._made[key]


def _thumbnail(path: Path, sha256: str) -> tuple[str | None, str]:
    import cv2

    from stripread.photo import decode_photo, open_photo, suggested_reduction

    if not path.is_file():
        return None, "photo missing"
    try:
        file = open_photo(path)
        if file.sha256 != sha256:
            return None, "another file: its SHA-256 is not the one in the lot file"
        pixels = decode_photo(file, reduction=suggested_reduction(file)).pixels
    except StripReadError:
        return None, "photo cannot be read"
    if pixels.dtype == np.uint16:
        pixels = (pixels >> 8).astype(np.uint8)
    rows, columns = pixels.shape[:2]
    factor = _THUMB_PX / max(rows, columns)
    size = (max(round(columns * factor), 1), max(round(rows * factor), 1))
    small = cv2.resize(pixels, size, interpolation=cv2.INTER_AREA)
    done, data = cv2.imencode(".jpg", small[:, :, ::-1], [cv2.IMWRITE_JPEG_QUALITY, 75])
    return (data_uri(data.tobytes(), "jpeg"), "") if done else (None, "photo cannot be shown")


def _figures(pad: PadCalibration) -> list[str]:
    """Draw path and lightness side by side, and the residuals beneath: wide enough to be read on paper."""
    upper, lower = new_figure(10, 4.6), new_figure(10, 3.4)
    plane, lightness = upper.subplots(1, 2)
    plot_pad(pad, plane, lightness, lower.subplots())
    return [figure_uri(upper), figure_uri(lower)]


def control_chart(
    rows: Sequence[CheckRow], pad: PadCalibration, *, size_in: tuple[float, float] = (10, 3.0), say: Say = ENGLISH.show
) -> str:
    """Draw the control chart as a data URI: z by the number of the check, hollow where it does not count."""
    figure = new_figure(*size_in)
    ax = figure.subplots()
    for counts, fill, label in (
        (True, "black", say(Message("counts"))),
        (False, "none", say(Message("does not count"))),
    ):
        if at := [(k + 1, row.z) for k, row in enumerate(rows) if row.z is not None and row.counts is counts]:
            ax.scatter(*zip(*at, strict=True), marker="o", facecolors=fill, edgecolors="black", label=label, zorder=3)
    for level, style in ((0, "-"), (2, "--"), (-2, "--"), (3, ":"), (-3, ":")):
        ax.axhline(level, color="black", linewidth=1, linestyle=style, zorder=1)
    reach = max(3.6, 1.1 * max(abs(row.z) for row in rows if row.z is not None))
    ax.set(
        xlim=(0.5, len(rows) + 0.5),
        ylim=(-reach, reach),
        xlabel=say(Message("number of the check")),
        ylabel="z",
        title=":\n".join(
            (
                say(Message("control chart of pad %(pad)s", pad=pad.pad)),
                say(Message("warning limits dashed, action limits dotted")),
            )
        ),
    )
    ax.xaxis.get_major_locator().set_params(integer=True)
    ax.legend(fontsize="small", loc="upper left")
    return figure_uri(figure)


def figure_uri(figure: Any) -> str:
    """Return a figure as a PNG in a data URI."""
    return data_uri(figure_png(figure, dpi=_DPI), "png")
