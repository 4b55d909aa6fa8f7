"""The photo with the verdict: card and pads outlined, and a banner above and a footer below, legible on a phone.

Nothing is written over the picture itself, so that pads and card can still be judged by eye. The verdict is said by
word and by shape; colour only repeats it.
"""

import io
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw, ImageFont

from stripread.check import Verdict
from stripread.errors import StripReadError
from stripread.files import write_file
from stripread.geometry import Float, scale_points
from stripread.i18n import Verbatim
from stripread.measure import ChartMeasurement
from stripread.photo import Photo
from stripread.report.words import (
    Headline,
    diluted_line,
    error_headline,
    expected_line,
    pad_words,
    steps_of,
    verdict_headline,
)

__all__ = ["Picture", "draw_chart", "draw_error", "draw_verdict", "outline", "save_picture", "shrunk", "tag"]

Picture = NDArray[np.uint8]
Colour = tuple[int, int, int]

_LONGEST_PX = 1600
_BLACK: Colour = (16, 16, 16)
_WHITE: Colour = (255, 255, 255)
# Background and ink for each sign: contrast of 7:1 or more, and lightnesses apart, for eyes that do not tell hues.
_COLOURS: dict[str, tuple[Colour, Colour]] = {
    "tick": ((0, 88, 44), _WHITE),
    "triangle": ((255, 190, 30), _BLACK),
    "question": ((20, 62, 120), _WHITE),
    "cross": ((140, 10, 20), _WHITE),
}
_GROWN = 1.5  # outlines run outside the pads, so that the pads stay bare


@dataclass(frozen=True, slots=True)
class _Line:
    """A line of text and its height as a share of the picture's width."""

    text: str
    share: float


def draw_verdict(verdict: Verdict) -> Picture:
    """Return the upright photo with its verdict, shape (rows, columns, 3), sRGB."""
    reading = verdict.reading
    card = reading.measurement.card
    picture, factor = shrunk(card.photo)
    outline(picture, scale_points(card.pose.corners_px, factor), width=3)
    for number, pad in enumerate(reading.measurement.pads, start=1):
        corners = scale_points(pad.polygon_px, factor)
        centre = corners.mean(axis=0)
        outline(picture, centre + (corners - centre) * _GROWN, width=3)
        if len(reading.measurement.pads) > 1:
            _tag_beside(picture, str(number), centre, scale_points(card.pose.corners_px, factor))
    several = len(verdict.pads) > 1
    lines = []
    for number, judged in enumerate(verdict.pads, start=1):
        words = pad_words(verdict, judged)
        prefix = f"{number}: " if several else ""
        if judged.reading.interval is None:
            lines.append(_Line(f"{prefix}{judged.reading.analyte}: {words}", 0.038))
        else:
            lines.append(_Line(f"{prefix}{words.value}", 0.06 if several else 0.085))
            lines.append(_Line(f"{judged.reading.analyte}, {words.interval}", 0.034))
        if (expected := expected_line(verdict, judged)) is not None:
            lines.append(_Line(f"expected {expected}", 0.03))
    if reading.dilution is not None:
        lines.append(_Line(f"diluted {diluted_line(verdict, reading.dilution)}", 0.026))
    footer = [_Line(f"{i}. {step}", 0.03) for i, step in enumerate(steps_of(verdict), start=1)]
    footer += [_Line(f"CAUTION: {caution}", 0.024) for caution in verdict.cautions]
    footer.append(_Line(f"{reading.photo}, lot {reading.lot.number}, card {card.card.name}", 0.022))
    return _frame(picture, verdict_headline(verdict), lines, footer)


def draw_chart(chart: ChartMeasurement, labels: Sequence[str], *, title: str) -> Picture:
    """Return the upright photo with the chart's blocks outlined and numbered, and what each was taken for.

    Parameters
    ----------
    labels : sequence of str
        What each block stands for, from left to right on the upright card; empty where that could not be told.
    """
    picture, factor = shrunk(chart.card.photo)
    card = scale_points(chart.card.pose.corners_px, factor)
    outline(picture, card, width=3)
    for number, block in enumerate(chart.blocks, start=1):
        corners = scale_points(block.polygon_px, factor)
        centre = corners.mean(axis=0)
        outline(picture, centre + (corners - centre) * 1.1, width=2)
        up = (corners[0] + corners[1] - corners[2] - corners[3]) / 2
        _tag_beside(picture, str(number), centre + 1.8 * up - 0.06 * (card[3] + card[2] - card[0] - card[1]) / 2, card)
    known = [f"{number} = {label}" for number, label in enumerate(labels, start=1)]
    lines = [_Line(",   ".join(known), 0.04)] if known else [_Line("which block has which value is not clear", 0.04)]
    footer = [_Line(f"{chart.card.photo.name}, card {chart.card.card.name}", 0.022)]
    return _frame(picture, Headline("question" if not known else "triangle", Verbatim(title)), lines, footer)


