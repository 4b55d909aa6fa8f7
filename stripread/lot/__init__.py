"""A production lot: its file, curves and their inversion, limits, conditions, checks and comparison."""

__all__: list[str] = []
