"""Entries chained by their hashes, the files they rest on, and the verification of both."""

__all__: list[str] = []
