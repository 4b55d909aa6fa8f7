"""Strip kinds, finding strips in the card's slot, finding and measuring their pads."""

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
