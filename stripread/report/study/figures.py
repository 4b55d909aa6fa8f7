"""The pictures of a study's report: what strips read over the truth, scores by place, by eye against by photo."""

import math
from collections.abc import Sequence
from itertools import pairwise
from typing import Any

import numpy as np

from stripread.i18n import Message, Say
from stripread.report.document.document import Figure
from stripread.report.document.page import figure_png
from stripread.report.lot.page import new_figure
from stripread.report.study.words import strength_words
from stripread.study import PhotoRow, StudyTable

__all__ = ["eye_figure", "ratio_figure", "score_figure"]

_DPI = 110
_MARKS = "os^Dv<>P*X"
_TICKS = (0.7, 0.8, 0.9, 1.0, 1.1, 1.25, 1.4)
_WIDE_TICKS = (0.25, 0.5, 0.7, 1.0, 1.4, 2.0, 4.0)


def ratio_figure(table: StudyTable, limit: float, say: Say) -> Figure:
    """Draw read over true with its interval, first photo of each strip; those that miss the truth are crossed out."""
    size = (8.2, 3.4)
    figure = new_figure(*size)
    ax = figure.subplots()
    rows = [row for row in table.first_photos("strength") if row.estimate]
    names = list(dict.fromkeys(s.name for s in table.strengths if s.kind == "strength"))
    rows.sort(key=lambda row: names.index(row.strength))
    for held, mark, words in (
        (True, "o", Message("interval holds")),
        (False, "X", Message("interval MISSES the truth")),
    ):
        own = [(at, row) for at, row in enumerate(rows) if bool(row.held) is held]
        for at, row in own:
            low, high = ((end or edge) / row.truth for end, edge in ((row.low, 1e-3), (row.high, 1e3 * row.truth)))
            ax.plot([at, at], [low, high], color="black", linewidth=2.2 if not held else 1.0)
        look = {"markerfacecolor": "white" if held else "black", "markersize": 6 if held else 9}
        heights = [(row.estimate or 0) / row.truth for _, row in own]
        ax.plot([at for at, _ in own], heights, mark, color="black", label=say(words), **look)
    _log_ratio_axis(ax, limit)
    known = [name for name in names if any(row.strength == name for row in rows)]
    edges = [sum(names.index(row.strength) < names.index(name) for row in rows) for name in known] + [len(rows)]
    for edge in edges[1:-1]:
        ax.axvline(edge - 0.5, color="0.6", linewidth=0.8)
    ax.set_xticks([(a + b - 1) / 2 for a, b in pairwise(edges)], [say(strength_words(name)) for name in known])
    ax.set(ylabel=say(Message("read over true")), title=say(Message("First photo of each strip, with its interval")))
    ax.legend(fontsize="x-small", loc="lower right", ncols=2)
    shown = say(Message("Read over true of each strip with its interval; dashed: the limit of trueness"))
    return Figure(figure_png(figure, dpi=_DPI), shown, size)


def _log_ratio_axis(ax: Any, limit: float) -> None:
    ax.set_yscale("log")
    low, high = ax.get_ylim()
    low, high = max(min(low, 0.75), 0.2), min(max(high, 1.35), 5.0)
    ax.set_ylim(low, high)
    ticks = [t for t in (_TICKS if high / low < 3 else _WIDE_TICKS) if low <= t <= high]
    ax.set_yticks(ticks, [f"{t:g}" for t in ticks])
    ax.set_yticks([], minor=True)
    ax.axhline(1.0, color="black", linewidth=1)
    for bound in (math.exp(-limit), math.exp(limit)):
        ax.axhline(bound, color="black", linewidth=0.9, linestyle="--")


def score_figure(table: StudyTable, say: Say) -> Figure:
    """Draw the scores z of all photos by phone and light."""
    size = (8.2, 3.0)
    figure = new_figure(*size)
    ax = figure.subplots()
    places: dict[tuple[str, str], list[PhotoRow]] = {}
    for row in table.of_kind("strength"):
        if row.z is not None:
            places.setdefault((row.phone, row.light), []).append(row)
    names = [s.name for s in table.strengths if s.kind == "strength"]
    rng = np.random.default_rng(1)  # only spreads marks sideways
    for at, place in enumerate(sorted(places)):
        for row in places[place]:
            ax.plot(at + rng.uniform(-0.25, 0.25), row.z, _MARKS[names.index(row.strength) % len(_MARKS)],
                    color="black", markerfacecolor="none", markersize=5)  # fmt: skip
    for name, mark in zip(names, _MARKS, strict=False):
        ax.plot([], [], mark, color="black", markerfacecolor="none", label=say(strength_words(name)))
    for level, style in ((0, "-"), (-1.96, "--"), (1.96, "--")):
        ax.axhline(level, color="black", linewidth=0.9, linestyle=style)
    ax.set_xticks(range(len(places)), [f"{phone}\n{light}" for phone, light in sorted(places)], fontsize="x-small")
    title = say(Message("All photos: error over what is stated; 95 % should lie between the dashed lines"))
    ax.set(ylabel="z", title=title, xlim=(-0.5, max(len(places) - 0.5, 0.5)))
    ax.legend(fontsize="x-small", loc="upper left", bbox_to_anchor=(1.0, 1.0))
    return Figure(figure_png(figure, dpi=_DPI), title, size)


def eye_figure(table: StudyTable, limit: float, say: Say) -> Figure:
    """Draw photo and eye over true side by side against the truth (Bland and Altman, on logarithms)."""
    size = (8.2, 3.2)
    figure = new_figure(*size)
    axes = figure.subplots(1, 2, sharey=True)
    firsts = {row.code: row for row in table.first_photos("strength")}
    photo = [(row.truth, math.exp(row.log_ratio)) for row in firsts.values() if row.log_ratio is not None]
    eye = [
        (firsts[one.code].truth, max(one.value / firsts[one.code].truth, 0.1))
        for one in table.eyes
        if one.code in firsts
    ]
    for ax, points, words in zip(axes, (photo, eye), (Message("by photo"), Message("by eye")), strict=True):
        _agreement(ax, points)
        ax.set(title=say(words), xlabel=say(Message("true")))
        ax.set_xscale("log")
    axes[0].set_ylabel(say(Message("read over true")))
    for ax in axes:
        _log_ratio_axis(ax, limit)
    shown = say(Message("Read over true, by photo and by eye; dotted: 95 % limits of agreement"))
    return Figure(figure_png(figure, dpi=_DPI), shown, size)


def _agreement(ax: Any, points: Sequence[tuple[float, float]]) -> None:
    if not points:
        return
    ax.plot([x for x, _ in points], [y for _, y in points], "o", color="black", markerfacecolor="none", markersize=5)
    logs = np.log([y for _, y in points])
    mean, sd = float(logs.mean()), float(logs.std(ddof=1)) if len(logs) > 1 else 0.0
    for at, style in ((mean - 2 * sd, ":"), (mean, "-."), (mean + 2 * sd, ":")):
        ax.axhline(math.exp(at), color="black", linewidth=1.4, linestyle=style)
