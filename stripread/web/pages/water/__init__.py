"""Screens of the water work: batches made, injectors set, and what is planned."""

__all__: list[str] = []
