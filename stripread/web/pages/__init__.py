"""The screens: each file holds a group of them, its routes and what they show."""

__all__: list[str] = []
