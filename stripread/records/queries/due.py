"""One thing that is due at a site."""

from dataclasses import dataclass
from typing import Literal

from stripread.i18n import Shown

__all__ = ["Due", "Matter", "Urgency"]

Urgency = Literal["now", "today", "soon", "done"]
Matter = Literal["reading", "measurement", "point", "batch", "lot", "action", "event", "store"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Due:
    """One thing to look after: about what, what is the matter, and what to do.

    Attributes
    ----------
    kind : str
        Of what ``about`` tells; of a reading it is the point.
    name : str or None
        By which the record knows it, where ``about`` says more.
    entry : int or None
        The reading's.
    """

    urgency: Urgency
    about: Shown
    matter: Shown
    advice: Shown
    kind: Matter
    entry: int | None = None
    name: str | None = None
