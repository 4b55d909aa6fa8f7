"""The words of reports and figures in the reader's language: whoever asks for one hands in what says them.

Each text that is to be said stands inside a call of ``say``, which is also how the messages are gathered that need a
translation. Names, and what people wrote, stand outside of it.
"""

from collections.abc import Callable

from stripread.i18n import ENGLISH

__all__ = ["Say", "as_written"]

Say = Callable[[object], str]


def as_written(thing: object) -> str:
    """Return a text as it is: in English."""
    return ENGLISH.show(thing)
