"""The report of some weeks of a site."""

__all__: list[str] = []
