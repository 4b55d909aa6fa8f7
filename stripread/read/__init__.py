"""A measured strip held against its lot: a reading; several readings of one sample combined."""

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
