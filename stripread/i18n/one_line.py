"""What people typed, as it is shown among other words: on one line, whatever is in it.

A line break in a note or a name could else look like a further line of the log, and signs that steer a terminal could
wipe one out.
"""

__all__ = ["is_one_line", "on_one_line"]


def is_one_line(text: str) -> bool:
    """Tell whether a text is of printable signs alone: no line break, nothing that steers a terminal."""
    return text.isprintable()


def on_one_line(text: str) -> str:
    r"""Return a text with what is not printable spelt out, a line break as ``\n``."""
    if text.isprintable():
        return text
    return "".join(sign if sign.isprintable() else sign.encode("unicode_escape").decode("ascii") for sign in text)
