"""The page for wet hands: reading strips with a phone, over the house's own network."""

__all__: list[str] = []
