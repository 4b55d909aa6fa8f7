"""Looks drawn at random: strips, pads, cards, benches and phones as the plain simulator does not draw them.

A look names one family for each aspect. The families of an aspect are split: *seen* ones may be used while something
is worked on, *unseen* ones only judge. It is whole families that are unseen, not other numbers of the same; `USUAL` is
what the plain simulator draws and belongs to neither part. Unseen families that have judged once and were then looked
at become seen ones, and new ones take their place.
"""

from collections.abc import Mapping
from dataclasses import dataclass, fields
from types import MappingProxyType

import numpy as np

from stripread.simulate.scene.heic import heif_encoder

__all__ = ["CAMERA_ASPECTS", "FAMILIES", "USUAL", "Families", "Look", "Trait", "random_look", "usual_look"]

USUAL = "usual"


@dataclass(frozen=True, slots=True, kw_only=True)
class Trait:
    """A family of one aspect, how strong it is (0: mild, 1: as strong as is drawn), and the seed of its details."""

    family: str = USUAL
    strength: float = 0.5
    seed: int = 0

    @property
    def rng(self) -> np.random.Generator:
        """A generator for the details, the same at each call."""
        return np.random.default_rng([self.seed, 83])

    def between(self, mild: float, strong: float) -> float:
        """Return a number by the strength."""
        return mild + self.strength * (strong - mild)


@dataclass(frozen=True, slots=True, kw_only=True)
class Families:
    """The families of an aspect in both parts, and how often the aspect is left as usual."""

    seen: tuple[str, ...]
    unseen: tuple[str, ...]
    usual_share: float = 0.3

    def of(self, *, seen: bool) -> tuple[str, ...]:
        """Return the families of one part."""
        return self.seen if seen else self.unseen


FAMILIES: Mapping[str, Families] = MappingProxyType(
    {
        "plastic": Families(
            seen=("mottled", "grey", "glossy", "translucent", "fibrous", "tinted", "backing rim", "brushed"),
            unseen=("twill", "age patches", "fingerprints", "bevelled", "air bubbles"),
        ),
        "outline": Families(
            seen=("bowed", "skew ends", "tapered", "rounded ends", "twisted"),
            unseen=("waist", "side notches", "torn corner", "kinked", "wavy cut"),
            usual_share=0.4,
        ),
        "handle": Families(
            seen=(
                "block", "bars", "words", "stripes", "hole", "fading colour", "grip ridges", "chevrons", "dots",
                "line by the pads", "end cap", "code squares",
            ),
            unseen=("arrow", "picture", "round mark", "clear", "end notch", "tab", "pen", "colour scale"),
            usual_share=0.25,
        ),
        "pad_form": Families(
            seen=("rounded", "swollen", "disc", "frayed", "cut corners"),
            unseen=("oval", "slanted", "hollow sides", "turned"),
            usual_share=0.4,
        ),
        "pad_edge": Families(
            seen=("raised", "bled", "flush", "rimmed", "dried rim", "glue line", "peeled"),
            unseen=("white halo", "wick line", "fringe", "cover film"),
        ),
        "pad_face": Families(
            seen=(
                "uneven dye", "paper grain", "woven", "wet gloss", "streaked dye", "wetting front", "marbled",
                "pale corner",
            ),
            unseen=("speckled", "coffee ring", "finger touch", "dry spots", "embossed"),
            usual_share=0.4,
        ),
        "around": Families(
            seen=(
                "specks", "own shadow", "drops beside", "over the side", "drops on plastic", "hairs", "wet ground",
                "corner over the edge", "end over the edge", "scrap of tissue",
            ),
            unseen=("condensation", "soil crumbs", "pencil marks", "finger shadow", "tape"),
        ),
        "card": Families(
            seen=("stains", "faded ink", "smudged slot", "creases", "wrinkles", "scuffs", "yellowed"),
            unseen=("bottle rings", "sun fading", "thumb prints", "banding", "soil splashes"),
        ),
        "bench": Families(
            seen=("brick", "coffee", "page", "rocket", "gravel", "grass", "motorcycle", "coins", "cells"),
            unseen=("boards", "wet steel", "gingham", "newsprint", "leaves"),
        ),
        "tone": Families(
            seen=("lifted shadows", "base and detail", "exposure fusion", "pyramid detail", "local histogram"),
            unseen=("local adaptation", "crushed blacks", "soft shoulder", "gain grid"),
            usual_share=0.4,
        ),
        "colour": Families(
            seen=(
                "saturation by hue", "gamut clipping", "vibrance", "toned shadows", "gamut compression", "warm preset",
                "channel curves", "hue shift",
            ),
            unseen=("lookup table",),
            usual_share=0.4,
        ),
        "lens": Families(
            seen=("barrel", "vignetting", "pincushion", "colour shading", "lateral colour", "veiling glare"),
            unseen=("flare ghosts", "field curvature", "rolling shutter", "greasy lens"),
            usual_share=0.4,
        ),
        "detail": Families(
            seen=("chroma denoising", "halos", "smearing", "blended frames", "portrait blur", "enlarged"),
            unseen=("fine sharpening", "median", "mosaic", "aliased", "line noise"),
            usual_share=0.4,
        ),
        "file": Families(
            seen=("4:2:2", "quality 75", "4:4:4", "saved twice", "HEIC"),
            unseen=("WebP", "PNG of a JPEG", "flat tables"),
            usual_share=0.5,
        ),
    }
)  # fmt: skip
CAMERA_ASPECTS = ("tone", "colour", "lens", "detail", "file")


@dataclass(frozen=True, slots=True, kw_only=True)
class Look:
    """One family an aspect: strip (plastic to around), card, bench, phone (tone to file)."""

    plastic: Trait = Trait()
    outline: Trait = Trait()
    handle: Trait = Trait()
    pad_form: Trait = Trait()
    pad_edge: Trait = Trait()
    pad_face: Trait = Trait()
    around: Trait = Trait()
    card: Trait = Trait()
    bench: Trait = Trait()
    tone: Trait = Trait()
    colour: Trait = Trait()
    lens: Trait = Trait()
    detail: Trait = Trait()
    file: Trait = Trait()

    @property
    def families(self) -> dict[str, str]:
        """Name of the family of each aspect."""
        return {f.name: getattr(self, f.name).family for f in fields(self)}


def usual_look() -> Look:
    """Return the look of the plain simulator, drawn by the means of the looks."""
    return Look()


def random_look(rng: np.random.Generator, *, seen: bool) -> Look:
    """Draw a look of one part; each aspect is left as usual now and then.

    HEIC becomes a usual file where no encoder is installed; nothing else that is drawn depends on the machine.
    """
    traits = {}
    for aspect, families in FAMILIES.items():
        names = families.of(seen=seen)
        usual = rng.random() < families.usual_share
        family = str(rng.choice(names))
        trait = Trait(family=USUAL if usual else family, strength=float(rng.random()), seed=int(rng.integers(2**31)))
        if trait.family == "HEIC" and heif_encoder() is None:
            trait = Trait()
        traits[aspect] = trait
    return Look(**traits)
