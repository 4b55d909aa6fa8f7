"""The words of the program in the reader's language: messages, who they are shown to, and the catalogues."""

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
