"""The plan of a study: what is dipped, in which order and conditions, and that nothing of it tells the strengths."""

import dataclasses
import json
from collections import Counter
from pathlib import Path

import numpy as np
import pytest

from stripread.errors import StudyError
from stripread.lot import load_lot
from stripread.study import FULL, SHORT, Aims, Conditions, Stock, begin_study, find_study, load_truth, make_plan
from stripread.study.design import design_strips
from tests.listed import each

LOT = load_lot(Path(__file__).parents[2] / "calibration" / "UL-2603" / "lot.json")
CONDITIONS = Conditions(people=("Ada", "Ben"), phones=("A", "B"), lights=("x", "y", "z"), sessions=2)


def planned(**changes):
    usual = {
        "study": "may",
        "lot": LOT,
        "window_s": (10.0, 60.0),
        "stock": Stock(what="second sachet", method="titration", expected=100.0),
        "conditions": CONDITIONS,
        "aims": Aims(low=0.22, high=0.5),
        "at": "2026-05-01T08:00:00+02:00",
        "who": "Sol",
        "software": "stripread",
        "seed": 1,
    }
    return make_plan(**{**usual, **changes})


PLAN, TRUTH = planned()


def test_the_full_form_has_the_strips_that_were_asked_for() -> None:
    assert Counter(TRUTH.strength_of.values()) == {"blank": 10, "LOD": 5, "LOQ": 6, "0.3": 6, "0.6": 6, "0.9": 6}
    assert len(PLAN.strips) == FULL.strips == 39
    assert sum(len(strip.photos) for strip in PLAN.strips) == 156


def test_strengths_lie_between_the_calibrators() -> None:
    calibrators = {c.concentration for c in LOT.pads[0].calibrators if not c.beyond and c.concentration > 0}
    strong = [one.value for one in PLAN.strengths if one.kind == "strength"]
    assert strong == sorted(strong)
    assert all(abs(np.log(value / c)) >= 0.05 for value in strong for c in calibrators)
    assert strong[0] == pytest.approx(LOT.pads[0].loq.value, rel=0.01)


def test_a_strength_at_a_calibrator_is_moved_away_from_it() -> None:
    pad = LOT.pads[0]
    at = dataclasses.replace(pad.calibrators[-1], concentration=0.75, beyond=False)
    lot = dataclasses.replace(LOT, pads=(dataclasses.replace(pad, calibrators=(*pad.calibrators, at)),))
    plan, _ = planned(lot=lot)
    assert next(one.value for one in plan.strengths if one.name == "0.3") == pytest.approx(0.69)


def test_each_strip_has_two_photos_alike_one_with_the_other_phone_and_one_in_another_light() -> None:
    for strip in PLAN.strips:
        first, lifted, other_phone, other_light = strip.photos
        assert (first.phone, first.light) == (lifted.phone, lifted.light)
        assert other_phone.phone != first.phone
        assert other_phone.light == first.light
        assert other_light.phone == first.phone
        assert other_light.light != first.light


def test_within_a_strength_phones_lights_sessions_and_people_come_in_turn() -> None:
    for name in ("LOQ", "0.3", "0.6", "0.9"):
        own = [strip for strip in PLAN.strips if TRUTH.strength_of[strip.code] == name]
        assert set(Counter((s.photos[0].phone, s.photos[0].light) for s in own).values()) == {1}
        assert max(Counter((s.session, s.person) for s in own).values()) <= 2


def test_strips_at_the_lod_are_photographed_where_the_lot_was_calibrated() -> None:
    own = [strip for strip in PLAN.strips if TRUTH.strength_of[strip.code] == "LOD"]
    assert {(s.photos[0].phone, s.photos[0].light) for s in own} == {("A", "x")}


def test_sessions_follow_each_other() -> None:
    assert [strip.session for strip in PLAN.strips] == sorted(strip.session for strip in PLAN.strips)


def test_codes_tell_nothing() -> None:
    """Drawn often, each strength is as likely first as its share of the strips."""
    first = Counter()
    for seed in range(300):
        strips, strength_of = design_strips(PLAN.strengths, CONDITIONS, np.random.default_rng(seed))
        assert len(strength_of) == 39
        first[strength_of[strips[0].code]] += 1
    assert first["blank"] / 300 == pytest.approx(10 / 39, abs=0.08)
    assert first["0.9"] / 300 == pytest.approx(6 / 39, abs=0.08)


