"""The arithmetic of the water: sachet to concentrate, concentrate to stock, stock to dose, and what is lost on the way.

Pure functions; mg/L, litres, hours, degrees Celsius; every result with its standard uncertainty and 95 % interval.
"""

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
