"""A site proves the program on its own phones: plan, sealed truth, run, statistics, verdict."""

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
