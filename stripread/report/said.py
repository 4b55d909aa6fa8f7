"""The words of reports and figures in the reader's language: whoever asks for one hands in what says them.

Each text that is to be said stands inside a call of ``say``, which is also how the messages are gathered that need a
translation. Names, and what people wrote, stand outside of it.
"""

from collections.abc import Callable

__all__ = ["Say", "as_written"]

Say = Callable[[str], str]


def as_written(text: str) -> str:
    """Return a text as it is: in English."""
    return text
