"""A lot made of what was measured: of a dilution series, or provisionally of the chart on its vial."""

__all__: list[str] = []
