"""Photos with known truth: simulated strips, cards, phones and light, and the demo data made of them."""

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
