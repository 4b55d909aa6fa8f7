"""Files that people write or mend, read so that an error names the field at fault; and files written whole."""

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
