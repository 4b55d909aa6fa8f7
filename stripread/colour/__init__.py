"""From patch means to CIELAB, and how far that may be off: arrays only, no photo and no card."""

__all__: list[str] = []
