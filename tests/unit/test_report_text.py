from dataclasses import replace
from datetime import date
from types import SimpleNamespace
from typing import Any, cast

from made_readings import LINE, STOCK, made_pad, made_reading, over, under

from stripread.check import Verdict, check_reading
from stripread.errors import StripNotFoundError
from stripread.findings import Finding, make_finding
from stripread.i18n import Message
from stripread.lot import Lot
from stripread.measure import StripMeasurement
from stripread.read import PadReading, Reading
from stripread.report import error_text, verdict_headline, verdict_text
from stripread.report.terminal.reading import budget_table
from stripread.report.words import next_steps
from stripread.units import format_interval, format_number, places_for, probability_in_words
from tests.listed import each


def with_card(reading: Reading) -> Reading:
    correction = SimpleNamespace(map=SimpleNamespace(method="linear"), residual_de00_mean=1.24, residual_de00_max=3.07)
    card = SimpleNamespace(card=SimpleNamespace(name="bench-card"), correction=correction)
    measurement = SimpleNamespace(kind=reading.measurement.kind, card=card)
    return replace(reading, measurement=cast(StripMeasurement, measurement))


def judged(*pads: PadReading, sample: Any = LINE, findings: tuple[Finding, ...] = (), **more: Any) -> Verdict:
    reading = with_card(made_reading(*pads, findings=findings, **more))
    return check_reading(reading, sample=sample, today=date(2026, 5, 4), dipped_at=None)


def text(verdict: Verdict, **more: Any) -> str:
    written = verdict_text(verdict, photo="photo.jpg", point=more.pop("point", None), **more)
    return " ".join(written.split())  # as if the lines were not wrapped


@each(
    ("pad", "sign", "words"),
    [
        (made_pad(0.28, 0.02), "tick", "WITHIN RANGE"),
        (made_pad(0.9, 0.02), "triangle", "TOO HIGH"),
        (made_pad(0.05, 0.01), "triangle", "TOO LOW"),
        (made_pad(0.16, 0.02), "question", "UNDECIDED"),
    ],
)
def test_the_first_words_say_where_the_water_is(pad, sign, words):
    verdict = judged(pad)
    assert verdict_headline(verdict).sign == sign
    assert text(verdict).startswith(f"{verdict_headline(verdict).symbol} {words}")


def test_trust_comes_before_the_water():
    doubtful = judged(made_pad(0.28, 0.02), findings=(make_finding("photo_soft", "soft"),))
    assert text(doubtful).startswith("▲ DOUBTFUL, repeat: within range")
    invalid = judged(made_pad(0.28, 0.02), sample=STOCK)
    assert text(invalid).startswith("✘ NO RESULT")


def test_a_value_comes_with_its_interval_and_no_digits_that_it_does_not_bear():
    assert "0.24 mg/L, 95 % interval 0.19 to 0.30" in text(judged(made_pad(0.2412, 0.0251)))
    assert "0.2412 mg/L, 95 % interval 0.2396 to 0.2428" not in text(judged(made_pad(0.2412, 0.0251)))


@each(
    ("pad", "words"),
    [
        (under(0.03), "under 0.03 mg/L, not detected (under the LOD), so only a bound"),
        (under(0.1, name="LOQ"), "under 0.1 mg/L, found, but too little for a number (under the LOQ), so only a bound"),
        (over(2.5), "over 2.5 mg/L, it looks stronger than the lot's top calibrator, so only a bound"),
    ],
)
def test_where_there_is_no_interval_the_text_says_why(pad, words):
    assert words in text(judged(pad))


def test_an_invalid_reading_shows_no_number_and_says_why():
    verdict = judged(made_pad(0.28, 0.02), findings=(make_finding("off_curve", "off"),))
    written = text(verdict)
    assert "no number, because: the pad's colour is none that this lot shows at any concentration" in written
    assert "0.28 mg/L" not in written


def test_the_expected_range_stands_beside_the_value():
    assert "expected 0.15 to 0.4 mg/L for line; probability within: over 99 %" in text(judged(made_pad(0.28, 0.02)))


@each("value", [0.05, 0.1, 0.1035, 0.104, 0.11, 0.15, 0.19, 0.196, 0.1965, 0.2, 0.28])
def test_a_reading_gives_its_probability_in_one_way(value):
    pad = made_pad(value, 0.02)
    written = text(judged(pad))
    chance = probability_in_words(judged(pad).pads[0].probability_within)
    assert f"probability within: {chance} " in written
    assert ("in range with a probability of" in written) == (f"in range with a probability of {chance}." in written)