def draw_error(error: StripReadError, photo: Photo | None, *, name: str) -> Picture:
    """Return the photo, or a blank sheet where it cannot be decoded, with the reason why there is no measurement."""
    if photo is None:
        picture: Picture = np.full((120, 1200, 3), 230, dtype=np.uint8)
    else:
        picture, _ = shrunk(photo)
    lines = [_Line(f"expected: {error.expected}", 0.032), _Line(f"found: {error.found}", 0.032)]
    footer = [_Line(f"What to do: {error.remedy}", 0.036), _Line(name, 0.022)]
    return _frame(picture, error_headline(error), lines, footer)


def save_picture(picture: Picture, path: Path) -> None:
    """Write a picture; the suffix decides on the format, and PNG is taken where Pillow knows none of that name."""
    out = io.BytesIO()
    Image.fromarray(picture).save(out, format=Image.registered_extensions().get(path.suffix.lower(), "PNG"))
    write_file(path, out.getvalue())


def shrunk(photo: Photo, *, longest_px: int = _LONGEST_PX) -> tuple[Picture, float]:
    """Return the upright picture in 8 bits and the factor from full-size pixels to its own."""
    pixels = photo.pixels
    if pixels.dtype == np.uint16:
        pixels = (pixels >> 8).astype(np.uint8)
    rows, columns = pixels.shape[:2]
    factor = min(1.0, longest_px / max(rows, columns))
    size = (max(round(columns * factor), 1), max(round(rows * factor), 1))
    small = cv2.resize(pixels, size, interpolation=cv2.INTER_AREA) if factor < 1 else pixels.copy()
    return np.asarray(small, dtype=np.uint8), size[0] / photo.full_size[0]


def outline(picture: Picture, points: Float, *, width: int) -> None:
    """Draw a closed line, white within black, which shows on any ground."""
    fixed = np.round(points * 16).astype(np.int32).reshape(1, -1, 2)
    for colour, extra in ((_BLACK, 4), (_WHITE, 0)):
        cv2.polylines(picture, list(fixed), True, colour, width + extra, cv2.LINE_AA, 4)


def _tag_beside(picture: Picture, text: str, centre: Float, card: Float) -> None:
    """Write a number beside a pad, towards the card's lower edge."""
    down = (card[3] + card[2] - card[0] - card[1]) / 2
    size = max(int(0.032 * float(np.linalg.norm(down))), 18)  # pads lie 9 mm apart: 4 mm of 130
    tag(picture, text, centre + 0.06 * down, size=size)


def tag(picture: Picture, text: str, place: Float, *, size: int) -> None:
    """Write a number in a disc."""
    image = Image.fromarray(picture)
    canvas = ImageDraw.Draw(image)
    x, y = (float(v) for v in place)
    canvas.ellipse(
        (x - size * 0.8, y - size * 0.8, x + size * 0.8, y + size * 0.8), fill=_WHITE, outline=_BLACK, width=3
    )
    canvas.text((x, y), text, fill=_BLACK, font=_font(size), anchor="mm")
    picture[:] = np.asarray(image)


def _frame(picture: Picture, headline: Headline, lines: Sequence[_Line], footer: Sequence[_Line]) -> Picture:
    """Set the banner over the picture and the footer under it."""
    width = picture.shape[1]
    ground, ink = _COLOURS[headline.sign]
    top = _banner(headline, lines, width, ground, ink)
    bottom = _sheet(footer, width, _WHITE, _BLACK)
    return np.concatenate([top, picture, bottom])


