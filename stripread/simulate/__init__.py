"""Photos with known truth: simulated strips, cards, phones and light, and the demo data made of them."""

__all__: list[str] = []
