"""What a photo shows, drawn and written as a file."""

__all__: list[str] = []
