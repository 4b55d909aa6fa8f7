"""A diluted sample: what is typed, the factor back to the sample, its interval, and what is advised."""

import math
import re
from dataclasses import replace

import numpy as np
import pytest
from lot_series import PH, VIOLET, known_curve

from stripread.check import CAUTION, check_reading
from stripread.check.replicates import check_replicates
from stripread.check.verdict import DILUTE_WITH_CARE
from stripread.errors import QuantityError
from stripread.i18n import Reader
from stripread.lot import LimitOf, PadCalibration, invert_curve
from stripread.lot.curve import own_covariances
from stripread.read import AsDipped
from stripread.read.pad import report_pad
from stripread.read.undilute import undiluted
from stripread.units import kept_message, kept_shown
from stripread.water import dilution_of_payload, parse_dilution, typed_dilution
from tests.listed import each
from tests.unit.made_readings import CLO2, CONCENTRATE, TODAY, made_pad, made_sample, over, wide_reading

TENTH = parse_dilution("1 part in 10")


@each(
    ("typed", "factor", "convention"),
    [
        ("1 part in 10", 10, "in"),
        ("1 in 10", 10, "in"),
        ("1 part in 10 of the whole", 10, "in"),
        ("2 parts in 20 parts", 10, "in"),
        ("1 parte en 10", 10, "in"),
        ("1 part to 9", 10, "to"),
        ("1 to 9", 10, "to"),
        ("1 part to 9 parts of water", 10, "to"),
        ("1 part to 10", 11, "to"),
        ("50 mL to 500 mL", 10, "in"),
        ("50 mL made up to 500 mL", 10, "in"),
        ("50 mL hasta 0,5 L", 10, "in"),
        ("50 mL + 450 mL", 10, "to"),
        ("50 mL u 0.5 mL + 450 mL u 5 mL", 10, "to"),
        ("1 fl oz to 10 fl oz", 10, "in"),
    ],
)
def test_a_dilution_is_understood_by_either_convention(typed, factor, convention):
    dilution = parse_dilution(typed)
    assert dilution.factor == pytest.approx(factor, rel=1e-9)
    assert dilution.ratio.convention == convention
    assert dilution.typed == typed


@each("typed", ["50 mL + 450 mL", "50 mL to 500 mL", "7 mL + 95.5 mL", "0.2 L to 1.5 L"])
def test_the_factor_is_that_of_the_mass_balance(typed):
    """C1 V1 = C2 V2, plain arithmetic: the mass in the part taken is the mass in the whole."""
    numbers = [float(n) for n in re.findall(r"[\d.]+", typed)]
    part, whole = numbers[0], numbers[1] + (numbers[0] if "+" in typed else 0)
    strong = 1234.0
    weak = strong * part / whole
    assert parse_dilution(typed).factor * weak == pytest.approx(strong, rel=1e-12)


def test_both_conventions_are_told_with_the_factor_and_its_uncertainty():
    said = "1 part in 10 of the whole = 1 part to 9 of water; factor 10, u 2.8 %"
    assert str(parse_dilution("1 part in 10").words).startswith(said)
    assert "2 % for each mark" in str(parse_dilution("1 part in 10").words)
    assert "each mark" not in str(parse_dilution("1 part in 10 u 1 %").words)
    assert "1 part to 10 of water; factor 11" in str(parse_dilution("1 to 10").words)


@each(
    ("typed", "u"),
    [
        ("1 part in 10", math.hypot(0.02, 0.02)),
        ("1 part to 9", 0.9 * math.hypot(0.02, 0.02)),  # of 1 + w/p only w/p is uncertain
        ("50 mL u 0.5 mL + 450 mL u 5 mL", 0.9 * math.hypot(0.01, 5 / 450)),
        ("50 mL u 1 % to 500 mL u 1 %", math.hypot(0.01, 0.01)),
        ("50 mL u 0.5 mL to 500 mL", math.hypot(0.01, 0.02)),
        ("1 in 10 u 5 %", 0.05),
    ],
)
def test_the_factor_is_as_uncertain_as_its_measures(typed, u):
    assert parse_dilution(typed).relative_u == pytest.approx(u, rel=1e-4)


@each("typed", ["1:10", "1 : 10", "2:20"])
def test_a_bare_ratio_is_refused_with_both_of_its_meanings(typed):
    with pytest.raises(QuantityError) as error:
        parse_dilution(typed)
    assert "part in" in str(error.value.remedy)
    assert "part to" in str(error.value.remedy)


