from datetime import date, datetime, timedelta, timezone

import pytest
from hypothesis import given
from hypothesis import strategies as st
from made_readings import (
    CONCENTRATE,
    LINE,
    RETURN,
    STOCK,
    made_pad,
    made_reading,
    made_sample,
    over,
    pad_case,
    strip_case,
    under,
    wide_reading,
    with_curve,
)

from stripread.check import check_replicates
from stripread.check.conformity import probability_within
from stripread.check.expected import judge_range, out_of_range, probability_in_range, range_undecided
from stripread.check.rules import lot_expired, outside_read_window, possible_bleaching, wrong_range_strip
from stripread.findings import Finding
from stripread.site import Expectation
from tests.listed import each


def only(findings) -> Finding:
    (finding,) = findings
    return finding


class TestLotExpired:
    def test_fires_the_day_after_the_expiry_date_and_counts_the_days(self):
        reading = made_reading(made_pad(0.28, 0.02), expires=date(2026, 5, 3))
        finding = only(lot_expired(strip_case(reading, today=date(2026, 5, 4))))
        assert (finding.code, finding.severity) == ("lot_expired", "warning")
        assert "2026-05-03, 1 day ago" in str(finding.message)
        assert "31 days" in str(only(lot_expired(strip_case(reading, today=date(2026, 6, 3)))).message)

    def test_does_not_fire_on_the_expiry_date_itself(self):
        reading = made_reading(made_pad(0.28, 0.02), expires=date(2026, 5, 4))
        assert not list(lot_expired(strip_case(reading, today=date(2026, 5, 4))))


class TestReadWindow:
    """Kind clo2-ultralow is read 10 to 60 s after the dip."""

    dip = datetime(2026, 5, 4, 9, 0, 0)  # noqa: DTZ001  # EXIF times mostly have no zone

    def found(self, seconds: float | None, *, dipped_at: datetime | None = dip) -> list[Finding]:
        taken = None if seconds is None else self.dip + timedelta(seconds=seconds)
        return list(
            outside_read_window(strip_case(made_reading(made_pad(0.28, 0.02), taken_at=taken), dipped_at=dipped_at))
        )

    @each("seconds", [10, 30, 60])
    def test_does_not_fire_within_the_window(self, seconds):
        assert not self.found(seconds)

    @each("seconds", [0, 5, 62, 600])
    def test_fires_before_and_after_the_window_and_names_both(self, seconds):
        finding = only(self.found(seconds))
        assert finding.code == "outside_read_window"
        assert f"{seconds} s after the dip" in str(finding.message)
        assert "10 to 60 s" in str(finding.message)

    def test_says_so_when_the_photo_was_taken_before_the_dip(self):
        finding = only(self.found(-300))
        assert finding.code == "outside_read_window"
        assert "300 s before the dip" in str(finding.message)
        assert "clock" in str(finding.advice)

    def test_a_photo_without_time_gives_an_info_only_where_a_dip_time_was_given(self):
        finding = only(self.found(None))
        assert (finding.code, finding.severity) == ("read_window_unknown", "info")
        assert not self.found(None, dipped_at=None)

    @each("dipped_at", [dip, None])
    @each("taken_at", [dip, None])
    def test_what_a_timer_counted_needs_no_clock(self, dipped_at, taken_at):
        """That of the camera may be missing, or stand in another photo's time."""

        def found(waited_s):
            reading = made_reading(made_pad(0.28, 0.02), taken_at=taken_at)
            return list(outside_read_window(strip_case(reading, dipped_at=dipped_at, waited_s=waited_s)))

        assert not found(30.0)
        assert only(found(900.0)).code == "outside_read_window"
        assert "900 s after the dip" in str(only(found(900.0)).message)
        assert only(found(5.0)).code == "outside_read_window"

    def test_nothing_is_said_without_a_dip_time(self):
        assert not self.found(9999, dipped_at=None)

    def test_times_with_zones_are_compared_as_instants(self):
        east, west = timezone(timedelta(hours=2)), timezone(timedelta(hours=-5))
        dipped = datetime(2026, 5, 4, 9, 0, 0, tzinfo=east)
        taken = datetime(2026, 5, 4, 2, 0, 30, tzinfo=west)
        case = strip_case(made_reading(made_pad(0.28, 0.02), taken_at=taken), dipped_at=dipped)
        assert not list(outside_read_window(case))

    def test_a_time_without_zone_is_compared_with_the_other_as_clocks_show(self):
        assert not self.found(30, dipped_at=self.dip.replace(tzinfo=timezone(timedelta(hours=2))))


