from datetime import UTC, datetime, timedelta

from made_readings import LINE, STOCK, TODAY, made_pad, made_reading, wide_reading

from stripread.check import FileStanding, Forecast, History, Line, PastReading, Point, Recipe, check_reading
from stripread.check.accepted import files_accepted
from stripread.check.case import PadCase, StripCase
from stripread.check.clock import clock_step
from stripread.check.history_rules import (
    clock_stepped,
    clock_wrong,
    dip_seen_before,
    drift_at_point,
    flush_not_kept,
    jump_at_point,
    line_falls_faster,
    lot_drifts,
    lot_never_checked,
    photo_seen_before,
    recipe_mismatch,
    recipe_off_range,
    residual_before_injector,
    stock_past_its_time,
    weaker_than_forecast,
)
from stripread.findings import Finding
from tests.listed import each

NOW = datetime(2026, 5, 4, 9, 0, tzinfo=UTC)
BENCH = Point(name="bench 3", flush_s=60)


def past(value: float | None, *, u: float | None = 0.02, days: float = 1, point: str = "bench 3", valid: bool = True):
    return PastReading(
        name=f"reading {days:g} days ago", at=NOW - timedelta(days=days), point=point, sample="line",
        analyte="chlorine dioxide", unit="mg/L", value=value, u=u, valid=valid,
    )  # fmt: skip


def history(**more) -> History:
    return History(**{"now": NOW, "at": NOW, "point": BENCH, **more})


def strip_findings(rule, given: History | None, *, value: float = 0.28) -> list[Finding]:
    reading = made_reading(made_pad(value, 0.02), taken_at=None if given is None else given.at)
    return list(rule(StripCase(reading=reading, today=TODAY, dipped_at=None, history=given)))


def pad_findings(rule, given: History | None, *, value: float = 0.28, u: float = 0.02, stock=False) -> list[Finding]:
    pad = made_pad(value, u)
    reading = wide_reading(pad) if stock else made_reading(pad)
    return list(rule(PadCase(reading=reading, pad=pad, sample=STOCK if stock else LINE, history=given)))


def code(findings: list[Finding]) -> str | None:
    return findings[0].code if findings else None


class TestStripRules:
    def test_all_are_silent_without_a_record(self):
        for rule in (photo_seen_before, dip_seen_before, clock_wrong, flush_not_kept, lot_never_checked, lot_drifts):
            assert not strip_findings(rule, None)
            assert not strip_findings(rule, history())

    @each(
        ("apart", "words"),
        [(-timedelta(hours=3), "3 hours before"), (-timedelta(minutes=4), None), (timedelta(days=400), None),
         (timedelta(days=20000), "20000 days after")],
    )  # fmt: skip
    def test_the_computers_clock(self, apart, words):
        found = strip_findings(clock_stepped, history(clock_step=clock_step(NOW - apart, NOW)))
        assert [(f.code, f.severity) for f in found] == ([] if words is None else [("clock_stepped", "warning")])
        assert words is None or words in str(found[0].message)

    @each(
        ("state", "usual", "due"),
        [("accepted", True, []), ("other", False, [("file_not_accepted", "error")]),
         ("waits", False, [("file_never_accepted", "info")]), ("waits", True, [("file_never_accepted", "warning")]),
         ("never", False, [("file_never_accepted", "info")]), ("never", True, [("file_never_accepted", "warning")])],
    )  # fmt: skip
    def test_files_that_are_accepted_or_not(self, state, usual, due):
        file = FileStanding(sort="lot", name="UL-1", sha256="1" * 64, state=state, usual=usual, by="Ana",
                            on="2026-05-04", accepted_sha256="2" * 64)  # fmt: skip
        case = StripCase(reading=made_reading(made_pad(0.28, 0.02)), today=TODAY, dipped_at=None, files=(file,))
        found = list(files_accepted(case))
        assert [(f.code, f.severity) for f in found] == due
        assert all("lot UL-1" in str(f.message) for f in found)

    def test_a_photo_of_the_record_is_refused_and_its_place_named(self):
        found = strip_findings(photo_seen_before, history(photos={"0" * 64: "entry 12, bench 1"}))
        assert (found[0].code, found[0].severity) == ("photo_seen_before", "error")
        assert "entry 12, bench 1" in str(found[0].message)
        assert not strip_findings(photo_seen_before, history(photos={"1" * 64: "entry 12"}))

    @each(("seconds", "fires"), [(20, True), (71, True), (73, False), (600, False)])
    def test_two_points_within_one_flush_dip_and_wait_share_a_strip(self, seconds, fires):
        # 60 s of flushing, 2 s of dipping, 10 s until the kind may be read
        other = past(0.28, days=seconds / 86400, point="bench 2")
        assert bool(strip_findings(dip_seen_before, history(lately=(other,)))) is fires

    def test_a_second_strip_at_the_same_point_is_no_doubt(self):
        assert not strip_findings(dip_seen_before, history(lately=(past(0.28, days=20 / 86400),)))

    @each(
        ("at", "words"),
        [(timedelta(hours=3), "3 hours ahead"), (-timedelta(days=400), "400 days back"), (timedelta(minutes=4), None),
         (-timedelta(hours=20), None), (-timedelta(hours=30), "30 hours back")],
    )  # fmt: skip
    def test_clock(self, at, words):
        found = strip_findings(clock_wrong, history(at=NOW + at))
        assert words in str(found[0].message) if words else not found

    def test_a_flush_cut_short(self):
        found = strip_findings(flush_not_kept, history(flushed_s=20))
        assert "60 s of flushing and got 20" in str(found[0].message)
        assert not strip_findings(flush_not_kept, history(flushed_s=60))

    def test_a_lot_without_check_standards_gets_a_hint_only(self):
        assert strip_findings(lot_never_checked, history(checks=()))[0].severity == "info"
        assert not strip_findings(lot_never_checked, history(checks=(0.2,)))

    @each(
        ("checks", "words"),
        [
            ((0.3, -0.5, 3.4), "3.4 standard uncertainties over"),
            ((0.3, -0.2, 0.4, -0.1, 0.2, -0.3, -1.9, -2.0, -1.8), "fallen from where"),  # each within its limits
            ((1.5, 1.6, 1.4, 1.7, 1.5, 1.6), None),  # all off alike, as the curve that they have in common may be
            ((0.3, -0.2, 0.4, -0.1, 0.2, -0.3, *10 * (-1.9, -2.0)), "fallen"),  # and it stays so
            ((0.5, -0.8, 1.2, -0.3, 0.9, -1.1), None),
            ((4.0, 0.1, 0.2, -0.1), None),  # mended since
        ],
    )
    def test_check_standards(self, checks, words):
        found = strip_findings(lot_drifts, history(checks=checks))
        assert words in str(found[0].message) if words else not found


