"""Amounts with their uncertainty: as people type them, as formulas carry them, as they are rounded for people."""

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