class TestWrongRangeStrip:
    def test_fits_the_kind_that_the_sample_is_for(self):
        assert not list(wrong_range_strip(pad_case(made_reading(made_pad(0.28, 0.02)), LINE)))
        assert not list(wrong_range_strip(pad_case(wide_reading(made_pad(220, 7)), STOCK)))

    def test_is_not_asked_without_a_sample_type(self):
        assert not list(wrong_range_strip(pad_case(wide_reading(under(20)), None)))

    def test_a_wide_strip_in_line_water_is_an_error_that_names_the_right_kind(self):
        finding = only(wrong_range_strip(pad_case(wide_reading(under(20)), LINE)))
        assert (finding.code, finding.severity) == ("wrong_range_strip", "error")
        assert "LOQ" in str(finding.message)
        assert "0.15 to 0.4 mg/L" in str(finding.message)
        assert "clo2-ultralow" in str(finding.advice)

    def test_an_ultra_low_strip_in_stock_is_an_error_whatever_its_colour(self):
        for pad in (made_pad(0.28, 0.02), over(2.0), under(0.03)):
            finding = only(wrong_range_strip(pad_case(made_reading(pad), STOCK)))
            assert finding.severity == "error"
            assert "ends at 2 mg/L" in str(finding.message)
            assert "clo2-wide" in str(finding.advice)

    def test_a_curve_that_starts_above_the_expected_range_is_an_error(self):
        finding = only(wrong_range_strip(pad_case(wide_reading(made_pad(60, 3), low=50.0, loq=None), LINE)))
        assert finding.severity == "error"
        assert "starts at 50 mg/L" in str(finding.message)

    def test_a_lot_without_loq_that_has_a_blank_is_an_error(self):
        assert only(wrong_range_strip(pad_case(made_reading(under(0.5), loq=None), LINE))).severity == "error"

    def test_a_curve_that_ends_inside_the_expected_range_keeps_its_number(self):
        finding = only(wrong_range_strip(pad_case(wide_reading(made_pad(450, 10)), CONCENTRATE)))
        assert finding.severity == "info"
        assert "500" in str(finding.message)

    def test_a_loq_inside_the_expected_range_keeps_its_number(self):
        finding = only(wrong_range_strip(pad_case(made_reading(made_pad(0.35, 0.02), loq=0.3), LINE)))
        assert finding.severity == "info"
        assert "0.3" in str(finding.message)

    def test_another_analyte_is_an_error(self):
        chlorine = made_pad(0.5, 0.1, pad="chlorine", analyte="free chlorine")
        finding = only(wrong_range_strip(pad_case(made_reading(chlorine, kind="chlorine-ph-duo", top=10.0), LINE)))
        assert finding.severity == "error"
        assert "free chlorine" in str(finding.message)
        assert "chlorine dioxide" in str(finding.message)

    def test_a_second_pad_that_the_site_says_nothing_about_is_no_fault(self):
        chlorine = made_pad(1.0, 0.1, pad="chlorine", analyte="free chlorine")
        ph = made_pad(7.1, 0.1, pad="ph", analyte="pH", unit="pH")
        reading = with_curve(
            made_reading(chlorine, ph, kind="chlorine-ph-duo", top=10.0), "ph", low=6.2, top=8.4, loq=None
        )
        sample = made_sample(0.5, 2.0, analyte="Free chlorine", kinds=("chlorine-ph-duo",))
        assert not list(wrong_range_strip(pad_case(reading, sample, pad=0)))
        assert not list(wrong_range_strip(pad_case(reading, sample, pad=1)))

    def test_the_wrong_pad_is_an_error_though_its_neighbour_measures_something_expected(self):
        chlorine = made_pad(1.0, 0.1, pad="chlorine", analyte="free chlorine")
        ph = made_pad(7.1, 0.1, pad="ph", analyte="pH", unit="pH")
        reading = with_curve(
            made_reading(chlorine, ph, kind="chlorine-ph-duo", top=10.0), "ph", low=6.2, top=8.4, loq=None
        )
        also = Expectation(analyte="pH", unit="pH", low=6.5, high=7.5)
        sample = made_sample(0.15, 0.4, also=(also,))
        assert only(wrong_range_strip(pad_case(reading, sample, pad=0))).severity == "error"
        assert not list(wrong_range_strip(pad_case(reading, sample, pad=1)))


