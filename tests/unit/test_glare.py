"""Pads with mirrored light drawn over them in linear light: where it is told from the pad's own, and what is left."""

import numpy as np
import pytest

from stripread.errors import PhotoUnfitError
from stripread.geometry import Float
from stripread.strip import GroundVeil, measure_pad
from stripread.strip.glare import FreePart, Veil, find_free_part, measure_cells, residual_veil
from tests.listed import each

PINK, VIOLET, PLASTIC = np.array([0.87, 0.68, 0.78]), np.array([0.35, 0.32, 0.65]), np.array([0.86, 0.86, 0.85])
SIDE = 36
CORNERS = np.array([[18.0, 18.0], [54.0, 18.0], [54.0, 54.0], [18.0, 54.0]])
X, Y = (np.stack(np.meshgrid(np.arange(72), np.arange(72))) - 36) / SIDE  # -0.5 to 0.5 on the pad


def pad(colour: Float, *, seed: int = 1) -> Float:
    rng = np.random.default_rng(seed)
    picture = np.broadcast_to(colour, (72, 72, 3)).copy()
    return picture * (1 + 0.008 * rng.standard_normal((72, 72, 1)) + 0.004 * rng.standard_normal((72, 72, 3)))


def spot(strength: float, x: float, y: float, radius: float) -> Float:
    """A Gaussian mirror image; lengths in sides of the pad."""
    light: Float = (strength * np.exp(-((X - x) ** 2 + (Y - y) ** 2) / (2 * radius**2)))[..., None]
    return light


def find(picture: Float) -> FreePart | None:
    cells = measure_cells(picture, CORNERS, share=0.7, to_scene=lambda linear: linear)
    return find_free_part(cells, noticed=False)


@each("colour", [PINK, VIOLET])
@each("strength", [0.06, 0.2, 0.5])
def test_a_soft_spot_over_part_of_a_pad_is_found_and_the_free_part_is_the_pads_colour(
    colour: Float, strength: float
) -> None:
    picture = pad(colour) + spot(strength, 0.35, 0.2, 0.18)
    part = find(picture)
    assert part is not None
    assert 0.3 < part.share < 0.9
    measured = measure_pad(picture, CORNERS)
    u = np.sqrt(np.diag(measured.covariance_of_mean + measured.covariance_of_veil))
    assert (np.abs(measured.mean - colour) < 2 * u).all()
    assert {f.code for f in measured.findings} == {"glare_on_pad"}
    # the uncertainty is of light added to all channels alike
    direction = np.linalg.eigh(measured.covariance_of_veil)[1][:, -1]
    assert abs(direction @ np.ones(3)) / np.sqrt(3) > 0.999


@each("colour", [PINK, VIOLET])
def test_a_pad_without_glare_is_measured_as_ever(colour: Float) -> None:
    for seed in range(20):
        measured = measure_pad(pad(colour, seed=seed), CORNERS)
        assert not measured.covariance_of_veil.any()
        assert measured.share_glare < 0.01
        assert not measured.findings


@each("colour", [PINK, VIOLET])
def test_an_uneven_dye_is_not_taken_for_glare(colour: Float) -> None:
    share = np.clip(0.15 + 0.4 * X, 0, 1)[..., None]
    assert find(pad(colour) * (1 - share) + share * PLASTIC) is None


def test_light_between_white_and_the_plastic_may_be_mirrored() -> None:
    """On a violet pad both directions lie near to each other: taking glare for dye would leave it in the colour."""
    towards = PLASTIC - VIOLET
    between = 0.8 / np.sqrt(3) + 1.2 * towards / np.linalg.norm(towards)
    picture = pad(VIOLET) + spot(0.06, 0.3, 0.1, 0.2) * between
    assert find(picture) is not None
    measured = measure_pad(picture, CORNERS)
    assert (np.abs(measured.mean - VIOLET) < 2 * np.sqrt(np.diag(measured.covariance_of_veil))).all()


def test_a_difference_along_white_too_faint_to_be_called_glare_widens_the_interval() -> None:
    picture = pad(PINK) + 0.038 * (X + 0.5)[..., None]
    measured = measure_pad(picture, CORNERS)
    assert not measured.findings
    u = np.sqrt(np.diag(measured.covariance_of_veil))
    assert (np.abs(measured.mean - PINK) < 2 * u).all()
    assert (u < 0.02).all()


def test_a_dark_pad_in_shade_on_one_side_is_not_taken_for_glare() -> None:
    assert find(pad(VIOLET) * (1 + 0.2 * X[..., None])) is None


def test_white_light_is_undone_before_it_is_told() -> None:
    """The same spot in a picture with a tone curve and a lamp's colour: only ``to_scene`` makes it white again."""
    lamp = np.array([1.0, 0.8, 0.5])
    seen = ((pad(PINK) + spot(0.3, 0.3, 0.0, 0.15)) * lamp) ** 1.3
    measured = measure_pad(seen, CORNERS, to_scene=lambda linear: linear ** (1 / 1.3) / lamp)
    u = np.sqrt(np.diag(measured.covariance_of_mean + measured.covariance_of_veil))
    assert (np.abs(measured.mean - (PINK * lamp) ** 1.3) < 2 * u).all()