@each(
    "typed",
    [
        "", "10", "10 mL", "1 in", "in 10", "0 in 10", "1 in 0", "1 to 0", "1 in 1", "10 in 1", "1 in 1.05",
        "1 in 1001", "1 in 1e3", "-1 in 10", "50 mL to 40 mL", "50 mL to 500", "50 to 500 mL", "50 mL in 500 mL",
        "5 mL + 1 L + 1 L", "1 in 10 u 31 %", "50 mL u 20 mL to 500 mL", "0 mL to 500 mL", "50 mg to 500 mg",
        "nan in 10", "1 in 10 of water", "1 to 9 of the whole",
    ],
)  # fmt: skip
def test_nonsense_is_refused(typed):
    with pytest.raises(QuantityError):
        parse_dilution(typed)


@each(
    ("part", "whole", "factor"), [("1", "10", 10), ("50 mL", "500 mL", 10), (" 0,5 ", "5", 10), ("50 mL", "0.5 L", 10)]
)
def test_the_two_numbers_of_a_form_are_part_and_whole(part, whole, factor):
    dilution = parse_dilution(typed_dilution(part, whole))
    assert dilution.factor == pytest.approx(factor)
    assert dilution.ratio.convention == "in"


def test_the_record_keeps_it_and_gives_it_back():
    dilution = parse_dilution("50 mL + 450 mL")
    said = dilution.as_payload()
    assert said["convention"] == "to"
    assert said["n"] == pytest.approx(9)
    assert said["factor"] == pytest.approx(10)
    assert said["typed"] == "50 mL + 450 mL"
    again = dilution_of_payload(said)
    assert again is not None
    assert again.relative_u == pytest.approx(dilution.relative_u)
    assert replace(again, relative_u=dilution.relative_u) == dilution
    assert dilution_of_payload(None) is None


# --- the strip's estimate, and the sample's ---------------------------------------------------------------------------


def read_of(true: float, *, top: float = 500.0, dilution=TENTH, seed: int | None = None, sigma: float = 0.3, loq=15.0):
    """A pad dipped into what the sample of ``true`` becomes, as `read_strip` would report it."""
    curve = known_curve(VIOLET, top=top)
    strip = true if dilution is None else true / dilution.factor
    lab = curve.lab(np.array([strip]))[0]
    causes = {"pixels": sigma**2 * np.eye(3)}
    if seed is not None:
        spread = causes["pixels"] + sum(own_covariances(curve, strip).values())
        lab = np.random.default_rng(seed).multivariate_normal(lab, spread)
    calibration = PadCalibration(
        pad="clo2", analyte=CLO2, unit="mg/L", curve=curve, lod=LimitOf(value=5.0, definition="made up"),
        loq=LimitOf(value=loq, definition="made up"), beyond=(), calibrators=(), lack_of_fit=1.0,
    )  # fmt: skip
    return report_pad(calibration, lab, causes, invert_curve(curve, lab, causes, {}), dilution=dilution)


def test_what_is_reported_is_the_sample_and_the_strip_s_own_stays_beside_it():
    pad, strip = read_of(2000.0), read_of(200.0, dilution=None)
    assert pad.value == pytest.approx(10 * strip.value)
    assert pad.as_dipped.value == strip.value
    assert pad.as_dipped.standard_uncertainty == strip.standard_uncertainty
    assert pad.as_dipped.interval == strip.interval
    assert strip.as_dipped is None
    assert pad.interval[0] < 2000 < pad.interval[1]


def test_the_budget_names_the_dilution_and_still_adds_up():
    pad, strip = read_of(2000.0), read_of(200.0, dilution=None)
    budget = pad.estimate.budget
    assert budget["dilution"] == pytest.approx(pad.value * TENTH.relative_u)
    assert budget["pixels"] == pytest.approx(10 * strip.estimate.budget["pixels"])
    assert sum(u**2 for u in budget.values()) == pytest.approx(pad.standard_uncertainty**2)
    assert pad.estimate.degrees_of_freedom == strip.estimate.degrees_of_freedom


def test_an_exact_factor_only_multiplies():
    exact = replace(TENTH, relative_u=0.0)
    pad, strip = read_of(2000.0, dilution=exact), read_of(200.0, dilution=None)
    assert pad.interval == pytest.approx(tuple(10 * end for end in strip.interval))


def test_an_exact_strip_is_as_uncertain_as_the_factor():
    strip = read_of(200.0, dilution=None).estimate
    sure = replace(strip, low=strip.value * (1 - 1e-9), high=strip.value * (1 + 1e-9), standard_uncertainty=0.0)
    sample = undiluted(sure, TENTH)
    assert sample.high / sample.value == pytest.approx(math.exp(1.96 * TENTH.relative_u), rel=1e-4)
    assert sample.standard_uncertainty == pytest.approx(sample.value * TENTH.relative_u)


