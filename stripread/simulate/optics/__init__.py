"""Spectra of lamps, cameras, inks and pads, how light falls, and random conditions."""

__all__: list[str] = []
