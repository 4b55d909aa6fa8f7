import numpy as np
import pytest

from stripread.colour import fit_map, lab_to_xyz
from stripread.colour.map import METHODS

WEIGHTS = np.ones(24)


def card(seed: int):
    """Patches of a card, the first two white, as a camera that no map describes in full sees them."""
    rng = np.random.default_rng(seed)
    lab = np.column_stack([rng.uniform(25, 90, 24), rng.uniform(-40, 40, (24, 2))])
    lab[:2] = (95.0, 0.0, 0.0)
    white = np.arange(24) < 2
    rgb = lab_to_xyz(lab) @ np.array([[1.2, -0.3, 0.0], [-0.1, 1.1, 0.1], [0.0, -0.1, 1.2]])
    return rgb * np.where(white, 1.0, np.exp(rng.normal(0, 0.02, 24)))[:, None], lab, white


@pytest.mark.parametrize("method", METHODS)
def test_a_patch_left_out_is_predicted_as_by_the_map_fitted_without_it(method):
    rgb, lab, white = card(3)
    found = fit_map(rgb, lab, white, WEIGHTS, method=method).left_out
    for patch in range(2, 24):
        weights = np.where(np.arange(24) == patch, 0.0, WEIGHTS)
        without = fit_map(rgb, lab, white, weights, method=method)
        np.testing.assert_allclose(found[patch], without.lab(rgb[patch]) - lab[patch], rtol=0.05, atol=0.05)


@pytest.mark.parametrize("method", METHODS)
def test_every_term_is_one_at_white_so_that_white_stays_white(method):
    rgb, lab, white = card(3)
    np.testing.assert_allclose(METHODS[method].terms(np.ones(3)), 1.0)
    found = fit_map(rgb, lab, white, WEIGHTS, method=method)
    np.testing.assert_allclose(found.lab(rgb[white].mean(axis=0)), lab[0], atol=1e-9)