class TestPossibleBleaching:
    def test_a_low_range_strip_in_strong_solution_is_an_error_whatever_its_colour(self):
        for pad in (made_pad(0.28, 0.02), under(0.03), over(2.0)):
            assert only(possible_bleaching(pad_case(made_reading(pad), STOCK))).severity == "error"

    def test_a_pale_pad_where_strong_solution_is_expected_is_an_error(self):
        finding = only(possible_bleaching(pad_case(wide_reading(under(20)), STOCK)))
        assert finding.severity == "error"
        assert "pale" in str(finding.message)

    def test_a_good_colour_where_strong_solution_is_expected_is_none(self):
        assert not list(possible_bleaching(pad_case(wide_reading(made_pad(220, 7)), STOCK)))

    def test_a_pale_pad_in_weak_water_is_none(self):
        assert not list(possible_bleaching(pad_case(made_reading(under(0.03)), LINE)))

    @each("beyond", [450.0, 590.0, 900.0])
    def test_a_bleached_look_alike_near_the_expected_range_is_an_error(self, beyond):
        reading = wide_reading(made_pad(420, 9, beyond=beyond), top=510.0)
        assert only(possible_bleaching(pad_case(reading, CONCENTRATE))).severity == "error"

    def test_a_bleached_look_alike_far_above_the_expected_range_is_only_noted(self):
        finding = only(possible_bleaching(pad_case(made_reading(made_pad(0.28, 0.02, beyond=140)), LINE)))
        assert finding.severity == "info"
        assert "140 mg/L" in str(finding.message)

    def test_a_bleached_look_alike_is_a_doubt_where_no_sample_type_rules_it_out(self):
        reading = made_reading(made_pad(0.28, 0.02, beyond=140))
        assert only(possible_bleaching(pad_case(reading, None))).severity == "warning"

    def test_a_scale_without_zero_is_not_said_to_bleach(self):
        ph = made_pad(6.5, 0.1, pad="ph", analyte="pH", unit="pH")
        reading = made_reading(ph, kind="chlorine-ph-duo", low=6.2, top=8.4, loq=None)
        sample = made_sample(9.0, 10.0, analyte="pH", unit="pH")
        assert not list(possible_bleaching(pad_case(reading, sample)))
        assert only(wrong_range_strip(pad_case(reading, sample))).severity == "error"


