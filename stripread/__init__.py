"""Reads test strips from a phone photo with a printed reference card.

>>> from stripread import check_reading, load_card, load_kind, load_lot, load_site, open_photo, read_strip

The names are those of the commands; each is imported when it is first used, so that ``import stripread`` is quick.
"""

import lazy_loader

__version__ = "0.1.0"
__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
