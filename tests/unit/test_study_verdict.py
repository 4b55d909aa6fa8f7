"""What comes of a study's table: each criterion alone, too few strips, flags that delete nothing, what is proven."""

import dataclasses
import math
from datetime import UTC, datetime

import numpy as np
import pytest

from stripread.records import Draft, Stamp, open_records, proven_payload, study_standing
from stripread.report import lot_proven_words, proven_words
from stripread.simulate.study.table import draw_table
from stripread.study import SHORT, PhotoRow, StudyTable, judge_study
from stripread.study.statistics import find_flags, precision_of, trueness_of
from tests.listed import each
from tests.unit.test_study_design import PLAN, TRUTH, planned


def table(**changes) -> StudyTable:
    rng = np.random.default_rng(8)
    return draw_table(PLAN.strips, TRUTH.strength_of, PLAN.strengths, rng, **changes)


def verdict(of: StudyTable):
    return judge_study(of, PLAN.criteria, PLAN.aims)


def changed(of: StudyTable, change) -> StudyTable:
    return dataclasses.replace(of, photos=tuple(change(row) for row in of.photos))


def row(**facts) -> PhotoRow:
    usual = {"code": "A", "strength": "0.3", "session": 1, "person": "Ada", "number": 1, "role": "first",
             "phone": "A", "light": "x", "truth": 1.0, "u_truth": 0.0, "estimate": 1.0, "u": 0.1, "low": 0.8,
             "high": 1.25, "stated": (0.8, 1.25), "detected": True}  # fmt: skip
    return PhotoRow(**{**usual, **facts})


GOOD = table()


class TestRow:
    def test_z_is_at_1_96_where_the_interval_ends_at_the_truth(self) -> None:
        assert row(estimate=1.25, low=1.0, high=1.6).z == pytest.approx(1.96)
        assert row(estimate=0.8, low=0.6, high=1.0).z == pytest.approx(-1.96)

    def test_an_interval_that_is_open_on_the_truth_s_side_has_no_score_against_it(self) -> None:
        assert row(estimate=1.5, low=None, high=2.0).z == 0.0
        assert row(estimate=0.5, low=0.3, high=None).z == 0.0

    def test_the_truth_s_own_uncertainty_widens_it(self) -> None:
        assert abs(row(estimate=1.25, low=1.0, high=1.6, u_truth=0.1).z) < 1.96

    @each(
        "stated, truth, held",
        [
            ((0.8, 1.25), 1.0, True),
            ((0.8, 1.25), 0.79, False),
            ((0.8, 1.25), 1.26, False),
            ((None, 1.25), 0.0, True),
            ((0.8, None), 9.0, True),
            (None, 1.0, None),
        ],
    )
    def test_held(self, stated, truth: float, held) -> None:
        assert row(stated=stated, truth=truth).held is held

    def test_a_blank_has_no_log_ratio(self) -> None:
        assert row(truth=0.0).log_ratio is None
        assert row(truth=0.0).z is None


def test_a_good_study_passes_and_proves_its_places() -> None:
    found = verdict(GOOD)
    assert found.outcome == "pass"
    assert set(found.proven) <= {(phone, light) for phone in "AB" for light in "xyz"}
    assert found.proven


def test_trueness_is_the_mean_weighted_by_what_the_lot_states() -> None:
    """By hand: weights u^-2 of each strength, strips of each alike."""
    found = trueness_of(GOOD, 0.1)
    means = GOOD.strip_means()
    weight = {s.name: s.expected_u**-2 for s in PLAN.strengths if s.kind == "strength"}
    by_hand = sum(weight[n] * v.sum() for n, v in means.items()) / sum(weight[n] * len(v) for n, v in means.items())
    assert found.mean == pytest.approx(by_hand)
    assert found.strips == 24


def test_a_bias_fails_trueness_and_nothing_is_proven() -> None:
    found = verdict(changed(GOOD, lambda r: dataclasses.replace(r, truth=0.8 * r.truth)))
    assert found.finding("trueness").outcome == "fail"
    assert found.outcome == "fail"
    assert found.proven == ()


def test_narrow_intervals_fail_the_intervals_alone() -> None:
    found = verdict(table(width=0.5))
    assert found.finding("spread").outcome == "fail"
    assert found.finding("trueness").outcome == "pass"
    assert found.outcome == "fail"


def test_misses_are_counted_on_first_photos_of_all_strips() -> None:
    missing = {strip.code for strip in PLAN.strips[:7]}

    def miss(r: PhotoRow) -> PhotoRow:
        return dataclasses.replace(r, estimate=9.5, stated=(9.0, 10.0)) if r.code in missing else r

    found = verdict(changed(GOOD, miss)).finding("coverage")
    before = verdict(GOOD).finding("coverage").figures
    assert found.figures.of == 39
    assert found.outcome == "fail"
    assert found.figures.count <= before.count
    later = changed(GOOD, lambda r: dataclasses.replace(r, estimate=9.5, stated=(9.0, 10.0)) if r.number > 1 else r)
    assert verdict(later).finding("coverage").figures == before


def test_blanks_that_read_as_something_fail() -> None:
    found = verdict(changed(GOOD, lambda r: dataclasses.replace(r, detected=True)))
    assert found.finding("blanks").outcome == "fail"
    assert found.outcome == "fail"


def test_the_lod_is_told_and_decides_nothing() -> None:
    weak = changed(GOOD, lambda r: dataclasses.replace(r, estimate=0.1 * r.truth) if r.strength == "LOD" else r)
    found = verdict(weak)
    assert found.finding("lod").outcome == "fail"
    assert found.outcome == "pass"