class TestSampleRules:
    def test_a_recipe_of_156_does_not_read_220(self):
        # 20 L of 420 mg/L and 34 L of water make 54 L of 420 * 20 / 54 = 156 mg/L
        recipe = Recipe(value=420 * 20 / 54, u=7.0, words="20 L of 420 mg/L concentrate in 34 L of water")
        found = pad_findings(recipe_mismatch, history(recipe=recipe), value=220, u=8, stock=True)
        assert code(found) == "recipe_mismatch"
        assert "156" in str(found[0].message)
        assert not pad_findings(recipe_mismatch, history(recipe=recipe), value=164, u=8, stock=True)

    def test_a_recipe_known_badly_contradicts_nothing(self):
        recipe = Recipe(value=156, u=45.0, words="about a third")
        assert not pad_findings(recipe_mismatch, history(recipe=recipe), value=220, u=8, stock=True)

    @each(("value", "fires"), [(180, True), (213, False), (250, False)])
    def test_a_stock_that_lost_more_than_predicted(self, value, fires):
        forecast = Forecast(value=220, u=6, made_at=NOW - timedelta(days=2))
        found = pad_findings(weaker_than_forecast, history(forecast=forecast), value=value, u=8, stock=True)
        assert bool(found) is fires

    def test_a_stock_past_its_time(self):
        forecast = Forecast(value=172, u=7, made_at=NOW - timedelta(days=9), use_until=NOW - timedelta(days=2))
        found = pad_findings(stock_past_its_time, history(forecast=forecast), value=181, u=6, stock=True)
        assert "2026-04-25" in str(found[0].message)
        earlier = history(at=NOW - timedelta(days=3), forecast=forecast)
        assert not pad_findings(stock_past_its_time, earlier, value=181, u=6, stock=True)
        # What was read now counts more than what was predicted.
        assert not pad_findings(stock_past_its_time, history(forecast=forecast), value=210, u=6, stock=True)

    def test_a_recipe_that_cannot_give_what_is_expected_needs_no_reading_to_tell(self):
        recipe = Recipe(value=156, u=7, words="20 L in 34 L")
        found = pad_findings(recipe_off_range, history(recipe=recipe), value=157, u=8, stock=True)
        assert code(found) == "recipe_off_range"
        assert "156" in str(found[0].message)
        assert "180 to 260" in str(found[0].message)
        assert not pad_findings(
            recipe_off_range, history(recipe=Recipe(value=220, u=7, words="")), value=157, stock=True
        )
        assert not pad_findings(
            recipe_off_range, history(recipe=Recipe(value=173, u=7, words="")), value=157, stock=True
        )

    @each(("value", "fires"), [(0.28, False), (0.32, False), (0.39, True), (0.13, True)])
    def test_a_jump_against_the_points_own_scatter(self, value, fires):
        before = tuple(past(v, days=9 - i) for i, v in enumerate((0.28, 0.30, 0.27, 0.29, 0.28, 0.26, 0.29)))
        assert bool(pad_findings(jump_at_point, history(same_point=before), value=value)) is fires

    def test_values_that_are_all_the_same_are_so_by_chance(self):
        before = tuple(past(0.28, days=9 - i) for i in range(8))
        assert not pad_findings(jump_at_point, history(same_point=before), value=0.32)
        assert pad_findings(jump_at_point, history(same_point=before), value=0.35)

    def test_a_jump_names_what_was_to_be_expected(self):
        before = tuple(past(v, days=9 - i) for i, v in enumerate((0.28, 0.30, 0.27, 0.29, 0.28, 0.26, 0.29)))
        found = pad_findings(jump_at_point, history(same_point=before), value=0.39)
        assert "going by the last 7 readings here, 0.206 to 0.363 mg/L was" in str(found[0].message)

    def test_a_bad_photo_is_no_jump(self):
        before = tuple(past(v, days=9 - i) for i, v in enumerate((0.28, 0.30, 0.27, 0.29, 0.28, 0.26, 0.29)))
        assert not pad_findings(jump_at_point, history(same_point=before), value=0.36, u=0.06)

    def test_few_earlier_readings_or_doubtful_ones_tell_nothing(self):
        few = tuple(past(0.28, days=i) for i in range(4, 0, -1))
        doubted = tuple(past(0.28, days=i, valid=False) for i in range(9, 0, -1))
        for before in (few, doubted):
            assert not pad_findings(jump_at_point, history(same_point=before), value=0.6)

    def test_a_creeping_point_shows_although_no_step_is_large(self):
        before = tuple(past(0.30 - 0.008 * i, u=0.01, days=20 - i) for i in range(15))
        found = pad_findings(drift_at_point, history(same_point=before), value=0.18)
        assert "fallen" in str(found[0].message)
        steady = tuple(past(0.28 + 0.01 * (-1) ** i, u=0.01, days=20 - i) for i in range(15))
        assert not pad_findings(drift_at_point, history(same_point=steady), value=0.26)

    @each(("value", "fires"), [(0.27, False), (0.14, True)])
    def test_a_line_that_takes_more_than_it_used_to(self, value, fires):
        line = Line(before=past(0.30, days=0, point="bench 1"), usual_left=(0.9, 0.88, 0.92, 0.91, 0.89, 0.9))
        found = pad_findings(line_falls_faster, history(line=line), value=value)
        assert bool(found) is fires
        assert not fires or "bench 1" in str(found[0].message)

    def test_a_residual_before_the_injector(self):
        inlet = history(point=Point(name="well", before_injector=True))
        assert code(pad_findings(residual_before_injector, inlet)) == "residual_before_injector"
        assert not pad_findings(residual_before_injector, inlet, value=0.02, u=0.02)  # its interval reaches zero
        assert not pad_findings(residual_before_injector, history())


def test_the_verdict_holds_a_reading_against_its_history():
    reading = made_reading(made_pad(0.28, 0.02), taken_at=NOW)
    judged = check_reading(
        reading, sample=LINE, today=TODAY, dipped_at=None, history=history(flushed_s=5, photos={"0" * 64: "entry 3"})
    )
    assert judged.validity == "invalid"  # the photo was used before
    assert judged.pads[0].reading.value is None
    assert {"photo_seen_before", "flush_not_kept"} <= {f.code for f in judged.findings}


def test_a_finding_about_the_water_leaves_the_reading_valid():
    forecast = Forecast(value=0.5, u=0.01, made_at=NOW)
    judged = check_reading(
        made_reading(made_pad(0.28, 0.02)), sample=LINE, today=TODAY, dipped_at=None, history=history(forecast=forecast)
    )
    assert judged.validity == "valid"
    assert "weaker_than_forecast" in {f.code for f in judged.findings}
