"""Screens of what has to be done: corrective actions, events with their checks, and tanks."""

__all__: list[str] = []
