from datetime import date

import pytest
from made_readings import TODAY, made_pad, made_reading, over, under

from stripread.check import check_standard
from stripread.findings import make_finding
from stripread.report import check_json, check_text
from tests.listed import each


def check(reading, known, u_known=0.0, *, pad="clo2", today=TODAY):
    return check_standard(reading, pad=pad, known=known, u_known=u_known, today=today)


@each(
    ("value", "known", "u_known", "outcome"),
    [
        (0.35, 0.35, 0.0, "agrees"),
        (0.38, 0.35, 0.0, "agrees"),
        (0.40, 0.35, 0.0, "disagrees"),
        (0.40, 0.35, 0.03, "agrees"),
        (0.30, 0.35, 0.0, "disagrees"),
    ],
)
def test_a_number_agrees_or_not(value, known, u_known, outcome):
    found = check(made_reading(made_pad(value, 0.02)), known, u_known)
    assert found.outcome == outcome
    assert found.agreement is not None
    assert found.agreement.difference == pytest.approx(value - known)
    words = {"agrees": "AGREES with", "disagrees": "DIFFERS from"}[outcome]
    assert check_text(found, photo="x.jpg", recorded=None)[2:].startswith(words)


def test_what_the_ordinary_rules_doubt_shows_nothing_either_way():
    reading = made_reading(made_pad(0.35, 0.02), expires=date(2026, 1, 1))
    found = check(reading, 0.35)
    assert found.outcome == "doubtful"
    assert [f.code for f in found.doubts] == ["lot_expired"]
    assert "lot_expired" in check_text(found, photo="x.jpg", recorded=None)


def test_findings_about_water_are_none_about_a_known_solution():
    found = check(made_reading(made_pad(0.70, 0.02)), 0.35)
    assert found.outcome == "disagrees"
    assert "out_of_range" not in [f.code for f in found.findings]


def test_an_invalid_reading_gives_no_number():
    off = make_finding("off_curve", "far off")
    found = check(made_reading(made_pad(0.35, 0.02, findings=(off,))), 0.35)
    assert found.agreement is None
    assert found.outcome == "no number"
    text = check_text(found, photo="x.jpg", recorded=None)
    assert "NO NUMBER" in text
    assert "0.35 mg/L, 95 %" not in text


def test_a_blank_under_the_limit_gives_no_number_and_contradicts_nothing():
    found = check(made_reading(under(0.03)), 0.0)
    assert (found.outcome, found.bound_holds, found.doubts) == ("no number", True, ())
    assert "which the known value fits" in check_text(found, photo="x.jpg", recorded=None)


@each(("pad", "known"), [(under(0.03), 0.35), (under(0.1, name="LOQ"), 0.35)])
def test_a_bound_that_the_known_value_contradicts_disagrees(pad, known):
    found = check(made_reading(pad), known, 0.005)
    assert (found.agreement, found.bound_holds, found.outcome) == (None, False, "disagrees")
    assert "CONTRADICTS" in check_text(found, photo="x.jpg", recorded=None)


@each(("known", "fits"), [(1.7, False), (1.97, True), (2.0, True)])
def test_a_reading_over_the_top_gives_no_number_but_a_bound(known, fits):
    """Its interval starts at 1.96, under the top of 2."""
    found = check(made_reading(over(2.0), top=2.0), known)
    assert found.agreement is None
    assert found.bound_holds is fits


def test_another_pads_trouble_is_not_this_pads():
    odd = make_finding("off_curve", "far off")
    ph = made_pad(7.0, 0.1, pad="ph", analyte="pH", unit="pH", findings=(odd,))
    chlorine = made_pad(1.0, 0.1, pad="chlorine", analyte="free chlorine")
    reading = made_reading(chlorine, ph, kind="chlorine-ph-duo", top=10.0)
    assert check(reading, 1.0, pad="chlorine").outcome == "agrees"
    assert check(reading, 7.0, pad="ph").outcome == "no number"
    with pytest.raises(KeyError):
        check(reading, 1.0, pad="nitrate")


def test_json_carries_the_same_numbers():
    found = check(made_reading(made_pad(0.40, 0.02)), 0.35, 0.01)
    record = check_json(found, photo="x.jpg", recorded=True)
    assert record["e_n"] == pytest.approx(0.05 / record["expanded_uncertainty"])
    assert record["z"] == pytest.approx(0.05 / (0.02**2 + 0.01**2) ** 0.5)
    assert record["outcome"] == "agrees" if abs(record["e_n"]) <= 1 else "disagrees"
    silent = check_json(check(made_reading(under(0.03)), 0.0), photo="x.jpg", recorded=True)
    assert [silent[key] for key in ("value", "e_n", "z", "difference")] == [None] * 4
