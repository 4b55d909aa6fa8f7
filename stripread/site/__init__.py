"""The site: its file and the names in it, how it is written, and files put in place in its folder."""

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
