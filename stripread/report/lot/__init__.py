"""A lot shown to people: its curves and limits, its report, and what the chart on its vial says of it."""

__all__: list[str] = []
