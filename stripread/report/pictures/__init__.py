"""Pictures: the photo with its verdict, what a reading looked at, a trend."""

__all__: list[str] = []
