"""The way of a sample: read, judged with what the record knows, recorded, read again; the same for every face."""

__all__: list[str] = []
