import numpy as np

from stripread.strip.view import lab_difference, lengths, quantile
from tests.listed import each


@each("count", [1, 2, 7, 40])
@each("share", [0.25, 0.5, 0.75])
def test_quantile_is_numpys(count, share):
    values = np.random.default_rng(count).normal(size=(count, 3))
    np.testing.assert_allclose(quantile(values, share), np.quantile(values, share, axis=0), rtol=1e-12)
    np.testing.assert_allclose(quantile(values[:, 0], share), np.quantile(values[:, 0], share), rtol=1e-12)


def test_lengths_are_those_of_vectors_along_the_last_axis():
    vectors = np.random.default_rng(1).normal(size=(4, 5, 3))
    np.testing.assert_allclose(lengths(vectors), np.linalg.norm(vectors, axis=-1), rtol=1e-12)


@each("kind", [np.float32, np.float64])
def test_differences_of_colour_keep_shape_and_precision(kind):
    for shape in ((3,), (0, 3), (2, 4, 3)):
        off = lab_difference(np.zeros(shape, dtype=kind))
        assert off.shape == shape
        assert off.dtype == kind
