"""Photos reduced to what a correction sees: mean patch and pad values under a lamp, without drawing any picture.

Thousands of conditions a minute, for fits and for checks of the colour part on its own.
"""

from dataclasses import dataclass

import numpy as np

from stripread.card.layout import CardLayout
from stripread.colour.correct import PatchColours
from stripread.geometry import Float
from stripread.simulate.cameras import Phone, develop_photo, on_sensor
from stripread.simulate.inks import CardPrint
from stripread.simulate.lamps import lamp

__all__ = ["U_INSTRUMENT", "MeanColours", "simulate_means"]

_U_MEAN = 0.06 / 255  # noise of a patch mean, of full scale: the figure measured on decoded photos
U_INSTRUMENT = (
    0.25  # CIELAB; a hand-held spectrophotometer's repeatability between patches (common practice, no source)
)


@dataclass(frozen=True, slots=True)
class MeanColours:
    """Patch values with enrolled references, and decoded values of pads (m, 3) lying at ``pad_place_mm``."""

    patches: PatchColours
    pads: Float
    pad_place_mm: Float


def _decode(encoded: Float) -> Float:
    """Decode sRGB (IEC 61966-2-1)."""
    linear: Float = np.where(encoded <= 0.04045, encoded / 12.92, ((encoded + 0.055) / 1.055) ** 2.4)
    return linear


def falling_light(places_mm: Float, rng: np.random.Generator) -> Float:
    """Light of a lamp near the card, by the inverse square and the cosine, relative to its largest value."""
    centre = places_mm.mean(axis=0)
    height = rng.uniform(250.0, 900.0)
    foot = centre + rng.normal(0, 0.4 * height, 2)
    squared = np.sum((places_mm - foot) ** 2, axis=1) + height**2
    light: Float = squared**-1.5 / np.max(squared**-1.5)
    return light


def simulate_means(
    card: CardLayout, printed: CardPrint, lamp_name: str, phone: Phone, pads: Float, rng: np.random.Generator
) -> MeanColours:
    """Photograph a printed card and pads of reflectance (m, 81) in the middle of its slot."""
    places = np.array([p.rect.centre for p in card.patches])
    middle = card.slot.centre if card.slot else np.array([card.width_mm, card.height_mm]) / 2
    light = lamp(lamp_name)
    shading = falling_light(np.vstack([places, middle]), rng)
    process = develop_photo(phone, light, exposure=float(rng.uniform(0.5, 0.95)))
    raw = np.vstack([on_sensor(phone, light, printed.patches), on_sensor(phone, light, pads)])
    shade = np.concatenate([shading[:-1], np.full(len(pads), shading[-1])])
    encoded = process((raw * shade[:, None]).astype(np.float32)).astype(np.float64)
    encoded = np.clip(encoded + rng.normal(0, _U_MEAN, encoded.shape), 0, 1)
    linear = _decode(encoded)
    role = np.array([p.role for p in card.patches])
    count = len(places)
    patches = PatchColours(
        ids=tuple(p.id for p in card.patches),
        places_mm=places,
        linear=linear[:count],
        clipped_share=(encoded[:count].max(axis=1) > 0.998).astype(np.float64),
        lab=printed.lab + rng.normal(0, U_INSTRUMENT, printed.lab.shape),
        white=role == "white",
        neutral=role != "colour",
        card_size_mm=(card.width_mm, card.height_mm),
    )
    return MeanColours(patches, linear[count:], middle)
