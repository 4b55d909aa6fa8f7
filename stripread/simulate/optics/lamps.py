"""Lamps of the simulator: CIE and measured lamp spectra of colour-science, mixtures, and daylight under a canopy.

They come in two parts: lamps that a fit may see, and lamps that only judge. No name stands in both.
"""

from functools import lru_cache

import numpy as np

from stripread.colour import colour_science
from stripread.geometry import Float
from stripread.simulate.optics.spectra import gaussian, on_grid

__all__ = ["FAMILIES", "SEEN", "UNSEEN", "lamp"]

# Lamp families of a nursery: sky light, shade of leaves, incandescent, fluorescent tubes, white LEDs.
FAMILIES: dict[str, tuple[str, ...]] = {
    "daylight": ("D45", "D50", "D55", "D60", "D65", "D70", "D75", "D90"),
    "canopy": ("canopy D50", "canopy D55", "canopy D65", "canopy D75"),
    "incandescent": ("A", "ISO 7589 Photoflood", "ISO 7589 Studio Tungsten", "Incandescent"),
    "fluorescent": (
        "FL1", "FL2", "FL4", "FL7", "FL8", "FL9", "FL10", "FL11", "FL12", "FL3.5", "FL3.7", "FL3.9", "FL3.12",
        "F40/C50 (Broadband FL)", "F32T8/TL841 (Triphosphor)", "F32T8/TL850 (Triphosphor)",
    ),
    "led": ("LED-B1", "LED-B2", "LED-B3", "LED-B4", "LED-B5", "LED-BH1", "LED-V1", "LED-V2", "Phosphor LED YAG"),
}  # fmt: skip

# Every other lamp of a family may be seen by a fit; the rest only judge.
SEEN: tuple[str, ...] = tuple(name for names in FAMILIES.values() for name in names[::2])
UNSEEN: tuple[str, ...] = tuple(name for names in FAMILIES.values() for name in names[1::2])


@lru_cache(maxsize=128)
def lamp(name: str) -> Float:
    """Relative spectral power of a lamp on the grid, mean 1, shape (81,).

    ``D<hundreds of kelvin>`` is CIE daylight, ``canopy D..`` the same partly through leaves; ``A + B`` mixes two lamps
    of equal power; other names are colour-science's. ``KeyError`` for a name that is none of these.
    """
    if " + " in name:
        first, second = name.split(" + ", maxsplit=1)
        return (lamp(first) + lamp(second)) / 2
    if name.startswith("canopy "):
        # Ours, no leaf was measured: it lets about a tenth of the green through and little else of the visible; a third
        # of the light here has passed one.
        leaf = 0.05 + 0.17 * gaussian(552, 28) + 0.3 / (1 + np.exp(-(np.arange(380.0, 781.0, 5.0) - 715) / 9))
        sky = lamp(name.removeprefix("canopy "))
        mixed = 0.35 * sky + 0.65 * 2.0 * sky * leaf
        return _scaled(mixed)
    colour = colour_science()
    if name[0] == "D" and name[1:].isdigit() and name not in colour.SDS_ILLUMINANTS:
        # CIE 15: nominal temperatures are for the old radiation constant, hence the factor.
        xy = colour.temperature.CCT_to_xy_CIE_D(int(name[1:]) * 100 * 1.4388 / 1.4380)
        return _scaled(on_grid(colour.sd_CIE_illuminant_D_series(xy)))
    if name in colour.SDS_ILLUMINANTS:
        return _scaled(on_grid(colour.SDS_ILLUMINANTS[name]))
    return _scaled(on_grid(colour.SDS_LIGHT_SOURCES[name]))


def _scaled(power: Float) -> Float:
    scaled: Float = power / power.mean()
    scaled.flags.writeable = False
    return scaled
