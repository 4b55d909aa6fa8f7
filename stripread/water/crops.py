"""What was published of harm to plants by the water they get: a caution with a number, and never a clearance.

The table holds doses at which a publication saw harm, in its own words and for its own crops. That a crop, an age or a
way of watering is not in it says nothing. All were read as abstracts.
"""

from collections.abc import Sequence
from dataclasses import dataclass

from stripread.i18n import Message, Number
from stripread.water.contact import Disinfectant

__all__ = ["HARM", "Harm", "crop_cautions"]


@dataclass(frozen=True, slots=True)
class Harm:
    """A strength [mg/L] in the water at which a publication saw plants harmed."""

    disinfectant: Disinfectant
    strength_mg_per_l: float
    words: Message
    source: str


# The abstract tells of chlorine dioxide, hypochlorous acid and chloramine, and not which of them this trial had.
_PLUGS = Message(
    "five times a week for 6 weeks, in trials with chlorine dioxide, hypochlorous acid and chloramine, gave symptoms "
    "on basil, begonia, dianthus, two lettuces and alyssum, of 39 species"
)
_DONOVAN = "Donovan, Fisher and Huang, Proc. Fla. State Hort. Soc. 128 (2015)"
_POTTED = "Response of potted plants and vegetable seedlings to chlorinated water"
_SHRUBS = "Response of container-grown nursery plants to chlorine used to disinfest irrigation water"
_NURSERY = "Sensitivity of five container-grown nursery species to chlorine in overhead irrigation water"

HARM: tuple[Harm, ...] = (
    Harm("chlorine dioxide", 8.0, _PLUGS, _DONOVAN),
    Harm("free chlorine", 2.0, Message("was the residual at which growth of geranium and begonia fell"), _POTTED),
    Harm(
        "free chlorine",
        2.4,
        Message("for 5 min, over 11 weeks, injured some deciduous of 17 shrubs; still saleable"),
        _SHRUBS,
    ),
    Harm(
        "free chlorine", 2.5, Message("overhead was the threshold for Spiraea, Hydrangea, Weigela and Salix"), _NURSERY
    ),
    Harm("free chlorine", 5.0, Message("overhead was the threshold for Physocarpus"), _NURSERY),
    Harm("free chlorine", 8.0, Message("was the residual at which growth of pepper and tomato fell"), _POTTED),
    Harm("free chlorine", 8.0, _PLUGS, _DONOVAN),
    Harm(
        "free chlorine",
        18.0,
        Message("was the residual at which growth of kalanchoe, lettuce and tradescantia fell"),
        _POTTED,
    ),
    Harm(
        "free chlorine",
        37.0,
        Message("was the residual at which growth of broccoli, marigold and petunia fell"),
        _POTTED,
    ),
)
"""By disinfectant, the lowest strength first."""

_TRY_FIRST = Message(
    "Crops differ in what they bear, and young plants bear least: try a dose on a few plants first, and follow the "
    "label. Where no published harm is named here, that is no clearance."
)


def crop_cautions(analyte: str, dose_mg_per_l: float, crops: Sequence[str] = ()) -> tuple[Message, ...]:
    """Return what is to be said of crops that get a dose; what was published only where the dose reaches it.

    Parameters
    ----------
    analyte : str
        What is injected; of any but chlorine dioxide and free chlorine nothing is in the table.
    dose_mg_per_l : float
        What is injected, before water and pipes take their part: plants near the injector get it. Where it is not
        sure, its upper end, for a caution.
    crops : sequence of str
        What the line waters: what was published of one of them is said whether or not the dose reaches it.
    """
    own = tuple(words for crop in crops if (words := _of_crop(analyte, crop)) is not None)
    reached = [row for row in HARM if row.disinfectant == analyte.casefold() and row.strength_mg_per_l <= dose_mg_per_l]
    if not reached:
        return (*own, _TRY_FIRST)
    return (
        *own,
        Message(
            "Plants near the injector may get up to %(dose)s mg/L of %(analyte)s, before water and pipes take their "
            "part; harm to plants was published from %(least)s mg/L.",
            dose=Number(dose_mg_per_l, ".3g"),
            analyte=Message(analyte),
            least=Number(reached[0].strength_mg_per_l, "g"),
        ),
        *(
            Message(
                "%(strength)s mg/L %(harm)s (%(source)s).",
                strength=Number(row.strength_mg_per_l, "g"),
                harm=row.words,
                source=row.source,
            )
            for row in reached
        ),
        _TRY_FIRST,
    )


def _of_crop(analyte: str, crop: str) -> Message | None:
    """Return the lowest strength at which harm to a crop was published; None where the table does not name it."""
    name = crop.casefold()
    rows = [r for r in HARM if r.disinfectant == analyte.casefold() and name in str(r.words).casefold()]
    if not rows:
        return None
    return Message(
        "%(crop)s stands on this line: %(strength)s mg/L %(harm)s (%(source)s).",
        crop=crop,
        strength=Number(rows[0].strength_mg_per_l, "g"),
        harm=rows[0].words,
        source=rows[0].source,
    )
