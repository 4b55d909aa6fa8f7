"""A batch in words: what it should be, what it was read as, and whether both go together."""

from dataclasses import dataclass
from datetime import datetime

from stripread.findings import Finding
from stripread.measured import Measured
from stripread.numbers import format_interval, format_number, places_for
from stripread.records import Batch, Records
from stripread.records.history import batch_readings, expected_strength
from stripread.site import Site
from stripread.water.recipe import recipe_finding, recipe_range_finding

__all__ = ["BatchStanding", "batch_standing", "off_range", "sample_of", "strength_words"]


@dataclass(frozen=True, slots=True, kw_only=True)
class BatchStanding:
    """A batch, what its recipe gives, its valid readings with their times, and what is wrong between them.

    Later readings are weaker for the loss of strength: it is the first that is held against the recipe.
    """

    said: Batch
    recipe: Measured | None
    readings: tuple[tuple[datetime, Measured], ...]
    finding: Finding | None

    @property
    def first(self) -> Measured | None:
        """The first valid reading."""
        return self.readings[0][1] if self.readings else None

    @property
    def last(self) -> Measured | None:
        """The last valid reading."""
        return self.readings[-1][1] if self.readings else None

    @property
    def balance(self) -> str:
        """What the mass balance says, in a word; empty where there is nothing to compare."""
        if self.recipe is None or self.first is None:
            return ""
        return "▲ DIFFERS" if self.finding else "✔ agrees"


def batch_standing(records: Records, said: Batch) -> BatchStanding:
    """Return how a batch stands by the record."""
    recipe, read = expected_strength(records, said), tuple(batch_readings(records, said))
    finding = recipe_finding(recipe, read[0][1]) if recipe is not None and read else None
    return BatchStanding(said=said, recipe=recipe, readings=read, finding=finding)


def sample_of(said: Batch) -> str:
    """Return the sample type that such a batch is read as."""
    return "concentrate" if said.kind == "concentrate" else "stock"


def off_range(strength: Measured, site: Site, sample: str) -> Finding | None:
    """Return the finding of a recipe that cannot give what the site expects of such a sample."""
    if sample not in site.samples:
        return None
    expected = site.samples[sample].main
    return recipe_range_finding(strength, low=expected.low, high=expected.high)


def strength_words(strength: Measured | None) -> str:
    """Return a strength with its interval; empty where there is none."""
    if strength is None:
        return ""
    places = places_for(1.96 * strength.u) if strength.u > 0 else 0
    return f"{format_number(strength.value, places)}, {format_interval(strength.interval, places)}"