def test_each_end_keeps_its_side_and_zero_and_open_ends_stay():
    strip = replace(read_of(200.0, dilution=None).estimate, value=200.0, low=190.0, high=240.0)
    sample = undiluted(strip, TENTH)
    assert 1 < 1900 / sample.low < 190 / 180
    assert 1 < sample.high / 2400 < 1.02  # a long end hardly grows by a small factor's part
    assert undiluted(replace(strip, low=0.0, high=None), TENTH).low == 0.0
    assert undiluted(replace(strip, low=None, high=None), TENTH).high is None
    assert undiluted(replace(strip, low=None), TENTH).low is None


@each("true", [0.0, 30.0, 100.0])
def test_a_bound_under_a_limit_stays_one_times_the_factor(true):
    pad, strip = read_of(true), read_of(true / 10, dilution=None)
    assert strip.censored == pad.censored == "below"
    assert pad.limit.name == strip.limit.name
    assert 10 * strip.limit.value <= pad.limit.value < 11 * strip.limit.value
    assert pad.value is None
    assert pad.as_dipped.value is None
    assert "× 10 = 150" in str(pad.findings[0].message) or pad.limit.name == "LOD"


def test_over_the_top_stays_over_it_and_asks_for_ten_times_as_much():
    pad, strip = read_of(6000.0), read_of(600.0, dilution=None)
    assert strip.censored == pad.censored == "above"
    assert 8.5 * strip.limit.value < pad.limit.value <= 10 * strip.limit.value
    assert "500 × 10 = 5000 mg/L" in str(pad.findings[0].message)
    assert '--diluted "1 part in 10"' in str(strip.findings[0].advice)
    assert '--diluted "1 part in 100"' in str(pad.findings[0].advice)
    assert (
        str(read_of(6e5, dilution=parse_dilution("1 in 1000")).findings[0].advice)
        == "Or use a kind with a higher range."
    )


def test_the_page_says_it_in_its_own_words():
    advice = read_of(600.0, dilution=None).findings[0].advice
    page = Reader(face="page").show(advice)
    assert "--diluted" not in page
    assert "1 part in 10" in page
    assert "“Diluted?”" in page
    kept = kept_shown(kept_message(advice))
    assert Reader(face="page").show(kept) == page


def test_less_is_diluted_where_ten_times_would_bring_it_under_the_loq():
    assert '"1 part in 5"' in str(read_of(600.0, dilution=None, loq=40.0).findings[0].advice)
    assert '"1 part in 2"' in str(read_of(600.0, dilution=None, loq=90.0).findings[0].advice)


def test_ph_of_a_diluted_sample_is_not_reported():
    curve = known_curve(PH, low=6.0, top=8.5)
    lab = curve.lab(np.array([7.3]))[0]
    calibration = PadCalibration(
        pad="ph", analyte="pH", unit="pH", curve=curve, lod=LimitOf(value=None, definition=""),
        loq=LimitOf(value=None, definition=""), beyond=(), calibrators=(), lack_of_fit=1.0,
    )  # fmt: skip
    causes = {"pixels": 0.09 * np.eye(3)}
    pad = report_pad(calibration, lab, causes, invert_curve(curve, lab, causes, {}), dilution=TENTH)
    assert pad.value is None
    assert pad.interval is None
    assert [f.code for f in pad.findings] == ["not_of_diluted"]


def shares_held(count: int, *, seed: int, mark: float = 0.02) -> tuple[float, float]:
    """Share of intervals that hold the truth, of samples diluted by measures as good as stated; and without their u."""
    rng = np.random.default_rng(seed)
    tenth, exact = (replace(TENTH, relative_u=u) for u in (math.hypot(mark, mark), 0.0))
    held = np.zeros((count, 2))
    for number in range(count):
        true = float(np.exp(rng.uniform(np.log(600), np.log(4000))))
        off = float((1 + mark * rng.normal()) / (1 + mark * rng.normal()))  # of whole over part
        for column, dilution in enumerate((tenth, exact)):
            interval = read_of(true / off, seed=number, dilution=dilution).interval
            low, high = interval or (np.nan, np.nan)  # one of a thousand good pads is called off the curve
            inside = (low or 0.0) <= true <= (np.inf if high is None else high)
            held[number, column] = np.nan if interval is None else inside
    return tuple(np.nanmean(held, axis=0))


