"""A site proves the program on its own phones: plan, sealed truth, run, statistics, verdict."""

__all__: list[str] = []
