import numpy as np

from stripread.strip.steps import StripColour, fit_steps, slide_steps

STEP = np.array([-8.0, 5.0, 2.0])


def _strip(colour, from_tip):
    zeros = np.zeros(len(from_tip))
    return StripColour(
        from_tip=from_tip,
        colour=colour,
        raw=colour,
        light_play=zeros,
        sway=zeros,
        spread=zeros,
        off_usual=np.zeros((8, len(from_tip), 3), dtype=np.float32),
        lines=np.zeros(len(from_tip), dtype=bool),
        length_mm=60.0,
    )


def _with_pad(noise):
    from_tip = np.arange(-10.0, 70.0, 0.25)
    inside = np.abs(from_tip - 12.0) < 2.5
    rough = np.random.default_rng(3).normal(scale=noise, size=(len(from_tip), 3))
    return _strip(np.array([40.0, 1.0, 2.0]) + 0.02 * from_tip[:, None] + inside[:, None] * STEP + rough, from_tip)


def test_fit_steps_finds_the_step_of_a_pad_in_its_place():
    fitted = fit_steps(_with_pad(0.01), np.array([[9.5]]), np.array([[14.5]]), low=0.75, high=59.25, rim_mm=0.5)
    np.testing.assert_allclose(fitted.steps[0, 0], STEP, atol=0.1)  # the ridge on the slope takes a little


def test_fit_steps_leaves_least_over_at_the_pads_own_place():
    starts = 9.5 + np.arange(-1.5, 1.6, 0.25)[:, None]
    fitted = fit_steps(_with_pad(0.1), starts, starts + 5.0, low=0.75, high=59.25, rim_mm=0.0)
    assert abs(starts[fitted.left_over().argmin(), 0] - 9.5) < 0.3


def test_fit_steps_takes_what_is_brighter_than_its_pad_for_no_misfit():
    strip = _with_pad(0.0)
    pad = np.flatnonzero(np.abs(strip.from_tip - 12.0) < 0.3)
    off = []
    for glare in (0.0, 20.0, -20.0):
        colour = strip.colour.copy()
        colour[pad, 0] += glare
        fitted = fit_steps(
            _strip(colour, strip.from_tip), np.array([[9.5]]), np.array([[14.5]]), low=0.75, high=59.25, rim_mm=0.5
        )
        off.append(fitted.off()[0][np.abs(fitted.at - 12.0) < 0.3].max())
    assert off[1] < 1.0 < off[2]


def test_sliding_a_block_gives_the_fits_at_each_column():
    strip = _with_pad(0.1)
    part = slice(44, 140)  # on the strip
    steps, left_over, variance, margin = slide_steps(strip.colour[part], 5.0)
    at = strip.from_tip[part][margin : len(strip.from_tip[part]) - margin]
    one = 30
    fitted = fit_steps(
        strip,
        np.array([[at[one] - 2.5]]),
        np.array([[at[one] + 2.5]]),
        low=at[one] - 5.0,
        high=at[one] + 5.0,
        rim_mm=0.5,
    )
    np.testing.assert_allclose(steps[one], fitted.steps[0, 0], atol=1e-6)
    np.testing.assert_allclose(left_over[one], fitted.left_over()[0], rtol=1e-6)
    np.testing.assert_allclose(variance, fitted.variance[0, 0], rtol=1e-6)
