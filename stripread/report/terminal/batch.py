"""A batch in words: which sample it is, its strength, and whether its recipe can give what is expected."""

from stripread.findings import Finding
from stripread.i18n import Joined, Shown, Verbatim
from stripread.records import Batch
from stripread.site import Site
from stripread.units import Measured, format_interval, format_number, places_for
from stripread.water.recipe import recipe_range_finding

__all__ = ["off_range", "sample_of", "strength_words"]


def sample_of(said: Batch) -> str:
    """Return the sample type that such a batch is read as."""
    return "concentrate" if said.kind == "concentrate" else "stock"


def off_range(strength: Measured, site: Site, sample: str) -> Finding | None:
    """Return the finding of a recipe that cannot give what the site expects of such a sample."""
    if sample not in site.samples:
        return None
    expected = site.samples[sample].main
    return recipe_range_finding(strength, low=expected.low, high=expected.high)


def strength_words(strength: Measured | None) -> Shown:
    """Return a strength with its interval; empty where there is none."""
    if strength is None:
        return Verbatim("")
    places = places_for(1.96 * strength.u) if strength.u > 0 else 0
    return Joined((format_number(strength.value, places), format_interval(strength.interval, places)), ", ")
