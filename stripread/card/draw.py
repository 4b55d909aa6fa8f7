"""Draw a card to a file: PDF and SVG pages of true size, PNG of the card's rectangle, or its layout file."""

import io
from pathlib import Path
from typing import Literal, get_args
from xml.sax.saxutils import escape

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw, ImageFont

from stripread.card.figure import Fill, Line, Part, Words, card_parts
from stripread.card.layout import CardLayout, save_card
from stripread.errors import DrawingError, MissingExtraError
from stripread.files import write_file
from stripread.i18n import Message, Number, Verbatim

__all__ = ["PageName", "card_raster", "draw_card"]

PageName = Literal["a4", "letter"]
_PAGES_MM: dict[str, tuple[float, float]] = {"a4": (210.0, 297.0), "letter": (215.9, 279.4)}
_MARGIN_MM = 8.0  # what common office printers leave blank is 3 to 6 mm
_DPI_RANGE = (72, 1200)  # chosen: under it no marker is sharp, over it a card takes hundreds of megabytes
_DASH_MM = 1.5
_MM_PER_INCH = 25.4

_ADVICE = (
    "Print at 100 % (actual size, not fitted to the page), in colour, best quality, on stiff, matte white paper.",
    "The bar below is 100 mm long: check it with a ruler. Cut along the outer line. Do not laminate: gloss mirrors.",
    "Let it dry for a day, measure its patches, enrol it. Keep it dry and dark; print anew when it fades or stains.",
)


def draw_card(card: CardLayout, path: Path, *, page: PageName = "a4", dpi: int = 600) -> None:
    """Draw a card to a file; the suffix decides on its format.

    ``.pdf`` and ``.svg`` show a page with the card in the middle, cut marks, a bar of 100 mm and advice (as far as the
    page has room); the page lies on its side unless only the upright one holds the card. ``.png`` shows exactly the
    card's rectangle in sRGB with its resolution noted in the file. ``.toml`` is the layout.

    Raises
    ------
    DrawingError
        If the suffix or page is unknown, the page too small, the resolution out of bounds, or a marker unknown.
    MissingExtraError
        If a PDF is asked for without reportlab.
    """
    suffix = path.suffix.lower()
    if suffix == ".toml":
        save_card(card, path)
    elif suffix == ".png":
        _write_png(card, path, dpi)
    elif suffix == ".svg":
        _write_svg(_page_parts(card, page), _page_size(card, page), path)
    elif suffix == ".pdf":
        _write_pdf(_page_parts(card, page), _page_size(card, page), path, title=card.name)
    else:
        raise DrawingError(
            expected=Message("a file name that ends in .pdf, .svg, .png or .toml"),
            found=Verbatim(path.name),
            remedy=Message("Choose one of these."),
        )


def card_raster(card: CardLayout, px_per_mm: float) -> NDArray[np.uint8]:
    """Return the card's rectangle as sRGB, shape (rows, columns, 3).

    Edges of upright parts fall on the nearest whole pixel; at 10 px/mm and whole multiples of it, the edges of the
    project's own card are exact.
    """
    size = _raster_size(card, px_per_mm)
    picture = np.full((size[1], size[0], 3), 255, dtype=np.uint8)
    parts = card_parts(card)
    for part in parts:
        if isinstance(part, Fill):
            _fill(picture, part.points * px_per_mm, part.rgb)
        elif isinstance(part, Line):
            for dash in _dashes(part):
                _fill(picture, _band(dash) * px_per_mm, part.rgb)
    image = Image.fromarray(picture)
    canvas = ImageDraw.Draw(image)
    for part in parts:
        if isinstance(part, Words) and (pixels := part.size * px_per_mm) >= 4:
            anchor = {"start": "ls", "middle": "ms", "end": "rs"}[part.anchor]
            place = (part.place[0] * px_per_mm, part.place[1] * px_per_mm)
            canvas.text(place, part.text, fill=part.rgb, font=ImageFont.load_default(pixels), anchor=anchor)
    return np.asarray(image)


def _raster_size(card: CardLayout, px_per_mm: float) -> tuple[int, int]:
    return round(card.width_mm * px_per_mm), round(card.height_mm * px_per_mm)


