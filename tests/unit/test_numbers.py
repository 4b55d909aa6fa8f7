import pytest

from stripread.numbers import two_digits


@pytest.mark.parametrize(
    ("number", "text"), [(0.0312, "0.031"), (0.5, "0.5"), (9.96, "10"), (120.4, "120"), (1234.0, "1200"), (0.0, "0")]
)
def test_two_digits_without_an_exponent(number, text):
    assert two_digits(number) == text
