from datetime import date, datetime

import pytest
from made_readings import (
    CONCENTRATE,
    LINE,
    STOCK,
    TODAY,
    made_pad,
    made_reading,
    made_sample,
    over,
    under,
    wide_reading,
)

from stripread.check import Verdict, check_reading
from stripread.errors import SiteError
from stripread.findings import make_finding
from stripread.read import Reading
from stripread.site import Expectation, SampleType
from tests.listed import each


def check(reading: Reading, sample: SampleType | None, *, today: date = TODAY, dipped_at=None) -> Verdict:
    return check_reading(reading, sample=sample, today=today, dipped_at=dipped_at)


def codes(verdict: Verdict) -> list[str]:
    return [f.code for f in verdict.findings]


def test_a_good_reading_in_range_is_valid_within_and_exits_with_zero():
    verdict = check(made_reading(made_pad(0.27, 0.02)), LINE)
    (pad,) = verdict.pads
    assert (verdict.validity, pad.range_state, verdict.exit_code) == ("valid", "within", 0)
    assert pad.reading.value == 0.27
    assert pad.probability_within is not None
    assert pad.probability_within > 0.99
    assert codes(verdict) == []
    assert verdict.cautions == ()


def test_water_out_of_range_leaves_the_reading_valid_and_exits_with_three():
    verdict = check(made_reading(made_pad(0.80, 0.03)), LINE)
    (pad,) = verdict.pads
    assert (verdict.validity, pad.range_state, verdict.exit_code) == ("valid", "above", 3)
    assert pad.reading.value == 0.80
    assert codes(verdict) == ["out_of_range"]


def test_an_undecided_range_leaves_the_reading_valid_and_exits_with_three():
    verdict = check(made_reading(made_pad(0.40, 0.03)), LINE)
    assert (verdict.validity, verdict.pads[0].range_state, verdict.exit_code) == ("valid", "undecided", 3)


def test_a_warning_about_the_photo_makes_the_reading_doubtful_and_keeps_its_number():
    photo = make_finding("photo_soft", "Edges are 9 px wide.")
    verdict = check(made_reading(made_pad(0.27, 0.02), findings=(photo,)), LINE)
    assert (verdict.validity, verdict.pads[0].range_state, verdict.exit_code) == ("doubtful", "within", 3)
    assert verdict.pads[0].reading.value == 0.27
    assert verdict.findings == (photo,)


def test_an_expired_lot_makes_the_reading_doubtful():
    verdict = check(made_reading(made_pad(0.27, 0.02), expires=date(2026, 1, 1)), LINE)
    assert (verdict.validity, codes(verdict)) == ("doubtful", ["lot_expired"])


def test_a_photo_after_the_read_window_makes_the_reading_doubtful():
    taken, dipped = datetime(2026, 5, 4, 9, 5), datetime(2026, 5, 4, 9, 0)  # noqa: DTZ001  # as in most photos
    verdict = check(made_reading(made_pad(0.27, 0.02), taken_at=taken), LINE, dipped_at=dipped)
    assert (verdict.validity, codes(verdict)) == ("doubtful", ["outside_read_window"])


def test_the_wrong_kind_gives_an_invalid_reading_without_any_number():
    for pad in (made_pad(0.28, 0.02), over(2.0), under(0.05)):
        verdict = check(made_reading(pad), STOCK)
        reported = verdict.pads[0].reading
        assert (verdict.validity, verdict.exit_code) == ("invalid", 3)
        assert (reported.value, reported.standard_uncertainty, reported.interval) == (None, None, None)
        assert (reported.censored, reported.limit) == (None, None)
        assert (verdict.pads[0].range_state, verdict.pads[0].probability_within) == (None, None)
        assert "wrong_range_strip" in codes(verdict)
        assert "out_of_range" not in codes(verdict)
        assert verdict.reading.pads[0] is pad


def test_an_error_about_the_whole_strip_silences_every_pad():
    error = make_finding("photo_soft", "Nothing is sharp.", severity="error")
    verdict = check(made_reading(made_pad(0.27, 0.02), findings=(error,)), LINE)
    assert verdict.validity == "invalid"
    assert verdict.pads[0].reading.value is None
    assert verdict.pads[0].range_state is None


