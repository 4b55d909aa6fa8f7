"""Readings, records, checks and plans as text for a terminal, and as JSON where it holds more than a reading."""

__all__: list[str] = []