def _fill(picture: NDArray[np.uint8], points: NDArray[np.float64], rgb: tuple[int, int, int]) -> None:
    """Fill a polygon whose points are in pixels from the picture's outer corner."""
    low, high = points.min(axis=0), points.max(axis=0)
    upright = len(points) == 4 and bool(np.all(np.isclose(points, low) | np.isclose(points, high)))
    if upright:
        # the small addend makes halves go up, whatever the last bit of the product
        (x0, y0), (x1, y1) = np.floor(low + 0.5 + 1e-6).astype(int), np.floor(high + 0.5 + 1e-6).astype(int)
        picture[max(y0, 0) : max(y1, y0 + 1, 0), max(x0, 0) : max(x1, x0 + 1, 0)] = rgb
    else:
        bits = 8
        cv2.fillConvexPoly(picture, np.rint((points - 0.5) * 2**bits).astype(np.int32), rgb, shift=bits)


def _dashes(line: Line) -> list[Line]:
    if not line.dashed:
        return [line]
    start, end = np.array(line.start), np.array(line.end)
    length = float(np.linalg.norm(end - start))
    steps = np.arange(0.0, length, 2 * _DASH_MM)
    points = [
        (start + (end - start) * s / length, start + (end - start) * min(s + _DASH_MM, length) / length) for s in steps
    ]
    return [Line((p[0], p[1]), (q[0], q[1]), line.thickness, line.rgb) for p, q in points]


def _band(line: Line) -> NDArray[np.float64]:
    start, end = np.array(line.start), np.array(line.end)
    along = (end - start) / max(float(np.linalg.norm(end - start)), 1e-9) * line.thickness / 2
    across = np.array([-along[1], along[0]])
    start, end = start - along, end + along
    return np.array([start + across, end + across, end - across, start - across])


def _write_png(card: CardLayout, path: Path, dpi: int) -> None:
    if not _DPI_RANGE[0] <= dpi <= _DPI_RANGE[1]:
        raise DrawingError(
            expected=Message("a resolution from %(low)s to %(high)s dpi", low=_DPI_RANGE[0], high=_DPI_RANGE[1]),
            found=Verbatim(str(dpi)),
            remedy=Message("Use 600."),
        )
    out = io.BytesIO()
    Image.fromarray(card_raster(card, dpi / _MM_PER_INCH)).save(out, format="PNG", dpi=(dpi, dpi), optimize=False)
    write_file(path, out.getvalue())


def _page_size(card: CardLayout, page: PageName) -> tuple[float, float]:
    """Return width and height of the page [mm], on its side if that holds the card."""
    if page not in get_args(PageName):
        raise DrawingError(
            expected=Message("page a4 or letter"), found=Verbatim(repr(page)), remedy=Message("Choose one of these.")
        )
    short, long = _PAGES_MM[page]
    for width, height in ((long, short), (short, long)):
        if card.width_mm + 2 * _MARGIN_MM <= width and card.height_mm + 2 * _MARGIN_MM <= height:
            return width, height
    raise DrawingError(
        expected=Message(
            "a card that fits page %(page)s with margins of %(margin)s mm", page=page, margin=Number(_MARGIN_MM, "g")
        ),
        found=Message(
            "%(width_mm)s x %(height_mm)s mm",
            width_mm=Number(card.width_mm, "g"),
            height_mm=Number(card.height_mm, "g"),
        ),
        remedy=Message("Write a PNG, which shows the card alone, and print it on a larger sheet."),
    )


def _page_parts(card: CardLayout, page: PageName) -> tuple[Part, ...]:
    width, height = _page_size(card, page)
    left, top = (width - card.width_mm) / 2, (height - card.height_mm) / 2
    right, bottom = left + card.width_mm, top + card.height_mm
    parts: list[Part] = [_moved(part, left, top) for part in card_parts(card)]
    black = (0, 0, 0)
    for x, away in ((left, -1), (right, 1)):
        for y, up in ((top, -1), (bottom, 1)):
            parts.append(Line((x + 2 * away, y), (x + 6 * away, y), 0.1, black))
            parts.append(Line((x, y + 2 * up), (x, y + 6 * up), 0.1, black))
    room = top - _MARGIN_MM
    if room >= 16.0:
        bar_y, start = bottom + 12.0, width / 2 - 50.0
        parts.append(Line((start, bar_y), (start + 100.0, bar_y), 0.2, black))
        for i in range(11):
            tick = 3.0 if i % 5 == 0 else 1.5
            parts.append(Line((start + 10.0 * i, bar_y - tick), (start + 10.0 * i, bar_y), 0.1, black))
        parts.append(Words((width / 2, bar_y + 3.5), "100 mm between the outer ticks", 3.0))
    if room >= 8.0 + 4.5 * len(_ADVICE) and card.width_mm >= 150.0:
        first = top - 8.0 - 4.5 * (len(_ADVICE) - 1)
        parts.extend(Words((width / 2, first + 4.5 * i), text, 3.0) for i, text in enumerate(_ADVICE))
    return tuple(parts)


