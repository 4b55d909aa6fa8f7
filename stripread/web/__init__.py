"""The page for wet hands: reading strips with a phone, over the house's own network."""

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