def _banner(headline: Headline, lines: Sequence[_Line], width: int, ground: Colour, ink: Colour) -> Picture:
    side = round(0.15 * width)
    pad = round(0.02 * width)
    room = width - side - 3 * pad
    first, _, rest = str(headline.words).partition(": ")
    words = [_Line(first, 0.075), *([_Line(rest, 0.048)] if rest else [])]
    text = _sheet([*words, *lines], room, ground, ink, bold_first=True)
    height = max(text.shape[0], side + 2 * pad)
    image = Image.new("RGB", (width, height), ground)
    image.paste(Image.fromarray(text), (side + 2 * pad, (height - text.shape[0]) // 2))
    _draw_sign(ImageDraw.Draw(image), headline, (pad, (height - side) // 2), side, ink, ground)
    return np.asarray(image)


def _sheet(lines: Sequence[_Line], width: int, ground: Colour, ink: Colour, *, bold_first: bool = False) -> Picture:
    """Return lines of text, wrapped to the width, on a ground."""
    scale = max(width, 700)  # on a narrow picture smaller shares would be too small to read
    margin = round(0.015 * scale)
    measure = ImageDraw.Draw(Image.new("RGB", (8, 8)))
    rows = []
    for index, line in enumerate(lines):
        font = _font(round(line.share * scale))
        stroke = max(round(0.0012 * scale), 1) if bold_first and index == 0 else 0
        rows += [(text, font, stroke) for text in _wrap(line.text, font, width - 2 * margin, measure)]
    heights = [round(font.size * 1.28) for _, font, _ in rows]
    image = Image.new("RGB", (width, sum(heights) + 2 * margin), ground)
    canvas = ImageDraw.Draw(image)
    y = margin
    for (text, font, stroke), height in zip(rows, heights, strict=True):
        canvas.text((margin, y), text, fill=ink, font=font, stroke_width=stroke, stroke_fill=ink)
        y += height
    return np.asarray(image)


def _wrap(text: str, font: ImageFont.FreeTypeFont, room: int, measure: ImageDraw.ImageDraw) -> list[str]:
    """Break a text at spaces, and within a word that is wider than the room."""
    rows = [""]
    for word in text.split():
        joined = f"{rows[-1]} {word}".strip()
        if measure.textlength(joined, font=font) <= room:
            rows[-1] = joined
            continue
        if rows[-1]:
            rows.append("")
        for letter in word:
            if rows[-1] and measure.textlength(rows[-1] + letter, font=font) > room:
                rows.append("")
            rows[-1] += letter
    return rows


def _font(size: int) -> ImageFont.FreeTypeFont:
    """Return the typeface that comes with Pillow, which is everywhere the same."""
    font = ImageFont.load_default(size=size)
    assert isinstance(font, ImageFont.FreeTypeFont)  # Pillow's wheels have FreeType
    return font


def _draw_sign(
    canvas: ImageDraw.ImageDraw, headline: Headline, corner: tuple[int, int], side: int, ink: Colour, ground: Colour
) -> None:
    """Draw the sign: tick in a disc, warning triangle, question mark in a square, cross in an octagon."""

    def at(points: Sequence[tuple[float, float]]) -> list[tuple[float, float]]:
        return [(corner[0] + x * side, corner[1] + y * side) for x, y in points]

    stroke = round(0.11 * side)
    if headline.sign == "tick":
        canvas.ellipse(at([(0, 0), (1, 1)]), fill=ink)
        canvas.line(at([(0.24, 0.52), (0.43, 0.72), (0.77, 0.3)]), fill=ground, width=stroke, joint="curve")
    elif headline.sign == "triangle":
        canvas.polygon(at([(0.5, 0.02), (1, 0.95), (0, 0.95)]), fill=ink)
        canvas.line(at([(0.5, 0.32), (0.5, 0.66)]), fill=ground, width=stroke)
        canvas.ellipse(at([(0.44, 0.74), (0.56, 0.86)]), fill=ground)
    elif headline.sign == "question":
        canvas.rectangle(at([(0.04, 0.04), (0.96, 0.96)]), fill=ink)
        canvas.text(
            at([(0.5, 0.5)])[0],
            "?",
            fill=ground,
            font=_font(round(0.85 * side)),
            anchor="mm",
            stroke_width=2,
            stroke_fill=ground,
        )
    else:
        cut = 0.29
        canvas.polygon(
            at([(cut, 0), (1 - cut, 0), (1, cut), (1, 1 - cut), (1 - cut, 1), (cut, 1), (0, 1 - cut), (0, cut)]),
            fill=ink,
        )
        for ends in ([(0.28, 0.28), (0.72, 0.72)], [(0.72, 0.28), (0.28, 0.72)]):
            canvas.line(at(ends), fill=ground, width=stroke)
