"""The way of a photo to its verdict: kept on the disk, read by worker processes, a few at a time."""

__all__: list[str] = []
