"""How a batch stands by the record: what its recipe gives, what it was read as, and whether both go together."""

from dataclasses import dataclass
from datetime import datetime

from stripread.findings import Finding
from stripread.i18n import Message
from stripread.records.chain.entries import Batch
from stripread.records.queries.batches import batch_readings, find_batch
from stripread.records.queries.strengths import expected_strength
from stripread.records.store import Records
from stripread.units import Measured
from stripread.water import of_example, recipe_finding

__all__ = ["BatchStanding", "batch_standing"]


@dataclass(frozen=True, slots=True, kw_only=True)
class BatchStanding:
    """A batch, what its recipe gives, its valid readings with their times, and what is wrong between them.

    Later readings are weaker for the loss of strength: it is the first that is held against the recipe. ``example``:
    the recipe rests on an invented sachet's figures.
    """

    said: Batch
    recipe: Measured | None
    readings: tuple[tuple[datetime, Measured], ...]
    finding: Finding | None
    example: bool = False

    @property
    def first(self) -> Measured | None:
        """The first valid reading."""
        return self.readings[0][1] if self.readings else None

    @property
    def last(self) -> Measured | None:
        """The last valid reading."""
        return self.readings[-1][1] if self.readings else None

    @property
    def balance(self) -> Message | None:
        """What the mass balance says, in a word; None where there is nothing to compare."""
        if self.recipe is None or self.first is None:
            return None
        return Message("▲ DIFFERS") if self.finding else Message("✔ agrees")


def batch_standing(records: Records, said: Batch) -> BatchStanding:
    """Return how a batch stands by the record."""
    recipe, read = expected_strength(records, said), tuple(batch_readings(records, said))
    finding = recipe_finding(recipe, read[0][1]) if recipe is not None and read else None
    example = rests_on_example(records, said)
    return BatchStanding(said=said, recipe=recipe, readings=read, finding=finding, example=example)


def rests_on_example(records: Records, batch: Batch) -> bool:
    """Return whether what a batch should be follows from an invented sachet, as nothing was read in between."""
    if not batch.parts:
        return of_example(batch.source)
    made_of = (find_batch(records, part.batch) for part in batch.parts if part.batch is not None)
    return any(
        part is not None and not batch_readings(records, part) and rests_on_example(records, part) for part in made_of
    )
