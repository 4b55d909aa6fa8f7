"""Photos reduced to what a correction sees: mean patch and pad values under a lamp, without drawing any picture.

Thousands of conditions a minute, for fits and for checks of the colour part on its own.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from stripread.card import CardLayout
from stripread.colour import PatchColours
from stripread.geometry import Float
from stripread.simulate.optics.cameras import Phone, develop_photo, on_sensor
from stripread.simulate.optics.inks import CardPrint
from stripread.simulate.optics.lamps import lamp

__all__ = ["U_INSTRUMENT", "MeanColours", "simulate_means", "simulate_pair_means"]

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
    places = _places(card)
    light = lamp(lamp_name)
    shading = falling_light(places, rng)
    process = develop_photo(phone, light, exposure=float(rng.uniform(0.5, 0.95)))
    raw = on_sensor(phone, light, np.vstack([printed.patches, pads]))
    encoded = _with_noise(process((raw * _at_each(shading, pads)).astype(np.float32)), rng)
    return _means(card, encoded, printed.lab + rng.normal(0, U_INSTRUMENT, printed.lab.shape))


def simulate_pair_means(
    card: CardLayout,
    printed: CardPrint,
    lamp_names: tuple[str, ...],
    phone: Phone,
    pads: Float,
    rng: np.random.Generator,
    *,
    ratio: float,
    lab: Float,
) -> tuple[MeanColours, MeanColours]:
    """Photograph without and with the phone's flash, ``ratio`` times as bright as the lamps; ``lab`` is enrolled."""
    places = _places(card)
    reflectance = np.vstack([printed.patches, pads])
    lamps = [lamp(name) / len(lamp_names) for name in lamp_names]
    ambient = np.sum([on_sensor(phone, p, reflectance) * _at_each(falling_light(places, rng), pads) for p in lamps], 0)
    power = np.sum(lamps, axis=0)
    flash = phone.flash * (ratio * float((power @ phone.sensor)[1] / (phone.flash @ phone.sensor)[1]))
    height, foot = rng.uniform(180.0, 400.0), places[-1] + rng.normal(0, 15.0, 2)
    falling = (1 + np.sum((places - foot) ** 2, axis=1) / height**2) ** -2
    lit = ambient + on_sensor(phone, flash, reflectance) * _at_each(falling, pads)
    photos = []
    for raw, light in ((ambient, power), (lit, power + flash)):
        process = develop_photo(phone, light, exposure=float(rng.uniform(0.5, 0.95)))
        photos.append(_means(card, _with_noise(process(raw.astype(np.float32)), rng), lab))
    return photos[0], photos[1]


def _places(card: CardLayout) -> Float:
    """Centres of the patches, and last the pads' place, the middle of the slot."""
    middle = card.slot.centre if card.slot else np.array([card.width_mm, card.height_mm]) / 2
    return np.vstack([[p.rect.centre for p in card.patches], middle])


def _at_each(light: Float, pads: Float) -> Float:
    """Light at each patch and pad as a column; all pads lie at the last place."""
    return np.concatenate([light[:-1], np.full(len(pads), light[-1])])[:, None]


def _with_noise(encoded: NDArray[np.float32], rng: np.random.Generator) -> Float:
    """Add the noise of a mean."""
    result: Float = np.clip(encoded.astype(np.float64) + rng.normal(0, _U_MEAN, encoded.shape), 0, 1)
    return result


def _means(card: CardLayout, encoded: Float, lab: Float) -> MeanColours:
    linear = _decode(encoded)
    role = np.array([p.role for p in card.patches])
    count, places = len(role), _places(card)
    patches = PatchColours(
        ids=tuple(p.id for p in card.patches),
        places_mm=places[:-1],
        linear=linear[:count],
        clipped_share=(encoded[:count].max(axis=1) > 0.998).astype(np.float64),
        lab=lab,
        white=role == "white",
        neutral=role != "colour",
        card_size_mm=(card.width_mm, card.height_mm),
        u_lab=U_INSTRUMENT,
    )
    return MeanColours(patches, linear[count:], places[-1])
