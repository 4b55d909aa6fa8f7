"""Screens where people enter what no strip told: readings by a meter, a titration, a laboratory."""

__all__: list[str] = []
