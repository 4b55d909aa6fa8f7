"""A reading held against its sample type, its lot and its read window: the verdict."""

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