def test_intervals_of_diluted_samples_hold_the_truth():
    """Of 40 at 95 %, fewer than 34 come up once in 300 times."""
    with_factor, _ = shares_held(40, seed=8)
    assert with_factor >= 34 / 40


@pytest.mark.slow
@each(("mark", "least_lost"), [(0.02, 0.005), (0.06, 0.1)])
def test_intervals_of_diluted_samples_hold_the_truth_as_often_as_they_say(mark, least_lost):
    """Of 1000 a share is good to 0.7 %; with coarse measures it is far too small without the factor's part."""
    with_factor, without = shares_held(1000, seed=9, mark=mark)
    assert 0.93 <= with_factor <= 0.97
    assert without < with_factor - least_lost


# --- the checks -------------------------------------------------------------------------------------------------------


def judged(*, dilution=TENTH, sample=CONCENTRATE, value=430.0, u=20.0, loq=20.0, pad=None):
    own = AsDipped(value=value / 10, standard_uncertainty=u / 10, interval=(value / 10 - 4, value / 10 + 4))
    pad = replace(pad or made_pad(value, u), as_dipped=None if dilution is None else own)
    reading = replace(wide_reading(pad, loq=loq), dilution=dilution)
    return check_reading(reading, sample=sample, today=TODAY, dipped_at=None)


def found(verdict):
    return {f.code: f for f in verdict.findings}


def test_a_strip_suits_a_sample_by_its_range_times_the_factor():
    """Of a concentrate of 2000 mg/L a strip up to 500 mg/L tells only through a dilution."""
    strong = made_sample(1800, 2200, name="concentrate", kinds=("clo2-wide",), strong=True)
    through = judged(sample=strong, value=2000, u=60)
    assert through.pads[0].range_state == "within"
    assert through.validity == "valid"
    assert set(found(through)) == {"sample_diluted"}
    plain = judged(sample=strong, pad=over(480.0), dilution=None)
    assert plain.validity == "invalid"
    assert "wrong_range_strip" in found(plain)


def test_the_strip_s_end_is_told_as_one_of_the_sample():
    far = made_sample(9000, 9900, name="concentrate", kinds=("clo2-wide",), strong=True)
    assert "it ends at 500 × 10 = 5000 mg/L" in str(found(judged(sample=far))["wrong_range_strip"].message)


def test_a_sample_that_was_diluted_too_much_is_told_to_be_diluted_less():
    """Its LOQ of 60 times 10 is over all that is expected of the sample."""
    finding = found(judged(loq=60.0))["wrong_range_strip"]
    assert finding.severity == "error"
    assert "60 × 10 = 600" in str(finding.message)
    assert "dilute it less" in str(finding.advice)


def test_a_pad_that_may_be_bleached_is_judged_by_what_it_was_dipped_into():
    assert "possible_bleaching" in found(judged(sample=made_sample(900, 1100, kinds=("clo2-wide",)), dilution=None))
    assert "possible_bleaching" not in found(judged(sample=made_sample(900, 1100, kinds=("clo2-wide",))))


def test_a_strong_sample_over_the_top_is_told_how_to_read_it():
    """The range ends over the strip's top: what reads over it may be right or too strong."""
    advice = found(judged(pad=over(480.0), dilution=None))
    assert '--diluted "1 part in 10"' in str(advice["range_undecided"].advice)
    assert '--diluted "1 part in 10"' in str(advice["wrong_range_strip"].advice)


def test_what_is_not_reported_hides_the_strip_s_own_number_too():
    verdict = judged(loq=60.0)
    assert verdict.validity == "invalid"
    assert verdict.pads[0].reading.value is None
    assert verdict.pads[0].reading.as_dipped.value is None
    assert verdict.pads[0].reading.as_dipped.interval is None


def test_cautions_of_a_strong_sample_say_how_to_dilute_it():
    assert judged().cautions == (CAUTION, DILUTE_WITH_CARE)
    assert judged(dilution=None).cautions == (CAUTION,)
    assert judged(sample=made_sample(380, 480, kinds=("clo2-wide",))).cautions == ()


def test_strips_of_one_dilution_are_compared_without_its_error():
    """The factor moves both alike: more than 5 u of their own apart, they differ however badly it is known."""
    budget = {"pixels": 20.0, "dilution": 199.0}
    one, other = (made_pad(v, 200.0, budget=budget, degrees_of_freedom=10.0) for v in (2000.0, 2150.0))
    assert check_replicates([one, other]) is not None
