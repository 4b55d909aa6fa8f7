"""A strip vial with the colour chart of its kind: sizes, label and inks; `vial_art` paints it."""

from dataclasses import dataclass

import numpy as np

from stripread.colour import xyz_to_lab
from stripread.geometry import Float
from stripread.simulate.optics.inks import make_printer
from stripread.simulate.optics.pads import PADS, pad_reflectance
from stripread.simulate.optics.spectra import observer_weights, reflectance_to_lab

__all__ = ["SEEN_LABELS", "UNSEEN_LABELS", "Vial", "VialLight", "print_blocks", "random_vial"]

# Label printers are none of the card's printers; the split is that of the conditions.
SEEN_LABELS = tuple(range(31, 37))
UNSEEN_LABELS = tuple(range(131, 137))


@dataclass(frozen=True, slots=True, kw_only=True)
class VialLight:
    """How light plays on the cylinder, relative to what falls on the card.

    A share ``ambient`` comes from the whole sky over the card, the rest from ``from_deg`` off the card's normal,
    towards +90 degrees across the vial. A streak mirrors the lamp at ``gloss_deg`` round the cylinder: it is
    ``gloss_width_deg`` wide (standard deviation) and adds ``gloss`` times a white surface.
    """

    ambient: float = 0.5
    from_deg: float = 20.0
    gloss: float = 0.0
    gloss_deg: float = 10.0
    gloss_width_deg: float = 2.5


@dataclass(frozen=True, slots=True, kw_only=True)
class Vial:
    """A vial lying on the card, its chart up. Lengths are in mm, and along it count from the end of its cap.

    Attributes
    ----------
    reflectances : ndarray (n, 81)
        Of the chart's blocks, in the order in which they stand from the cap on.
    words : tuple of str
        What is printed under each block.
    label_mm : tuple
        Where the label starts and ends.
    first_mm, pitch_mm : float
        Middle of the first block, and from one to the next.
    block_mm : tuple
        Size along the vial, and round it.
    roll_deg : float
        How far the chart's middle is turned away from straight up.
    angle_deg, offset_mm, flipped
        How the vial lies in its room: turned, shifted along and across, cap to the right.
    """

    reflectances: Float
    words: tuple[str, ...]
    label_printer: int
    diameter_mm: float = 25.0
    length_mm: float = 90.0
    cap_mm: float = 15.0
    label_mm: tuple[float, float] = (17.0, 88.0)
    first_mm: float = 24.0
    pitch_mm: float = 9.0
    block_mm: tuple[float, float] = (7.0, 9.0)
    roll_deg: float = 0.0
    angle_deg: float = 0.0
    offset_mm: tuple[float, float] = (0.0, 0.0)
    flipped: bool = False
    light: VialLight = VialLight()


def print_blocks(lab: Float, printer_seed: int) -> tuple[Float, Float]:
    """Print CIELAB (n, 3) as well as a printer's inks allow; reflectances (n, 81), and what came out (n, 3)."""
    from scipy.optimize import least_squares

    printer, weights = make_printer(printer_seed), observer_weights()
    found = []
    for target in np.atleast_2d(lab):
        start = np.full(4, 0.15 if target[0] > 80 else 0.4)
        start[3] = 0.02

        def residual(amounts: Float, target: Float = target) -> Float:
            off = xyz_to_lab(printer.reflectance(amounts) @ weights) - target
            return np.append(off, 0.2 * amounts[3])  # of equals, that with the least black

        found.append(least_squares(residual, x0=start, bounds=(0.0, 1.0), max_nfev=80).x)
    printed = printer.reflectance(np.array(found))
    return printed, reflectance_to_lab(printed)


def random_vial(
    chemistry: str, values: tuple[float, ...], rng: np.random.Generator, *, seen: bool, u_print: float = 1.0
) -> Vial:
    """Draw a vial whose blocks, low to high from either end, are the pad's colours but for a printing error.

    Parameters
    ----------
    chemistry : str
        A pad of `stripread.simulate.optics.pads`.
    u_print : float
        Standard deviation of the printing error in each coordinate. [CIELAB]
    """
    label = int(rng.choice(SEEN_LABELS if seen else UNSEEN_LABELS))
    wanted = reflectance_to_lab(np.array([pad_reflectance(PADS[chemistry], value) for value in values]))
    printed, _ = print_blocks(wanted + rng.normal(0, u_print, wanted.shape), label)
    words = tuple(f"{value:g}" for value in values)
    if rng.random() < 0.5:
        printed, words = printed[::-1].copy(), words[::-1]
    count = len(values)
    length, cap = float(rng.uniform(82, 94)), float(rng.uniform(12, 17))
    label_mm = (cap + float(rng.uniform(1, 3)), length - float(rng.uniform(1, 4)))
    pitch = min(float(rng.uniform(0.78, 0.95)) * (label_mm[1] - label_mm[0]) / count, 13.0)
    spare = label_mm[1] - label_mm[0] - count * pitch
    return Vial(
        reflectances=printed,
        words=words,
        label_printer=label,
        diameter_mm=float(rng.uniform(22, 28)),
        length_mm=length,
        cap_mm=cap,
        label_mm=label_mm,
        first_mm=label_mm[0] + spare * float(rng.uniform(0.3, 0.7)) + pitch / 2,
        pitch_mm=pitch,
        block_mm=(pitch * float(rng.uniform(0.72, 0.85)), float(rng.uniform(7, 11))),
        roll_deg=float(rng.normal(0, 8)),
        angle_deg=float(rng.uniform(-15, 15)) if rng.random() < 0.5 else float(rng.normal(0, 3)),
        offset_mm=(float(rng.uniform(-4, 4)), float(rng.uniform(-3, 3))),
        flipped=bool(rng.random() < 0.5),
        light=VialLight(
            ambient=float(rng.uniform(0.3, 0.8)),
            from_deg=float(rng.normal(0, 25)),
            gloss=float(rng.choice([0.0, 0.2, 0.6])),
            gloss_deg=float(rng.normal(0, 15)),
            gloss_width_deg=float(rng.uniform(1.0, 3.5)),
        ),
    )
