"""A document as one web page that holds its pictures."""

import base64

from stripread.report.document import Document

__all__ = ["document_html"]


def document_html(document: Document) -> str:
    """Return the page."""
    from jinja2 import Environment, PackageLoader, StrictUndefined

    environment = Environment(
        loader=PackageLoader("stripread.report", "templates"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.filters["data_url"] = lambda png: f"data:image/png;base64,{base64.b64encode(png).decode('ascii')}"
    environment.filters["kind"] = lambda part: type(part).__name__
    return environment.get_template("document.html").render(document=document)