class TestRange:
    @each(
        ("pad", "state"),
        [
            (made_pad(0.27, 0.02), "within"),
            (made_pad(0.16, 0.02), "undecided"),
            (made_pad(0.39, 0.02), "undecided"),
            (made_pad(0.08, 0.02), "below"),
            (made_pad(0.60, 0.03), "above"),
            (under(0.10), "below"),
            (under(0.20, name="LOQ"), "undecided"),
            (over(2.0), "above"),
        ],
    )
    def test_of_a_line_reading(self, pad, state):
        case = pad_case(made_reading(pad), LINE)
        assert judge_range(pad, LINE.main) == state
        fired = [f.code for rule in (out_of_range, range_undecided) for f in rule(case)]
        expected = {
            "within": [],
            "undecided": ["range_undecided"],
            "below": ["out_of_range"],
            "above": ["out_of_range"],
        }
        assert fired == expected[state]

    def test_a_limit_over_the_interval_decides_as_nothing_sharper_is_reported(self):
        pad = made_pad(0.05, 0.01, censored="below", limit=under(0.2).limit)
        assert pad.interval is not None
        assert pad.interval[1] is not None
        assert pad.interval[1] < LINE.main.low
        assert judge_range(pad, LINE.main) == "undecided"

    def test_nothing_detected_is_within_where_zero_is_allowed(self):
        assert judge_range(under(0.05), RETURN.main) == "within"
        assert not list(out_of_range(pad_case(made_reading(under(0.05)), RETURN)))

    def test_over_the_top_is_undecided_where_the_top_is_expected(self):
        finding = only(range_undecided(pad_case(wide_reading(over(500)), CONCENTRATE)))
        assert "over 500 mg/L" in str(finding.message)
        assert "Dilute" in str(finding.advice)

    def test_no_water_holds_less_than_nothing(self):
        pad = made_pad(0.05, 0.05)
        chance = probability_in_range(pad, RETURN.main)
        assert chance is not None
        assert chance > 0.999

    def test_the_message_gives_value_range_and_probability(self):
        finding = only(range_undecided(pad_case(made_reading(made_pad(0.15, 0.02)), LINE)))
        assert "0.15 mg/L" in str(finding.message)
        assert "0.15 to 0.4 mg/L" in str(finding.message)
        assert "probability of 50 %" in str(finding.message)

    def test_nothing_is_said_without_sample_type(self):
        case = pad_case(made_reading(made_pad(5.0, 0.1)), None)
        assert not [*out_of_range(case), *range_undecided(case)]

    @given(
        value=st.floats(-10, 10),
        u=st.floats(1e-3, 10),
        ends=st.tuples(st.floats(-10, 10), st.floats(-10, 10)).map(sorted),
    )
    def test_probabilities_within_below_and_above_add_up_to_one(self, value, u, ends):
        low, high = ends
        parts = [probability_within(value, u, *side) for side in ((None, low), (low, high), (high, None))]
        assert sum(parts) == pytest.approx(1.0, abs=1e-12)
        assert min(parts) >= 0


class TestReplicates:
    def test_strips_that_differ_within_their_uncertainty_agree(self):
        assert check_replicates([made_pad(0.24, 0.02), made_pad(0.27, 0.02), made_pad(0.28, 0.02)]) is None

    def test_strips_that_differ_by_more_disagree(self):
        finding = check_replicates([made_pad(0.24, 0.02), made_pad(0.40, 0.02)])
        assert finding is not None
        assert finding.code == "replicates_disagree"
        assert "0.24 mg/L" in str(finding.message)
        assert "0.4 mg/L" in str(finding.message)

    def test_what_the_strips_share_does_not_excuse_a_difference(self):
        shared = {"strip_to_strip": 0.02, "curve": 0.1, "card_print": 0.1}
        strips = [made_pad(value, 0.15, budget=shared) for value in (0.24, 0.40)]
        assert check_replicates(strips) is not None
        own = {"strip_to_strip": 0.1, "curve": 0.02}
        assert check_replicates([made_pad(value, 0.15, budget=own) for value in (0.24, 0.40)]) is None

    def test_uncertainties_known_from_few_strips_excuse_more(self):
        # Four sigma of a difference: F(1, 3) at 1 % is 34.1, chi-square(1) is 6.6; (0.16 / 0.0283)**2 is 32.
        assert check_replicates([made_pad(value, 0.02, degrees_of_freedom=3) for value in (0.24, 0.40)]) is None

    def test_a_strip_over_the_top_disagrees_with_one_in_the_middle(self):
        assert check_replicates([made_pad(0.3, 0.02), over(2.0)]) is not None

    def test_one_strip_has_nothing_to_agree_with(self):
        assert check_replicates([made_pad(0.24, 0.02)]) is None
        assert check_replicates([]) is None

    def test_pads_of_different_kinds_are_refused(self):
        with pytest.raises(ValueError, match="one pad"):
            check_replicates([made_pad(0.24, 0.02), made_pad(7.0, 0.1, pad="ph", unit="pH")])

    def test_good_replicates_are_called_different_about_once_in_a_hundred(self):
        import numpy as np

        rng = np.random.default_rng(7)
        runs = 2000
        called = sum(
            check_replicates([made_pad(value, 0.02) for value in rng.normal(0.3, 0.02, 3)]) is not None
            for _ in range(runs)
        )
        # Binomial (2000, 0.01): 20 +- 4.5; four sigma.
        assert abs(called - 20) < 18
