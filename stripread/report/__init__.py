"""What people and programs are shown: words, JSON, pictures, documents."""

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