def test_the_plan_holds_nothing_that_tells_a_code_s_strength(tmp_path: Path) -> None:
    begin_study(tmp_path, PLAN, TRUTH)
    plan = json.loads((tmp_path / "studies" / "may" / "plan.json").read_text(encoding="utf-8"))
    assert not {"seed", "salt", "strength_of"} & set(plan)
    assert all(set(strip) == {"code", "session", "person", "photos"} for strip in plan["strips"])
    # The same hash cannot be found by trying: without the salt another truth has another hash.
    other = dataclasses.replace(TRUTH, salt="0" * 32)
    assert planned(seed=None)[0].truth_sha256 != PLAN.truth_sha256
    assert other.salt != TRUTH.salt


def test_plan_and_truth_come_back_as_they_were(tmp_path: Path) -> None:
    folder = begin_study(tmp_path, PLAN, TRUTH)
    assert find_study(tmp_path, "may").plan() == PLAN
    assert load_truth(folder.sealed_file, PLAN) == TRUTH
    assert folder.sealed_file.stat().st_mode & 0o077 == 0


def test_a_truth_that_was_changed_is_refused(tmp_path: Path) -> None:
    folder = begin_study(tmp_path, PLAN, TRUTH)
    text = folder.sealed_file.read_text(encoding="utf-8")
    folder.sealed_file.write_text(text.replace('"0.3"', '"0.6"', 1), encoding="utf-8")
    with pytest.raises(StudyError, match="sealed in the plan"):
        load_truth(folder.sealed_file, PLAN)


def test_a_study_is_not_planned_twice(tmp_path: Path) -> None:
    begin_study(tmp_path, PLAN, TRUTH)
    with pytest.raises(StudyError, match="there already"):
        begin_study(tmp_path, PLAN, TRUTH)


@each("name", ["", "../else", "sealed", "a/b", ".hidden"])
def test_names_that_are_no_folder_are_refused(name: str) -> None:
    with pytest.raises(StudyError, match="short name"):
        find_study(Path(), name)


def test_solutions_mix_what_they_say() -> None:
    by_name = {one.name: one for one in TRUTH.solutions}
    for strength in PLAN.strengths:
        own = by_name[strength.name]
        assert own.share * 100 == pytest.approx(strength.value, rel=0.005)
        source = 1.0 if own.source in ("stock", "") else by_name[own.source].share
        assert own.share == pytest.approx(source * own.take_ml / (own.take_ml + own.water_ml))


def test_the_short_form_says_what_it_cannot_show() -> None:
    from stripread.report import cannot_show

    plan, _ = planned(form=SHORT)
    assert len(plan.strips) == 15
    words = " ".join(map(str, cannot_show(plan)))
    assert "15 strips cannot show" in words
    assert "a third too narrow only in" in words
    assert cannot_show(PLAN) == ()


def test_criteria_are_in_the_plan_with_their_chances() -> None:
    by_name = {one.name: one for one in PLAN.criteria}
    assert [name for name, one in by_name.items() if one.decides] == ["trueness", "spread", "coverage", "blanks"]
    assert by_name["spread"].by_chance < 0.15 < 0.85 < by_name["spread"].catches
    assert by_name["trueness"].by_chance < 0.1 < 0.85 < by_name["trueness"].catches
    assert by_name["coverage"].limit == 6  # of 39 at 5 %: more than 6 in 0.3 % (binomial), more than 5 in 1.2 %
    assert by_name["coverage"].by_chance == pytest.approx(0.0029, abs=5e-5)
    assert by_name["blanks"].limit == 2  # of 10 at 5 %: more than 2 in 1.2 %
    assert by_name["blanks"].by_chance == pytest.approx(0.0115, abs=5e-5)


@each("wrong", [{"people": ("Ada",)}, {"people": ("Ada", "Ada")}, {"phones": ()}, {"lights": ("x", " ")}])
def test_conditions_without_names_are_refused(wrong) -> None:
    with pytest.raises(StudyError):
        planned(conditions=dataclasses.replace(CONDITIONS, **wrong))


def test_one_phone_and_one_light_leave_out_their_photos() -> None:
    plan, _ = planned(conditions=dataclasses.replace(CONDITIONS, phones=("A",), lights=("x",)))
    assert {photo.role for strip in plan.strips for photo in strip.photos} == {"first", "lifted"}


def test_a_lot_of_two_pads_is_refused() -> None:
    lot = load_lot(Path(__file__).parents[2] / "calibration" / "CP-2602" / "lot.json")
    with pytest.raises(StudyError, match="one pad"):
        planned(lot=lot)