def test_an_error_about_one_pad_leaves_the_other_its_number():
    chlorine = made_pad(
        1.0, 0.1, pad="chlorine", analyte="free chlorine", findings=(make_finding("off_curve", "Far."),)
    )
    ph = made_pad(7.1, 0.1, pad="ph", analyte="pH", unit="pH")
    sample = made_sample(
        0.5,
        2.0,
        analyte="free chlorine",
        kinds=("chlorine-ph-duo",),
        also=(Expectation(analyte="pH", unit="pH", low=6.5, high=7.5),),
    )
    verdict = check(made_reading(chlorine, ph, kind="chlorine-ph-duo", top=14.0), sample)
    assert verdict.validity == "invalid"
    assert [pad.reading.value for pad in verdict.pads] == [None, 7.1]
    assert [pad.range_state for pad in verdict.pads] == [None, "within"]


def test_a_faint_line_reading_stays_valid_though_a_bleached_pad_would_look_alike():
    verdict = check(made_reading(made_pad(0.28, 0.02, beyond=140)), LINE)
    assert (verdict.validity, verdict.exit_code) == ("valid", 0)
    assert verdict.pads[0].reading.value == 0.28
    assert codes(verdict) == ["possible_bleaching"]
    assert verdict.cautions == ()


def test_a_bleached_look_alike_of_concentrate_gives_no_number():
    verdict = check(wide_reading(made_pad(450, 10, beyond=560)), CONCENTRATE)
    assert verdict.validity == "invalid"
    assert verdict.pads[0].reading.value is None


def test_concentrate_within_the_part_of_the_range_that_the_strip_covers_is_valid():
    verdict = check(wide_reading(made_pad(450, 10)), CONCENTRATE)
    assert (verdict.validity, verdict.exit_code) == ("valid", 0)


def test_the_caution_stands_wherever_a_strong_solution_is_or_may_be():
    strong = check(wide_reading(made_pad(220, 7)), STOCK)
    (caution,) = strong.cautions
    for words in ("ventilate", "lean over", "agitate", "covered", "protection", "label", "local codes", "licensed"):
        assert words in str(caution)
    unknown = check(made_reading(made_pad(0.28, 0.02, beyond=140)), None)
    assert unknown.cautions == strong.cautions
    assert check(made_reading(made_pad(0.28, 0.02)), LINE).cautions == ()


def test_without_a_sample_type_only_the_measurement_is_judged():
    verdict = check(made_reading(made_pad(1.5, 0.1)), None)
    assert (verdict.validity, verdict.exit_code) == ("valid", 0)
    assert (verdict.pads[0].range_state, verdict.pads[0].probability_within) == (None, None)


def test_censored_readings_are_judged_without_a_probability():
    verdict = check(made_reading(under(0.1)), LINE)
    assert (verdict.pads[0].range_state, verdict.pads[0].probability_within) == ("below", None)


def test_findings_come_once_and_the_worst_first():
    twice = make_finding("card_not_enrolled", "Design colours only.")
    warning = make_finding("photo_dark", "Dark.")
    pad = made_pad(0.28, 0.02, findings=(make_finding("off_curve", "Far."), twice))
    verdict = check(made_reading(pad, findings=(twice, warning)), LINE)
    assert codes(verdict) == ["off_curve", "photo_dark", "card_not_enrolled"]


def test_a_site_in_another_unit_than_the_lot_is_refused():
    with pytest.raises(SiteError, match=r"sample\.line.*'ug/L'"):
        check(made_reading(made_pad(0.28, 0.02)), made_sample(150, 400, unit="ug/L"))


@each("unit", ["ppm", "mg/l", " mg/L"])
def test_mg_per_l_and_ppm_count_as_one_unit(unit):
    assert check(made_reading(made_pad(0.28, 0.02)), made_sample(0.15, 0.4, unit=unit)).exit_code == 0
