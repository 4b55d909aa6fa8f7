"""Six weeks of a small nursery: the script, and how it is played."""

__all__: list[str] = []
