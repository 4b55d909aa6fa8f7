"""Phones that map tones by their surroundings: the card tells of them, and the interval grows by what it tells."""

from dataclasses import replace

import numpy as np

from stripread.card import design_card
from stripread.colour import Correction, PatchColours, fit_correction
from stripread.simulate.optics.cameras import make_phone
from stripread.simulate.optics.inks import print_card
from stripread.simulate.optics.pads import PADS, pad_reflectance
from tests.fitting.patches import simulate_means

CARD = design_card()
PRINT = print_card(CARD.patch_lab, np.array([60.0, 0.0, 0.0]), printer_seed=1)


def patches() -> PatchColours:
    pads = np.stack([pad_reflectance(PADS["violet"], 100.0)])
    return simulate_means(CARD, PRINT, "LED-B3", make_phone(3), pads, np.random.default_rng(5)).patches


def with_gain(seen: PatchColours, relative: float) -> Correction:
    """Correct the patches as if the phone had lightened some places and darkened others, all channels alike."""
    gain = np.exp(relative * np.random.default_rng(7).normal(size=(len(seen.ids), 1)))
    return fit_correction(replace(seen, linear=np.minimum(seen.linear * gain, 0.97)))


def test_a_plain_photo_s_light_is_as_sure_as_the_print_s_measurement_lets_it_be_known() -> None:
    assert with_gain(patches(), 0.0).u_light < 0.005


def test_light_that_changes_from_patch_to_patch_makes_the_pad_s_own_less_sure() -> None:
    found = [with_gain(patches(), relative).u_light for relative in (0.0, 0.01, 0.02, 0.04)]
    assert found == sorted(found)
    for relative, u_light in zip((0.01, 0.02, 0.04), found[1:], strict=True):
        assert u_light > relative  # a pad is changed no less than the patches are


def test_of_a_print_that_was_never_measured_the_scatter_tells_less() -> None:
    own = replace(patches(), u_lab=None)
    assert 0.002 < with_gain(own, 0.0).u_light < with_gain(own, 0.04).u_light < 0.04