def test_the_lod_is_judged_where_the_lot_was_calibrated() -> None:
    strange = changed(GOOD, lambda r: dataclasses.replace(r, familiar=r.strength != "LOD"))
    assert verdict(strange).finding("lod").outcome == "too few"


def test_few_strips_are_too_few_and_not_a_pass() -> None:
    codes = {strip.code for strip in PLAN.strips if TRUTH.strength_of[strip.code] in ("0.3", "0.6")}
    wide = table(width=1.5)
    small = dataclasses.replace(wide, photos=tuple(r for r in wide.photos if r.code in codes))
    found = verdict(small)
    assert found.finding("coverage").outcome == "too few"
    assert found.finding("blanks").outcome == "too few"
    assert found.outcome == "too few"


def test_a_study_without_any_photo_is_too_few_and_no_error() -> None:
    found = verdict(dataclasses.replace(GOOD, photos=(), eyes=()))
    assert {one.outcome for one in found.findings} == {"too few"}


def test_the_short_form_never_passes_its_intervals() -> None:
    plan, truth = planned(form=SHORT)
    for seed in range(10):
        drawn = draw_table(plan.strips, truth.strength_of, plan.strengths, np.random.default_rng(seed))
        assert judge_study(drawn, plan.criteria, plan.aims, only_deciding=True).outcome in ("too few", "fail")


def test_refused_photos_are_counted_and_stay_out_of_the_figures() -> None:
    gone = {strip.code for strip in PLAN.strips[:3]}
    none = {"estimate": None, "u": None, "low": None, "high": None, "stated": None, "detected": False}
    found = verdict(changed(GOOD, lambda r: dataclasses.replace(r, **none) if r.code in gone else r))
    assert found.refused == 12
    assert found.finding("coverage").figures.of == 36


def test_an_odd_strip_is_flagged_and_stays_in() -> None:
    odd = next(strip.code for strip in PLAN.strips if TRUTH.strength_of[strip.code] == "0.6")

    def apart(r: PhotoRow) -> PhotoRow:
        return dataclasses.replace(r, estimate=2.5 * r.truth) if r.code == odd else r

    def torn(r: PhotoRow) -> PhotoRow:
        return dataclasses.replace(r, estimate=(0.5 + 0.5 * r.number) * r.truth) if r.code == odd else r

    assert [(f.test, f.code) for f in find_flags(changed(GOOD, apart))] == [("grubbs", odd)]
    assert ("cochran", odd) in [(f.test, f.code) for f in find_flags(changed(GOOD, torn))]
    assert trueness_of(changed(GOOD, apart), 0.1).strips == 24


def test_precision_has_all_causes_and_grows_with_them() -> None:
    found = precision_of(GOOD)
    assert set(found.variances) == {"session", "person", "phone", "light", "strip", "photo"}
    assert found.repeatability == pytest.approx(math.sqrt(found.variances["strip"] + found.variances["photo"]))
    assert found.low < found.intermediate < found.high
    apart = changed(GOOD, lambda r: dataclasses.replace(r, estimate=r.estimate * (1.3 if r.phone == "B" else 1.0)))
    assert precision_of(apart).variances["phone"] > 5 * found.variances["phone"] + 0.01


def test_photo_and_eye_are_compared_on_the_same_strips() -> None:
    found = verdict(GOOD)
    eye = found.finding("eye")
    assert (eye.outcome, eye.figures.strips) == ("pass", 24)
    assert eye.figures.photo < eye.figures.eye
    assert found.finding("sides").figures.strips == 39


class TestProven:
    """What the record, and from it readings and lots, say of a study."""

    STAMP = Stamp(at=datetime(2026, 5, 12, 8, tzinfo=UTC), who="Sol")

    def entered(self, records, **changes):
        payload = {"event": "reported", "study": "may", "lot": "L", "lot_sha256": "a" * 64, "outcome": "pass",
                   "on": "2026-05-11", "proven": [{"phone": "A", "light": "window", "camera": "Phone A"},
                                                 {"phone": "B", "light": "bench", "camera": None}]}  # fmt: skip
        records.append([Draft(kind="study", payload={**payload, **changes}, subject="L")], self.STAMP)

    def test_the_latest_study_of_this_calibration_counts(self, tmp_path) -> None:
        with open_records(tmp_path, create=True) as records:
            assert study_standing(records, "L", "a" * 64) is None
            self.entered(records)
            self.entered(records, lot_sha256="b" * 64, outcome="fail")
            assert study_standing(records, "L", "a" * 64).outcome == "pass"
            assert study_standing(records, "L", "c" * 64) is None  # calibrated anew: nothing is proven any more
            self.entered(records, outcome="fail", proven=[])
            assert study_standing(records, "L", "a" * 64).outcome == "fail"

    def test_a_reading_names_the_lights_of_its_own_phone(self, tmp_path) -> None:
        with open_records(tmp_path, create=True) as records:
            self.entered(records)
            standing = study_standing(records, "L", "a" * 64)
        own = proven_payload(standing, "Phone A")
        assert str(proven_words(own)) == "✔ Proven with this phone on 2026-05-11, in these lights: window."
        assert "Not proven with this phone" in str(proven_words(proven_payload(standing, "Phone C")))
        assert "Not proven with this phone" in str(proven_words(proven_payload(standing, None)))
        assert "A, window; B, bench" in str(lot_proven_words(standing))

    @each("outcome, words", [("fail", "failed"), ("too few", "too few strips")])
    def test_what_did_not_pass_is_not_proven(self, outcome: str, words: str) -> None:
        said = {"on": "2026-05-11", "outcome": outcome, "lights": [], "study": "may", "phone": "A"}
        assert words in str(proven_words(said))

    def test_without_a_study_it_says_so(self) -> None:
        assert "Not proven here" in str(proven_words(None))
        assert "Not proven here" in str(lot_proven_words(None))