def _moved(part: Part, x: float, y: float) -> Part:
    if isinstance(part, Fill):
        return Fill(part.points + np.array([x, y]), part.rgb)
    if isinstance(part, Words):
        return Words((part.place[0] + x, part.place[1] + y), part.text, part.size, part.anchor, part.rgb)
    (x0, y0), (x1, y1) = part.start, part.end
    return Line((x0 + x, y0 + y), (x1 + x, y1 + y), part.thickness, part.rgb, part.dashed)


def _write_svg(parts: tuple[Part, ...], size: tuple[float, float], path: Path) -> None:
    width, height = size
    lines = [
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{width:g}mm" height="{height:g}mm" '
        f'viewBox="0 0 {width:g} {height:g}" font-family="Helvetica, Arial, sans-serif">',
        f'<rect width="{width:g}" height="{height:g}" fill="#ffffff"/>',
    ]
    for part in parts:
        paint = f"#{part.rgb[0]:02x}{part.rgb[1]:02x}{part.rgb[2]:02x}"
        if isinstance(part, Fill):
            points = " ".join(f"{x:.4f},{y:.4f}" for x, y in part.points)
            lines.append(f'<polygon points="{points}" fill="{paint}"/>')
        elif isinstance(part, Line):
            (x0, y0), (x1, y1) = part.start, part.end
            dash = f' stroke-dasharray="{_DASH_MM:g}"' if part.dashed else ""
            lines.append(
                f'<line x1="{x0:.4f}" y1="{y0:.4f}" x2="{x1:.4f}" y2="{y1:.4f}" stroke="{paint}" '
                f'stroke-width="{part.thickness:g}"{dash}/>'
            )
        else:
            lines.append(
                f'<text x="{part.place[0]:.3f}" y="{part.place[1]:.3f}" font-size="{part.size:g}" '
                f'text-anchor="{part.anchor}" fill="{paint}">{escape(part.text)}</text>'
            )
    write_file(path, "\n".join([*lines, "</svg>", ""]))


def _write_pdf(parts: tuple[Part, ...], size: tuple[float, float], path: Path, *, title: str) -> None:
    try:
        from reportlab.pdfgen import canvas as pdf
    except ImportError:
        raise MissingExtraError(
            expected=Message("the package reportlab for PDF files"),
            found=Message("it is not installed"),
            remedy=Message("Install the extra stripread[print], or write an SVG or PNG."),
        ) from None
    point = 72.0 / _MM_PER_INCH
    out = io.BytesIO()
    # invariant: no time stamp in the file, so that the same card gives the same bytes
    sheet = pdf.Canvas(out, pagesize=(size[0] * point, size[1] * point), invariant=1)
    sheet.setTitle(title)
    sheet.scale(point, point)
    for part in parts:
        paint = [channel / 255 for channel in part.rgb]
        sheet.setFillColorRGB(*paint)
        if isinstance(part, Fill):
            outline = sheet.beginPath()
            outline.moveTo(part.points[0][0], size[1] - part.points[0][1])
            for x, y in part.points[1:]:
                outline.lineTo(x, size[1] - y)
            outline.close()
            sheet.drawPath(outline, stroke=0, fill=1)
        elif isinstance(part, Line):
            sheet.setStrokeColorRGB(*paint)
            sheet.setLineWidth(part.thickness)
            sheet.setDash([_DASH_MM, _DASH_MM] if part.dashed else [])
            sheet.line(part.start[0], size[1] - part.start[1], part.end[0], size[1] - part.end[1])
        else:
            sheet.setFont("Helvetica", part.size)
            write = {"start": sheet.drawString, "middle": sheet.drawCentredString, "end": sheet.drawRightString}
            write[part.anchor](part.place[0], size[1] - part.place[1], part.text)
    sheet.showPage()
    sheet.save()
    write_file(path, out.getvalue())
