"""Amounts as people type them, one after the other: whose units they are in, and what had to be assumed."""

from dataclasses import dataclass, field
from typing import Literal, Self, cast

from stripread.errors import QuantityError
from stripread.i18n import Message, Number, Opening, Shown, Verbatim, joined
from stripread.units.numbers import parse_number
from stripread.units.quantities import Dimension, Quantity, System, parse_quantity
from stripread.units.uncertain import Measured
from stripread.units.unit_words import Gallon

__all__ = ["ParsedInputs", "parse_seconds"]


@dataclass
class ParsedInputs:
    """Reads what was typed, and remembers whose units it was in and what had to be assumed.

    Attributes
    ----------
    answer_in : str or None
        The system of units asked for, whatever was typed.
    usual : System
        Where nothing was typed that tells.
    gallon : Gallon
        Whose gallon a bare one is.
    """

    answer_in: str | None = None
    usual: System = "metric"
    gallon: Gallon = "us"
    taken: dict[Shown, list[Shown]] = field(default_factory=dict)
    systems: list[System] = field(default_factory=list)

    @property
    def system(self) -> System:
        """The units that answers come in: those asked for, else of the first volume or flow, else the usual ones."""
        if self.answer_in is not None:
            return cast(System, str(self.answer_in))
        return self.systems[0] if self.systems else self.usual

    @property
    def notes(self) -> tuple[Message, ...]:
        """What was assumed, each with what it was taken for."""
        return tuple(
            Message("%(note)s: %(names)s.", note=Opening(note), names=joined(names))
            for note, names in self.taken.items()
        )

    @classmethod
    def of(cls, *choices: System | Literal[""], answer_in: str | None = None) -> Self:
        """Return inputs by what was chosen: a person's units, then the site's; the first that tells, counts."""
        chosen = [one for one in choices if one]
        gallon: Gallon = next((one for one in chosen if one != "metric"), "us")
        return cls(answer_in=answer_in, usual=chosen[0] if chosen else "metric", gallon=gallon)

    def assume(self, note: Shown, name: Shown) -> None:
        """Remember what was assumed of something."""
        self.taken.setdefault(note, []).append(name)

    def measured(self, text: str, dimension: Dimension, *, name: Shown, positive: bool = True) -> Measured:
        """Return what was measured, with its uncertainty."""
        return self._keep(
            parse_quantity(text, dimension, name=name, positive=positive, gallon=self.gallon), dimension, name
        )

    def maybe_measured(
        self, text: str | None, dimension: Dimension, *, name: Shown, positive: bool = True
    ) -> Measured | None:
        """Return what was measured, None where nothing was said."""
        return None if text is None else self.measured(text, dimension, name=name, positive=positive)

    def exact(self, text: str, dimension: Dimension, *, name: Shown, positive: bool = True) -> float:
        """Return what is wished for, or known without doubt."""
        quantity = parse_quantity(text, dimension, name=name, positive=positive, exact=True, gallon=self.gallon)
        return self._keep(quantity, dimension, name).value

    def maybe_exact(self, text: str | None, dimension: Dimension, *, name: Shown) -> float | None:
        """Return what is wished for, None where nothing was said."""
        return None if text is None else self.exact(text, dimension, name=name)

    def _keep(self, quantity: Quantity, dimension: Dimension, name: Shown) -> Measured:
        for note in quantity.notes:
            self.assume(note, name)
        if dimension in ("volume", "flow"):
            self.systems.append(quantity.system)
        return quantity.measured


def parse_seconds(text: str, *, name: Shown, high: float) -> float:
    """Return a short time [s], from 0 to ``high``: a bare number is of seconds, ``1 min 30 s`` is as it says."""
    bare = not any(letter.isalpha() for letter in text)
    seconds = (
        parse_number(text, name=name, low=0, high=high)
        if bare
        else 3600 * parse_quantity(text, "time", name=name, positive=False, exact=True).measured.value
    )
    if seconds > high:
        raise QuantityError(
            expected=Message("%(what)s, at most %(high)s s", what=name, high=Number(high, "g")),
            found=Verbatim(repr(text)),
            remedy=Message("Correct it."),
        )
    return seconds
