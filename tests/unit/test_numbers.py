from stripread.units import probability_in_words, two_digits
from tests.listed import each


@each(("number", "text"), [(0.0312, "0.031"), (0.5, "0.5"), (9.96, "10"), (120.4, "120"), (1234.0, "1200"), (0.0, "0")])
def test_two_digits_without_an_exponent(number, text):
    assert str(two_digits(number)) == text


@each(
    ("probability", "words"),
    [(0.0, "under 1 %"), (0.0099, "under 1 %"), (0.01, "1 %"), (0.5, "50 %"), (0.046, "5 %"), (0.99, "99 %"),
     (0.9901, "over 99 %"), (1.0, "over 99 %")],
)  # fmt: skip
def test_a_probability_is_told_to_the_per_cent(probability, words):
    assert str(probability_in_words(probability)) == words
