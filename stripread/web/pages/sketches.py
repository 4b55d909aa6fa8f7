"""Which sketch shows what to change in a photo, by the code of the error or of the finding."""

from collections.abc import Sequence

__all__ = ["sketch_for"]

# Each is drawn twice in `templates/sketches.html`: as it must not be, and as it should be.
_SKETCHES = {
    "whole": ("card_not_found", "several_cards", "mirrored_photo"),
    "near": ("pad_small", "photo_too_small"),
    "turned": ("strip_upside_down",),
    "covered": ("card_covered", "pad_covered"),
    "glare": ("glare_on_pad", "photo_clipped"),
    "shadow": ("shadow_edge", "mixed_light"),
    "flat": ("card_bent",),
    "strip": ("strip_not_found", "pad_count", "pad_not_seen", "end_by_mark"),
    "light": (
        "photo_unfit", "photo_dark", "poor_correction",
    ),
    "still": ("photo_soft",),
    "pair": ("flash_pair", "strip_moved", "flash_weak", "flash_misfit"),
}  # fmt: skip
_BY_CODE = {code: sketch for sketch, codes in _SKETCHES.items() for code in codes}


def sketch_for(codes: Sequence[str]) -> str | None:
    """Return the sketch of the first code that has one."""
    return next((_BY_CODE[code] for code in codes if code in _BY_CODE), None)
