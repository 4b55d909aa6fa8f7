"""Secrets that are tried first by whoever guesses: the standard's own kinds of them."""

from datetime import datetime
from itertools import pairwise

__all__ = ["is_guessable"]

_KEYS = ("qwertyuiop", "asdfghjkl", "zxcvbnm", "0123456789", "abcdefghijklmnopqrstuvwxyz")
_DATES = ("%Y%m%d", "%d%m%Y", "%m%d%Y", "%d%m%y", "%m%d%y", "%y%m%d")
_RUN = 3  # characters that follow each other


def is_guessable(secret: str, *, name: str) -> bool:
    """Tell whether a secret is repetitive, sequential, a date, or of words that belong to the place.

    NIST SP 800-63B (2017, with updates of 2020), 5.1.1.2: a verifier refuses repetitive or sequential characters and
    context-specific words, such as the name of the service or of the user. Dates and rows of keys are ours. Lists of
    secrets from breaches, which it names as well, are not held against.
    """
    plain = secret.casefold()
    words = [word for word in (name.strip().casefold(), "stripread") if len(word) >= _RUN]
    return any(word in plain for word in words) or _repeats(plain) or _runs(plain) or _is_date(plain)


def _repeats(text: str) -> bool:
    return any((text[:period] * len(text))[: len(text)] == text for period in range(1, len(text) // 2 + 1))


def _runs(text: str) -> bool:
    """Tell whether all of it is runs of equal or following characters, forwards or backwards, of three or more."""
    steps = [_step(one, other) for one, other in pairwise(text)]
    start = 0
    while start < len(text):
        end = start + 1
        while end < len(text) and steps[end - 1] is not None and (end - 1 == start or steps[end - 1] == steps[end - 2]):
            end += 1
        if end - start < _RUN:
            return False
        start = end
    return True


def _step(one: str, other: str) -> int | None:
    """Return 0 for the same character, 1 or -1 for the next or the one before in a row of keys; else None."""
    if one == other:
        return 0
    for row in _KEYS:
        if one in row and other in row and abs(row.index(other) - row.index(one)) == 1:
            return row.index(other) - row.index(one)
    return None


def _is_date(text: str) -> bool:
    digits = "".join(sign for sign in text if sign not in "-./ ")
    if not digits.isdigit() or len(digits) not in (6, 8):
        return False
    for form in _DATES:
        try:
            day = datetime.strptime(digits, form)  # noqa: DTZ007  # no moment: whether it can be read so
        except ValueError:
            continue
        if 1920 <= day.year <= 2040:
            return True
    return False
