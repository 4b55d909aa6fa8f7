"""A lot made of what was measured: of a dilution series, or provisionally of the chart on its vial."""

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