def test_at_most_three_steps_are_given_the_most_urgent_first():
    codes = ("photo_soft", "photo_dark", "pad_small", "shadow_edge")
    verdict = judged(made_pad(0.28, 0.02), findings=tuple(make_finding(code, "seen") for code in codes))
    assert len(next_steps(verdict.findings)) == 3
    verdict = judged(made_pad(0.28, 0.02), sample=STOCK, findings=(make_finding("photo_soft", "seen"),))
    assert next_steps(verdict.findings)[0] == verdict.findings[0].advice
    assert verdict.findings[0].severity == "error"


def test_steps_are_not_repeated():
    twice = (make_finding("photo_soft", "here"), make_finding("photo_soft", "there"))
    assert len(next_steps(twice)) == 1


def test_a_strong_sample_carries_the_standing_caution():
    verdict = judged(made_pad(220, 6), sample=STOCK, kind="clo2-wide", top=500.0, loq=20.0)
    assert "CAUTION Strong solution gives off a gas" in text(verdict)
    assert "CAUTION" not in text(judged(made_pad(0.28, 0.02)))


def test_the_text_names_lot_point_card_and_what_the_correction_misses():
    written = text(judged(made_pad(0.28, 0.02)), point="bench 3")
    assert "kind clo2-ultralow, lot DEMO-1 at bench 3" in written
    assert "bench-card; colours corrected by a linear map" in written
    assert "1.2 CIEDE2000 on average and 3.1 at most" in written


def test_the_budget_lists_the_largest_part_first_and_shares_of_variance():
    pad = judged(made_pad(0.28, 0.05, budget={"pixels": 0.03, "colour_correction": 0.04})).pads[0]
    rows = [line.split() for line in budget_table(pad).splitlines()]
    assert rows[1] == ["colour", "correction", "0.04", "64", "%"]
    assert rows[2] == ["pixels", "0.03", "36", "%"]
    assert rows[3] == ["together", "0.05", "100", "%"]


def test_an_error_says_what_was_expected_what_was_found_and_what_to_do():
    error = StripNotFoundError(expected="a strip", found="none", remedy="Lay one in the slot.")
    lines = error_text(error, photo="photo.jpg").splitlines()
    assert lines[0] == "✘ NOT READ: strip not found   [photo.jpg]"
    assert [line.split("  ")[1].strip() for line in lines[1:]] == ["expected", "found", "what to do"]


def test_two_pads_that_are_out_on_opposite_sides_are_out_of_range():
    verdict = judged(made_pad(0.9, 0.02))
    pads = (*verdict.pads, replace(verdict.pads[0], range_state="below"))
    assert str(verdict_headline(replace(verdict, pads=pads)).words) == "OUT OF RANGE"


@each(
    ("half_width", "places"),
    [(0.045, 2), (0.014, 3), (0.29, 2), (0.3, 1), (4.5, 0), (14.0, 0), (45.0, -1), (0.0, 3), (float("inf"), 3)],
)
def test_rounding_keeps_at_most_two_digits_of_the_uncertainty(half_width, places):
    assert places_for(half_width) == places


def test_numbers_are_rounded_to_tens_and_lose_the_minus_of_zero():
    assert str(format_number(287.4, -1)) == "290"
    assert str(format_number(-0.001, 2)) == "0.00"


@each(
    ("interval", "words"),
    [((0.2, 0.3), "0.20 to 0.30"), ((None, 0.3), "up to 0.30"), ((0.2, None), "0.20 and over")],
)
def test_open_ends_of_an_interval_are_said_in_words(interval, words):
    assert str(format_interval(interval, 2)) == words


def test_lots_with_no_loq_are_shown_without_a_number():
    from stripread.report import lot_text

    lot: Lot = made_reading(made_pad(0.28, 0.02), loq=None).lot
    assert "LOQ  none: made up" in lot_text(lot)


def test_where_a_pale_pad_may_be_bleached_that_is_said_before_the_dose_is_raised():
    told = make_finding("possible_bleaching", Message("alike"), advice=Message("Dilute 1 in 10."), severity="info")
    low = make_finding("out_of_range", Message("below"), advice=Message("Raise the dose."))
    first, second = next_steps((low, told), states={"below"})
    assert str(first) == "Raise no dose yet: strong water bleaches a pad pale. Dilute 1 in 10."
    assert str(second) == "Raise the dose."
    assert [str(step) for step in next_steps((low, told), states={"above"})] == ["Raise the dose."]
