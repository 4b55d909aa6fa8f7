"""The record taken out and brought in: backups, and tables with their schema."""

__all__: list[str] = []
