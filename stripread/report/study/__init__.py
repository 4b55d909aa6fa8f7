"""A study put into words: its sheets, and its report for an auditor and for whoever has to rely on the readings."""

__all__: list[str] = []
