"""What the HTML pages have in common: how templates are loaded, and pictures that stand in the page itself."""

import base64
import io
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from jinja2 import Environment

__all__ = ["data_uri", "figure_png", "page_environment"]


def page_environment(package: str, *, extensions: Sequence[str] = ()) -> "Environment":
    """Return the templates of a package's folder ``templates``: all words are escaped, and none may be missing."""
    from jinja2 import Environment, PackageLoader, StrictUndefined

    return Environment(
        loader=PackageLoader(package, "templates"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        extensions=list(extensions),
    )


def figure_png(figure: Any, *, dpi: int) -> bytes:
    """Return a figure of matplotlib as a PNG; the same figure gives the same bytes."""
    out = io.BytesIO()
    figure.savefig(out, format="png", dpi=dpi, metadata={"Software": None})
    return out.getvalue()


def data_uri(data: bytes, form: str) -> str:
    """Return a picture as a data URI; ``form`` as in ``image/png``."""
    return f"data:image/{form};base64,{base64.b64encode(data).decode('ascii')}"
