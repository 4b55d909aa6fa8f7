"""The record of a site: append-only, each entry chained to the one before by its hash."""

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
