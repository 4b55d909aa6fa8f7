"""A document as a PDF of A4 pages; the fonts are those that come with matplotlib, which know the signs of verdicts."""

from io import BytesIO
from pathlib import Path
from typing import Any
from xml.sax.saxutils import escape

from stripread.errors import MissingExtraError
from stripread.i18n import Message
from stripread.report.document.document import Alarm, Document, Figure, Heading, Items, Table, Words

__all__ = ["document_pdf"]

_FONT, _BOLD = "DejaVuSans", "DejaVuSans-Bold"
_MARGIN_MM = 15.0
_INCH = 72.0  # points


def document_pdf(document: Document) -> bytes:
    """Return the PDF.

    Raises
    ------
    MissingExtraError
        Without reportlab or matplotlib.
    """
    try:
        from reportlab.lib.pagesizes import A4
        from reportlab.lib.units import mm
        from reportlab.platypus import Paragraph, SimpleDocTemplate
    except ImportError:
        raise MissingExtraError(
            expected=Message("the package reportlab for PDF files"),
            found=Message("it is not installed"),
            remedy=Message("Install it with `pip install 'stripread[print]'`, or write the .html alone."),
        ) from None
    _register_fonts()
    styles = _styles()
    width = A4[0] - 2 * _MARGIN_MM * mm
    story: list[Any] = [
        Paragraph(escape(document.title), styles["title"]),
        Paragraph(escape(document.subtitle), styles["subtitle"]),
    ]
    for part in document.parts:
        story += _flowables(part, styles, width)

    def foot(canvas: Any, page: Any) -> None:
        canvas.setFont(_FONT, 7)
        canvas.drawString(_MARGIN_MM * mm, 9 * mm, document.footer)
        canvas.drawRightString(A4[0] - _MARGIN_MM * mm, 9 * mm, f"{document.page} {page.page}")

    out = BytesIO()
    template = SimpleDocTemplate(
        out,
        pagesize=A4,
        leftMargin=_MARGIN_MM * mm,
        rightMargin=_MARGIN_MM * mm,
        topMargin=_MARGIN_MM * mm,
        bottomMargin=(_MARGIN_MM + 2) * mm,
        title=document.title,
        author="stripread",
        lang=document.language,
        invariant=1,  # the same facts give the same bytes
    )
    template.build(story, onFirstPage=foot, onLaterPages=foot)
    return out.getvalue()


def _register_fonts() -> None:
    from reportlab.pdfbase import pdfmetrics
    from reportlab.pdfbase.ttfonts import TTFont

    if _FONT in pdfmetrics.getRegisteredFontNames():
        return
    try:
        from matplotlib import get_data_path
    except ImportError:
        raise MissingExtraError(
            expected=Message("the package matplotlib for fonts"),
            found=Message("it is not installed"),
            remedy=Message("Install it with `pip install 'stripread[print]'`."),
        ) from None
    folder = Path(get_data_path()) / "fonts" / "ttf"
    for name in (_FONT, _BOLD):
        pdfmetrics.registerFont(TTFont(name, str(folder / f"{name}.ttf")))
    pdfmetrics.registerFontFamily(_FONT, normal=_FONT, bold=_BOLD, italic=_FONT, boldItalic=_BOLD)


def _styles() -> dict[str, Any]:
    from reportlab.lib.styles import ParagraphStyle

    text = ParagraphStyle("text", fontName=_FONT, fontSize=9, leading=12.5, spaceAfter=5)
    frame = {"borderWidth": 1.5, "borderColor": "black", "borderPadding": 5, "spaceBefore": 8, "spaceAfter": 10}
    return {
        "text": text,
        "title": ParagraphStyle("title", text, fontName=_BOLD, fontSize=17, leading=21, spaceAfter=3),
        "subtitle": ParagraphStyle("subtitle", text, fontSize=10.5, leading=14, spaceAfter=8),
        "h2": ParagraphStyle(
            "h2", text, fontName=_BOLD, fontSize=12.5, leading=16, spaceBefore=12, spaceAfter=5, keepWithNext=1
        ),
        "h3": ParagraphStyle(
            "h3", text, fontName=_BOLD, fontSize=10, leading=13, spaceBefore=7, spaceAfter=3, keepWithNext=1
        ),
        "small": ParagraphStyle("small", text, fontSize=7.5, leading=10),
        "alarm": ParagraphStyle("alarm", text, fontName=_BOLD, **frame),
        "cell": ParagraphStyle("cell", text, fontSize=7.5, leading=9.5, spaceAfter=0),
        "number": ParagraphStyle("number", text, fontSize=7.5, leading=9.5, spaceAfter=0, alignment=2),
        "head": ParagraphStyle("head", text, fontName=_BOLD, fontSize=7.5, leading=9.5, spaceAfter=0),
    }


def _flowables(part: Any, styles: dict[str, Any], width: float) -> list[Any]:
    from reportlab.platypus import Image, ListFlowable, ListItem, Paragraph

    match part:
        case Heading(text, level):
            return [Paragraph(escape(text), styles[f"h{level}"])]
        case Words(text, small):
            return [Paragraph(escape(text), styles["small" if small else "text"])]
        case Alarm(text):
            return [Paragraph(escape(text), styles["alarm"])]
        case Items(items, numbered):
            rows = [ListItem(Paragraph(escape(item), styles["text"])) for item in items]
            kind = {"bulletType": "1"} if numbered else {"bulletType": "bullet", "start": "–"}
            return [ListFlowable(rows, bulletFontName=_FONT, bulletFontSize=9, leftIndent=16, **kind)]
        case Figure(png, _, (wide, high)):
            scale = min(1.0, width / (wide * _INCH))
            return [Image(BytesIO(png), width=wide * _INCH * scale, height=high * _INCH * scale)]
        case Table():
            return [_table(part, styles, width)]
    raise TypeError(f"no part of a document: {part!r}")


def _table(part: Table, styles: dict[str, Any], width: float) -> Any:
    from reportlab.platypus import Paragraph
    from reportlab.platypus import Table as Grid

    def cell(text: str, column: int) -> Any:
        return Paragraph(escape(text), styles["number" if column in part.numbers else "cell"])

    heads = [Paragraph(escape(head), styles["head"]) for head in part.heads]
    rows = [[cell(text, column) for column, text in enumerate(row)] for row in part.rows]
    total = sum(part.widths)
    return Grid(
        [heads, *rows],
        colWidths=[width * share / total for share in part.widths],
        repeatRows=1,
        spaceBefore=3,
        spaceAfter=8,
        style=[
            ("GRID", (0, 0), (-1, -1), 0.4, "black"),
            ("LINEBELOW", (0, 0), (-1, 0), 1.2, "black"),
            ("VALIGN", (0, 0), (-1, -1), "TOP"),
            ("LEFTPADDING", (0, 0), (-1, -1), 3),
            ("RIGHTPADDING", (0, 0), (-1, -1), 3),
            ("TOPPADDING", (0, 0), (-1, -1), 2),
            ("BOTTOMPADDING", (0, 0), (-1, -1), 3),
        ],
    )
