"""Looks drawn at random: strips, pads, cards, benches and phones as the plain simulator does not draw them."""

__all__: list[str] = []