def test_a_spot_over_most_of_the_pad_is_refused() -> None:
    with pytest.raises(PhotoUnfitError, match="mirrors all over it") as refused:
        measure_pad(pad(VIOLET) + spot(0.4, 0, 0, 0.4), CORNERS)
    assert "Tilt the phone" in str(refused.value.remedy)


def test_light_on_the_ground_beside_shifts_and_widens_and_is_refused_from_some_strength_on() -> None:
    veiled = pad(PINK) + 0.02
    measured = measure_pad(veiled, CORNERS, veil_beside=GroundVeil(both=(0.02, 0.02)))
    assert (np.abs(measured.mean - PINK) < np.sqrt(np.diag(measured.covariance_of_veil))).all()
    with pytest.raises(PhotoUnfitError, match="mirrors all over it"):
        measure_pad(pad(PINK) + 0.1, CORNERS, veil_beside=GroundVeil(both=(0.1, 0.1)))


@each("colour", [PINK, VIOLET])
@each(
    "places",
    [
        [(-0.22, -0.2), (0.2, 0.22), (0.3, -0.28)],  # lamps
        [(x, y) for x in (-0.32, -0.12) for y in (-0.1, 0.1, 0.3)],  # panes
        [(0.3 + 0.2 * np.cos(a), 0.3 + 0.2 * np.sin(a)) for a in np.arange(0, 2 * np.pi, 0.7)],  # a ring over a corner
    ],
)
def test_several_lamps_that_are_no_one_spot_leave_the_pads_colour(
    colour: Float, places: list[tuple[float, float]]
) -> None:
    for strength in (0.1, 0.3, 0.6):
        picture = pad(colour) + sum(spot(strength, x, y, 0.05) for x, y in places)
        measured = measure_pad(picture, CORNERS)
        u = np.sqrt(np.diag(measured.covariance_of_mean + measured.covariance_of_veil))
        assert (np.abs(measured.mean - colour) < 2 * u).all()
        assert u.max() < 0.03


def test_the_wider_a_spot_the_more_may_be_left() -> None:
    spreads = []
    for radius in (0.08, 0.15, 0.22):
        part = find(pad(VIOLET) + spot(0.4, 0.3, 0.1, radius))
        assert part is not None
        spreads.append(residual_veil(part, GroundVeil()).u)
    assert spreads == sorted(spreads)
    assert spreads[-1] > 1.5 * spreads[0]
    assert residual_veil(None, GroundVeil()).u == 0


def test_a_small_difference_may_be_the_pads_own() -> None:
    uneven = pad(VIOLET) + 0.08 * (np.arange(72)[None, :, None] - 35.5) / 36
    part = find(uneven)
    assert part is not None
    veil = residual_veil(part, GroundVeil())
    colour = VIOLET.mean() - 0.025 - veil.mean  # of the darkest cells, less what mirrors there
    assert abs(colour - VIOLET.mean()) < veil.u  # the pad's own: the mean of all cells
    assert colour - 2 * veil.u < VIOLET.mean() - 0.05  # a lamp's: less than in the darkest


def test_of_light_on_both_sides_the_darker_counts_where_the_spot_is_seen_on_the_pad() -> None:
    """A lamp beside the pad lights one side more; the free part lies to the other."""
    part = FreePart(free=np.arange(49).reshape(7, 7) > 20, reach=0.7, left=Veil(0.0, 0.005))
    beside = GroundVeil(both=(0.3, 0.01), near=0.9)
    veil = residual_veil(part, beside)
    assert veil.mean - 2 * veil.u < 0 < 0.02 < veil.mean + 2 * veil.u
    with pytest.raises(PhotoUnfitError, match="mirrors all over it"):
        residual_veil(None, beside)


def test_uneven_light_on_the_ground_about_an_even_pad_may_spare_it() -> None:
    even, ring = GroundVeil(both=(0.02, 0.02), near=0.02), GroundVeil(both=(0.02, 0.02), near=0.06)
    assert residual_veil(None, ring).u > 1.5 * residual_veil(None, even).u


def test_a_pad_with_a_fifth_free_is_read_with_a_wider_interval() -> None:
    few, many = pad(VIOLET) + spot(0.35, -0.04, 0.02, 0.155), pad(VIOLET) + spot(0.35, 0.3, 0.3, 0.12)
    part = find(few)
    assert part is not None
    assert 0.15 <= part.share < 0.30
    measured, easier = measure_pad(few, CORNERS), measure_pad(many, CORNERS)
    assert (np.abs(measured.mean - VIOLET) < 2 * np.sqrt(np.diag(measured.covariance_of_veil))).all()
    assert np.trace(measured.covariance_of_veil) > 1.2 * np.trace(easier.covariance_of_veil)


def test_light_beside_one_side_only_may_reach_over_the_pad_or_not() -> None:
    veil = residual_veil(None, GroundVeil(near=0.04))
    assert veil.mean - 2 * veil.u < 0 < 0.036 < veil.mean + 2 * veil.u
    assert residual_veil(None, GroundVeil(near=0.6)).u < 0.03
