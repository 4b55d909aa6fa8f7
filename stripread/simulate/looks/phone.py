"""A picture developed and stored as the phone of a look does it."""

from collections.abc import Callable
from dataclasses import replace

import cv2
import numpy as np

from stripread.simulate.looks.families import Look, Trait
from stripread.simulate.looks.lens import light_through_lens
from stripread.simulate.looks.phone_detail import change_detail
from stripread.simulate.looks.phone_effects import change_colour, change_tone
from stripread.simulate.scene.encode import Noise, PhotoFile, Process, expose
from stripread.simulate.scene.paint import Image
from stripread.simulate.scene.render import Rendered

__all__ = ["develop_by_look", "file_by_look"]

_SOFTNESS_PX = 0.5  # what demosaicing softens, as in the plain simulator


def develop_by_look(
    look: Look, drawn: Rendered, developed: Callable[[float], Process], *, noise: Noise, seed: int
) -> Image:
    """Return the codes 0 to 1 of a drawn picture; ``developed`` is the phone's processing at so many stops more."""
    soft = np.asarray(cv2.GaussianBlur(drawn.image, (0, 0), _SOFTNESS_PX), np.float32)
    pads = np.array([p for corners in drawn.pad_polygons_px.values() for p in corners]).reshape(-1, 2)
    lit = light_through_lens(look.lens, soft, pads)
    raw = expose(lit, lambda signal: signal, noise=noise, seed=seed)

    def codes_at(stops: float) -> Image:
        return expose(raw, developed(stops), noise=None, seed=seed)

    codes = change_colour(look.colour, change_tone(look.tone, codes_at))
    return change_detail(look.detail, codes, drawn.card_corners_px)


def file_by_look(trait: Trait, file: PhotoFile) -> PhotoFile:
    """Return how the phone of a look stores the photo; other formats than JPEG stay as they are."""
    if file.format != "jpeg":
        return file
    if trait.family in ("4:2:2", "4:4:4"):
        return replace(file, subsampling=trait.family)
    if trait.family == "quality 75":
        return replace(file, quality=round(trait.between(85, 75)))
    if trait.family == "saved twice":
        return replace(file, saved_before=round(trait.between(90, 72)), quality=round(trait.between(92, 80)))
    if trait.family == "HEIC":
        return replace(file, format="heic", quality=round(trait.between(80, 50)), exif=None)
    if trait.family == "WebP":
        return replace(file, format="webp", quality=round(trait.between(88, 62)))
    if trait.family == "PNG of a JPEG":  # the screen is kept, not the file
        return replace(file, format="png", saved_before=round(trait.between(92, 75)), exif=None)
    if trait.family == "flat tables":
        return replace(file, quantisation=round(trait.between(4, 14)))
    return file
