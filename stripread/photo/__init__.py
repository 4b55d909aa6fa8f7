"""Bytes to an upright picture with its light made linear, within limits; and whether it is fit to measure."""

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
