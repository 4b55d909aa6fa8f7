"""Contact: concentration times time (CT), beside what was published for plant pathogens.

The tables hold what the sources state and nothing else. For chlorine dioxide there are published trials against plant
pathogens, but none here whose dose, time and pH we could check: they are cited without figures.
"""

from dataclasses import dataclass
from typing import Literal

from stripread.i18n import Message
from stripread.units import Measured, propagate

__all__ = ["CITED", "PUBLISHED", "Contact", "ContactRow", "Disinfectant", "Trial", "contact_time", "ct_mg_min_per_l"]

Disinfectant = Literal["free chlorine", "chlorine dioxide"]
ContactState = Literal["reached", "not reached", "undecided"]


@dataclass(frozen=True, slots=True)
class ContactRow:
    """A published kill or practice: strength [mg/L] held for some minutes."""

    what: str
    disinfectant: Disinfectant
    strength_mg_per_l: float
    minutes: float
    source: str

    @property
    def ct(self) -> float:
        """Its product [mg min/L]."""
        return self.strength_mg_per_l * self.minutes


_CAYANAN = "Cayanan, thesis, University of Guelph"
PUBLISHED: tuple[ContactRow, ...] = (
    ContactRow("Phytophthora infestans", "free chlorine", 1.0, 3.0, _CAYANAN),
    ContactRow("Phytophthora cactorum", "free chlorine", 0.3, 6.0, _CAYANAN),
    ContactRow("Pythium aphanidermatum", "free chlorine", 2.0, 3.0, _CAYANAN),
    ContactRow("Fusarium", "free chlorine", 14.0, 6.0, _CAYANAN),
    ContactRow("Rhizoctonia", "free chlorine", 12.0, 10.0, _CAYANAN),
    ContactRow(
        "treatment target (2 ppm after 20 min)",
        "free chlorine",
        2.0,
        20.0,
        "Nursery Industry Accreditation Scheme Australia",
    ),
    ContactRow(
        "shock treatment of lines, lower end (20 to 50 ppm, 12 h, twice a year, then rinsed)",
        "chlorine dioxide",
        20.0,
        720.0,
        "Zheng, Dunets and Cayanan, University of Guelph, fact sheet Chlorine Dioxide",
    ),
)


@dataclass(frozen=True, slots=True)
class Trial:
    """A published trial that is cited without its figures, as they could not be checked: all from memory."""

    disinfectant: Disinfectant
    what: Message
    source: str


CITED: tuple[Trial, ...] = (
    Trial(
        "chlorine dioxide",
        Message(
            "Fusarium oxysporum and Thielaviopsis basicola, at several pH and with ions in the water, which change the "
            "dose; resting spores bear more than conidia"
        ),
        "Copes, Chastagner and Hummel, Plant Disease 88 (2004) 188",
    ),
    Trial(
        "chlorine dioxide",
        Message("Phytophthora capsici and indicator bacteria, in surface water for irrigation"),
        "Lewis Ivey and Miller, Water Research 47 (2013) 4639",
    ),
    Trial(
        "chlorine dioxide",
        Message("Xanthomonas campestris pv. campestris, its spread among brassica transplants watered from above"),
        "Krauthausen, Laun and Wohanka, Journal of Plant Diseases and Protection 118 (2011) 7",
    ),
    Trial(
        "chlorine dioxide",
        Message("bacteria that harm plants, in irrigation water"),
        "Yao and others, Journal of Environmental Engineering and Management 20 (2010) 157",
    ),
    Trial(
        "chlorine dioxide",
        Message("fungi that harm plants, in recycled nursery water, beside ultraviolet light"),
        "Mebalds and others, The Nursery Papers (1996)",
    ),
    Trial(
        "chlorine dioxide",
        Message("plant pathogens in irrigation water, beside chlorine and ultraviolet light"),
        "Scarlett and others, European Journal of Plant Pathology 145 (2016) 27",
    ),
    Trial(
        "chlorine dioxide",
        Message("a review of trials by organism, dose and time; look there first"),
        "Raudales, Parke, Guy and Fisher, Agricultural Water Management 143 (2014) 9",
    ),
)
"""From memory, not looked up when this was written; authors, journals and pages may be off. No dose, time or pH is
repeated, as none could be checked."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Contact:
    """A product of strength and time, and the published rows it is held against.

    Attributes
    ----------
    ct_mg_min_per_l : Measured
    rows : tuple of (ContactRow, state)
        Of the same disinfectant only; ``reached`` where the whole 95 % interval is at or over the row's product.
    trials : tuple of Trial
        Cited without figures, of the same disinfectant.
    """

    ct_mg_min_per_l: Measured
    rows: tuple[tuple[ContactRow, ContactState], ...]
    trials: tuple[Trial, ...]


def ct_mg_min_per_l(strength_mg_per_l: Measured, minutes: Measured) -> Measured:
    """Return strength times time. Take the strength at the end of the contact: it is the least there was."""
    return propagate(lambda c, t: c * t, strength_mg_per_l, minutes)


def contact_time(strength_mg_per_l: Measured, minutes: Measured, *, disinfectant: Disinfectant) -> Contact:
    """Return the product, held against the published rows of the same disinfectant."""
    product = ct_mg_min_per_l(strength_mg_per_l, minutes)
    rows = tuple((row, _state(product, row.ct)) for row in PUBLISHED if row.disinfectant == disinfectant)
    trials = tuple(trial for trial in CITED if trial.disinfectant == disinfectant)
    return Contact(ct_mg_min_per_l=product, rows=rows, trials=trials)


def _state(product: Measured, needed: float) -> ContactState:
    low, high = product.interval
    if low >= needed:
        return "reached"
    return "not reached" if high is not None and high < needed else "undecided"
