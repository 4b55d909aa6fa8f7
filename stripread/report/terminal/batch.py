"""A batch in words: its strength, and whether its recipe can give what is expected."""

from stripread.findings import Finding
from stripread.i18n import Joined, Shown, Verbatim
from stripread.site import SampleType
from stripread.units import K95, Measured, format_interval, format_number, places_for
from stripread.water import recipe_range_finding

__all__ = ["off_range", "strength_words"]


def off_range(strength: Measured, sample: SampleType | None) -> Finding | None:
    """Return the finding of a recipe that cannot give what the site expects of such a sample."""
    if sample is None:
        return None
    return recipe_range_finding(strength, low=sample.main.low, high=sample.main.high)


def strength_words(strength: Measured | None) -> Shown:
    """Return a strength with its interval; empty where there is none."""
    if strength is None:
        return Verbatim("")
    places = places_for(K95 * strength.u) if strength.u > 0 else 0
    return Joined((format_number(strength.value, places), format_interval(strength.interval, places)), ", ")
