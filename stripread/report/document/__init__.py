"""Documents as plain parts, as a web page and as a PDF."""

__all__: list[str] = []
