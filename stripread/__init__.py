"""Reads test strips from a phone photo with a printed reference card."""

__version__ = "0.1.0"
