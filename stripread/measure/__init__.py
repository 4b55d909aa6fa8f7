"""From a photo to the colour of each pad, of a strip in one photo or a flash pair, and of the chart on a vial."""

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
