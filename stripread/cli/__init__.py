"""The command line: each command parses, calls one function and shows what comes of it."""

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
