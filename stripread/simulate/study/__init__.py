"""A site's study of its own phones, simulated: results as a table, and whole studies with photos."""

__all__: list[str] = []
