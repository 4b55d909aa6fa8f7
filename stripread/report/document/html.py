"""A document as one web page that holds its pictures."""

from stripread.report.document.document import Document
from stripread.report.document.page import data_uri, page_environment

__all__ = ["document_html"]


def document_html(document: Document) -> str:
    """Return the page."""
    environment = page_environment("stripread.report")
    environment.filters["data_url"] = lambda png: data_uri(png, "png")
    environment.filters["kind"] = lambda part: type(part).__name__
    return environment.get_template("document.html").render(document=document)
