"""From patch means to CIELAB, and how far that may be off: arrays only, no photo and no card."""

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
