"""Readings by other means than a strip: what may be typed, how they are judged, and how the record copes with them."""

import json
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import pytest

from stripread.check import Method, check_reading
from stripread.errors import QuantityError, SiteError, WrongUsageError
from stripread.records import (
    Batch,
    Point,
    ReadingFilter,
    batch_readings,
    course_of,
    due_today,
    export_records,
    import_records,
    open_records,
    period_of,
    trend_of,
    verify_records,
)
from stripread.site import Analyte, load_site, write_demo_site
from stripread.workflow import EnteredSample, SampleContext, history_for, parse_entered, record_entered
from tests.unit.made_readings import made_pad as made_strip_pad
from tests.unit.made_readings import made_reading
from tests.unit.made_records import START, made_pad, made_payload, made_stamp

METER = Method(by="meter", instrument="photometer 2")


@pytest.fixture(scope="module")
def site(tmp_path_factory):
    folder = tmp_path_factory.mktemp("entered") / "site"
    write_demo_site(folder)
    file = folder / "site.toml"
    own = '[analyte.nitrate]\nunit = "mg/L"\nu = "5 %"\n\n[analyte.hardness]\nunit = "dH"\nu = "0.5 dH"\n\n[lots]'
    file.write_text(file.read_text(encoding="utf-8").replace("[lots]", own, 1), encoding="utf-8")
    return load_site(folder)


@pytest.fixture
def records(tmp_path: Path):
    with open_records(tmp_path, create=True) as opened:
        opened.add_point(Point(name="bench-1", sample="line"), made_stamp(-600))
        yield opened


def enter(records, site, analyte, value, *, minutes=0.0, point="bench-1", sample="line", method=METER, **more):
    reading = parse_entered(site.analyte(analyte), value, u=more.pop("u", None))
    context = SampleContext(sample=site.sample(sample), point=point, batch=more.pop("batch", None))
    at = START + timedelta(minutes=minutes)
    entered = EnteredSample(reading=reading, method=method, at=at, context=context, **more)
    return record_entered(records, entered, stamp=made_stamp(minutes + 1))


def strip(records, value, *, minutes=0.0, **more):
    payload = made_payload(value, taken=START + timedelta(minutes=minutes), **more)
    how = {**payload["how"], "expected": [{"analyte": "chlorine dioxide", "unit": "mg/L"}]}
    return records.add_reading({**payload, "how": how}, files=[], stamp=made_stamp(minutes + 1))


class TestTyped:
    def test_a_strength_in_any_unit_with_its_uncertainty(self, site):
        clo2 = site.analyte("Chlorine Dioxide")
        for text, u in (("0.41 mg/L", "0.02 mg/L"), ("0.41 ppm u 0.02", None), ("0,41 mg/L ± 0.04 (k = 2)", None)):
            read = parse_entered(clo2, text, u=u)
            assert (read.value, read.standard_uncertainty) == pytest.approx((0.41, 0.02))
            assert (read.unit, read.u_assumed) == ("mg/L", False)
            assert read.interval == pytest.approx((0.3708, 0.4492), abs=1e-4)

    @pytest.mark.parametrize(
        ("analyte", "text", "value", "u", "unit"),
        [("chlorite", "0.4 mg/L", 0.4, 0.04, "mg/L"), ("chlorite", "0.1 mg/L", 0.1, 0.02, "mg/L"),
         ("pH", "7.2", 7.2, 0.1, "pH"), ("temperature", "68 F", 20.0, 1.0, "C"), ("ORP", "-50 mV", -50.0, 10.0, "mV"),
         ("flow", "1 gpm", 3.785411784, 0.18927, "L/min"), ("conductivity", "900 µS/cm", 900.0, 45.0, "uS/cm"),
         ("nitrate", "20 mg/L", 20.0, 1.0, "mg/L"), ("hardness", "8 dH", 8.0, 0.5, "dH")],
    )  # fmt: skip
    def test_without_an_uncertainty_one_is_assumed_and_said(self, site, analyte, text, value, u, unit):
        read = parse_entered(site.analyte(analyte), text)
        assert (read.value, read.standard_uncertainty) == pytest.approx((value, u), rel=1e-4)
        assert (read.unit, read.u_assumed) == (unit, True)
        assert any("as none was given" in str(note) for note in read.notes)
        assert read.interval[0] < read.value < read.interval[1]

    def test_a_bound_is_no_number(self, site):
        read = parse_entered(site.analyte("chlorine dioxide"), "under 0.05 mg/L")
        assert (read.value, read.standard_uncertainty, read.censored) == (None, None, "below")
        assert (read.limit.value, read.interval) == (0.05, (0.0, 0.05))
        assert parse_entered(site.analyte("pH"), "menos de 4,1").interval == (0.0, 4.1)
        assert parse_entered(site.analyte("ORP"), "under -50 mV").interval == (None, -50.0)
        over = parse_entered(site.analyte("chlorine dioxide"), "> 500 mg/L")
        assert (over.censored, over.interval) == ("above", (500.0, None))

    @pytest.mark.parametrize(
        ("analyte", "text", "u"),
        [("pH", "15", None), ("pH", "7.2 mV", None), ("ORP", "650", None), ("ORP", "650 mV ± 5", None),
         ("chlorite", "0.4", None), ("chlorite", "-0.4 mg/L", None), ("chlorite", "under 0.4 mg/L", "0.1 mg/L"),
         ("chlorite", "0.4 mg/L", "0 mg/L"), ("temperature", "200 C", None), ("flow", "3 L", None),
         ("pH", "7.2", "5 mV"), ("pH", "7.2, 95 % interval 7.3 to 7.5", None), ("hardness", "nan dH", None),
         ("ORP", "650 mV u 0", None)],
    )  # fmt: skip
    def test_what_cannot_be_is_refused(self, site, analyte, text, u):
        with pytest.raises(QuantityError):
            parse_entered(site.analyte(analyte), text, u=u)

    def test_an_unknown_analyte_names_those_that_there_are(self, site):
        with pytest.raises(SiteError, match=r"chlorite.*nitrate"):
            site.analyte("caesium")

    @pytest.mark.parametrize(
        "own", ['unit = "mV"\nu = "1 %"', 'unit = "pH"\nu = "0"', 'unit = "pH"', 'unit = "pH"\nu = "x"']
    )
    def test_a_wrong_table_of_the_site_names_its_field(self, tmp_path, own):
        write_demo_site(tmp_path / "s")
        file = tmp_path / "s" / "site.toml"
        file.write_text(file.read_text("utf-8").replace("[lots]", f"[analyte.pH]\n{own}\n[lots]", 1), "utf-8")
        with pytest.raises(SiteError, match=r"analyte\.pH"):
            load_site(file.parent)


class TestJudged:
    def test_against_the_range_that_the_sample_should_have(self, records, site):
        good = enter(records, site, "chlorine dioxide", "0.35 mg/L u 0.01").verdict
        assert (good.range_state, good.validity, good.exit_code) == ("within", "valid", 0)
        assert good.probability_within > 0.999
        high = enter(records, site, "chlorine dioxide", "0.9 mg/L u 0.01", minutes=600).verdict
        assert (high.range_state, high.exit_code) == ("above", 3)
        assert [f.code for f in high.findings] == ["out_of_range"]
        assert "strip" not in str(high.findings[0].advice)
        none = enter(records, site, "pH", "7.2").verdict
        assert (none.range_state, none.exit_code) == (None, 0)
        under = enter(records, site, "chlorine dioxide", "under 0.1 mg/L", minutes=1200).verdict
        assert under.range_state == "below"

    def test_a_range_in_another_unit_is_refused(self, records, site):
        line = site.sample("line")
        wrong = replace(line, expectations=(replace(line.main, analyte="ORP", unit="V"),))
        site = replace(site, samples={"line": wrong})
        with pytest.raises(SiteError, match="mV"):
            enter(records, site, "ORP", "650 mV")

    def test_what_lies_ahead_or_is_of_no_batch_is_refused(self, records, site):
        reading = parse_entered(site.analyte("pH"), "7")
        sample = EnteredSample(
            reading=reading, method=METER, at=START + timedelta(hours=2),
            context=SampleContext(sample=site.sample("line")),
        )  # fmt: skip
        with pytest.raises(WrongUsageError, match="until now"):
            record_entered(records, sample, stamp=made_stamp())
        with pytest.raises(WrongUsageError, match="batch"):
            enter(records, site, "pH", "7", batch="S-99")

    def test_its_past_is_that_of_its_own_means(self, records, site):
        for day in range(8):
            strip(records, 0.30 + 0.001 * day, minutes=1440 * (day - 10))
        off_by_method = enter(records, site, "chlorine dioxide", "0.45 mg/L u 0.01").verdict
        assert not {"jump_at_point", "drift_at_point"} & {f.code for f in off_by_method.findings}
        for day in range(1, 8):
            enter(records, site, "chlorine dioxide", "0.45 mg/L u 0.01", minutes=1440 * day)
        jump = enter(records, site, "chlorine dioxide", "0.30 mg/L u 0.01", minutes=1440 * 8).verdict
        (found,) = [f for f in jump.findings if f.code == "jump_at_point"]
        assert "by the same means" in str(found.message)


class TestCompared:
    def test_a_strip_and_a_meter_that_cannot_both_be_right_differ(self, records, site):
        strip(records, 0.26)
        done = enter(records, site, "chlorine dioxide", "0.41 mg/L u 0.02", minutes=20)
        (found,) = [f for f in done.verdict.findings if f.code == "methods_differ"]
        # By hand: u of the strip 0.027 with the freedom that its interval tells; |0.41 - 0.26| / 0.0336 = 4.5.
        assert "4.5 standard uncertainties" in str(found.message)
        assert "photometer 2" in str(found.message)
        assert done.verdict.validity == "doubtful"
        assert records.readings(ReadingFilter(finding="methods_differ"))[0].entry.seq == done.entry.seq

    @pytest.mark.parametrize(
        ("value", "more"),
        [("0.30 mg/L u 0.02", {}), ("0.41 mg/L u 0.02", {"minutes": 40}), ("0.41 mg/L u 0.02", {"point": "far-end"}),
         ("0.41 mg/L u 0.02", {"sample": "return"}), ("under 0.3 mg/L", {})],
    )  # fmt: skip
    def test_what_agrees_or_is_another_sample_is_silent(self, records, site, value, more):
        strip(records, 0.26)
        done = enter(records, site, "chlorine dioxide", value, **{"minutes": 20, **more})
        assert "methods_differ" not in {f.code for f in done.verdict.findings}

    def test_another_analyte_or_a_doubtful_strip_is_not_compared(self, records, site):
        strip(records, 0.26, validity="doubtful")
        for analyte in ("chlorine dioxide", "chlorite"):
            done = enter(records, site, analyte, "0.41 mg/L u 0.02", minutes=5)
            assert "methods_differ" not in {f.code for f in done.verdict.findings}

    def test_two_readings_by_one_means_are_not_compared(self, records, site):
        enter(records, site, "chlorine dioxide", "0.41 mg/L u 0.02")
        other = Method(by="meter", instrument="photometer 3")
        done = enter(records, site, "chlorine dioxide", "0.3 mg/L u 0.02", minutes=5, method=other)
        assert "methods_differ" not in {f.code for f in done.verdict.findings}

    def test_a_bound_that_the_strip_contradicts_differs(self, records, site):
        strip(records, 0.26)
        done = enter(records, site, "chlorine dioxide", "under 0.05 mg/L", minutes=5)
        assert "methods_differ" in {f.code for f in done.verdict.findings}

    @pytest.mark.parametrize("minutes", [-20, 20])  # a photo may be read long after it was taken
    def test_a_strip_that_is_read_later_carries_it_as_well(self, records, site, minutes):
        enter(records, site, "chlorine dioxide", "0.41 mg/L u 0.02")
        enter(records, site, "chlorine dioxide", "0.3 mg/L", minutes=minutes - 0.1, point="far-end")
        reading = made_reading(made_strip_pad(0.26, 0.02), taken_at=START + timedelta(minutes=minutes))
        context = SampleContext(sample=site.sample("line"), point="bench-1")
        history = history_for(records, reading, context, now=START + timedelta(minutes=30))
        verdict = check_reading(reading, sample=context.sample, today=START.date(), dipped_at=None, history=history)
        (found,) = [f for f in verdict.findings if f.code == "methods_differ"]
        assert "5.3 standard uncertainties" in str(found.message)  # 0.15 / (0.02 * sqrt 2)
        assert verdict.validity == "doubtful"
        assert "dip_seen_before" not in {f.code for f in verdict.findings}  # the meter at the far end is no dip

    def test_the_report_lists_each_pair_once(self, records, site):
        strip(records, 0.26)
        enter(records, site, "chlorine dioxide", "0.41 mg/L u 0.02", minutes=20)
        enter(records, site, "pH", "7.2", minutes=21)
        strip(records, 0.26, minutes=500)
        enter(records, site, "chlorine dioxide", "0.28 mg/L u 0.02", minutes=490)
        period = period_of(records, site, start=START - timedelta(days=1), end=START + timedelta(days=1))
        assert [(pair.first.method.by, pair.second.method.by, pair.differ) for pair in period.compared] == [
            ("strip", "meter", True), ("strip", "meter", False),
        ]  # fmt: skip
        assert period.compared[0].zeta == pytest.approx((0.41 - 0.26) / (0.02**2 + 0.027**2) ** 0.5)
        assert len(period.lots) == 1


class TestRecord:
    def test_it_is_a_reading_like_any_other(self, records, site):
        done = enter(records, site, "chlorine dioxide", "0.41 mg/L u 0.02", remark="cloudy")
        one = records.reading(done.entry.seq)
        assert (one.method, one.lot, one.strip_kind, one.point) == (METER, None, None, "bench-1")
        assert (one.when, one.main.value, one.main.u) == (START, 0.41, 0.02)
        assert set(made_payload()) - {"how"} <= set(one.entry.payload)
        assert one.entry.payload["remark"] == "cloudy"
        strip(records, 0.3, minutes=300)
        assert [r.method.by for r in records.readings(ReadingFilter(method="meter"))] == ["meter"]
        assert [r.method.by for r in records.readings(ReadingFilter(method="strip"))] == ["strip"]
        assert len(records.readings(ReadingFilter(entered=True))) == 1
        again = records.correct(one.entry.seq, why="other point", stamp=made_stamp(9), changes={"point": "bench-2"})
        assert records.reading(again.seq).method == METER
        records.correct(again.seq, why="typed wrong", stamp=made_stamp(10), withdraw=True)
        assert verify_records(records).intact

    @pytest.mark.parametrize("form", ["csv", "jsonl"])
    def test_export_and_import_keep_it(self, records, site, tmp_path, form):
        enter(records, site, "chlorine dioxide", "under 0.05 mg/L")
        strip(records, 0.3, minutes=300)
        export_records(records, tmp_path / "out", form=form, stamp=made_stamp(900))
        (tmp_path / "new").mkdir()
        with open_records(tmp_path / "new", create=True) as new:
            import_records(new, tmp_path / "out", stamp=made_stamp(999))
            assert {r.method.by for r in new.readings()} == {"meter", "strip"}
            assert verify_records(new).intact

    def test_an_export_of_before_that_lacks_the_column_is_imported(self, records, tmp_path):
        strip(records, 0.3)
        export_records(records, tmp_path / "out", form="jsonl", stamp=made_stamp(900))
        table = tmp_path / "out" / "readings.jsonl"
        rows = [json.loads(line) for line in table.read_text(encoding="utf-8").splitlines()]
        for row in rows:
            del row["method"]
        table.write_text("".join(json.dumps(row, ensure_ascii=False) + "\n" for row in rows), encoding="utf-8")
        _rehash(tmp_path / "out", table)
        (tmp_path / "new").mkdir()
        with open_records(tmp_path / "new", create=True) as new:
            assert import_records(new, tmp_path / "out", stamp=made_stamp(999)).added >= 1
            assert [r.method.by for r in new.readings()] == ["strip"]

    def test_a_batchs_strength_is_of_the_analyte_that_its_sample_is_judged_by(self, records, site):
        records.add_batch(Batch(id="S-1", kind="stock", made_at=START, made_by="Ana", water_l=10.0), made_stamp(1))
        batch = records.batches()[0].said
        for analyte, value in (("pH", "4.1"), ("temperature", "20 C"), ("chlorite", "9 mg/L"), ("ORP", "700 mV")):
            enter(records, site, analyte, value, minutes=30, sample="stock", point=None)
        assert batch_readings(records, batch) == []
        done = enter(records, site, "chlorine dioxide", "215 mg/L u 5", minutes=40, sample="stock", point=None)
        assert done.payload["how"]["batch"] == "S-1"
        ((when, strength),) = batch_readings(records, batch)
        assert (when, strength.value, strength.u) == (START + timedelta(minutes=40), 215.0, 5.0)
        two = made_payload(pads=[made_pad(6.8, pad="ph", analyte="pH"), made_pad(210.0)], sample="stock", point="tank",
                           taken=START + timedelta(hours=2))  # fmt: skip
        how = {**two["how"], "batch": "S-1", "expected": [{"analyte": "chlorine dioxide", "unit": "mg/L"}]}
        records.add_reading({**two, "how": how}, files=[], stamp=made_stamp(121))
        assert [strength.value for _, strength in batch_readings(records, batch)] == [215.0, 210.0]
        acid = made_payload(pads=[made_pad(6.8, pad="ph", analyte="pH")], sample="stock", point="tank",
                            taken=START + timedelta(hours=3))  # fmt: skip
        records.add_reading({**acid, "how": {**acid["how"], "batch": "S-1"}}, files=[], stamp=made_stamp(181))
        assert len(batch_readings(records, batch)) == 2  # a pH is no strength, whatever the sample is judged by


class TestPoint:
    def test_a_ph_does_not_hide_the_strip_before_it(self, records, site):
        strip(records, 0.26)
        enter(records, site, "pH", "7.2", minutes=60)
        assert records.latest_by_point(site.main_analytes)["bench-1"].main.analyte == "chlorine dioxide"
        enter(records, site, "chlorine dioxide", "0.3 mg/L", minutes=90)
        assert records.latest_by_point(site.main_analytes)["bench-1"].method == METER

    def test_a_ph_is_no_sample_of_the_day_and_one_out_of_range_is_due(self, records, site):
        line = site.sample("line")
        ph = replace(line.main, analyte="pH", unit="pH", low=6.5, high=7.5, target=None)
        judged = replace(site, samples={**site.samples, "line": replace(line, expectations=(line.main, ph))})
        enter(records, judged, "pH", "9.2", minutes=60)
        now = START + timedelta(hours=2)
        due = due_today(records, judged, now=now)
        assert [(d.kind, d.urgency) for d in due] == [("measurement", "now")]
        strip(records, 0.26, minutes=-1440)
        kinds = [d.kind for d in due_today(records, judged, now=now)]
        assert "point" in kinds
        assert "measurement" in kinds

    def test_a_trend_is_of_one_analyte(self, records, site):
        for day in range(6):
            strip(records, 0.25 + 0.02 * day, minutes=1440 * day)
            enter(records, site, "pH", "7.2", minutes=1440 * day + 5)
            enter(records, site, "chlorine dioxide", "0.3 mg/L", minutes=1440 * day + 400)
        found = trend_of(records, site, "bench-1", since=None, until=None)
        assert {r.main.analyte for r in found.readings} == {"chlorine dioxide"}
        assert set(found.analytes) == {"chlorine dioxide", "pH"}
        assert not found.events  # no change of lots where a meter's reading lies between two strips
        ph = trend_of(records, site, "bench-1", since=None, until=None, analyte="ph")
        assert {r.main.analyte for r in ph.readings} == {"pH"}

    def test_a_course_is_by_one_means(self, records, site):
        for day in range(6):
            strip(records, 0.30, minutes=1440 * day)
            enter(records, site, "chlorine dioxide", f"{0.40 + 0.05 * day:.2f} mg/L u 0.01", minutes=1440 * day + 90)
        wanted = ReadingFilter(point="bench-1", analyte="chlorine dioxide")
        up = course_of([r for r in records.readings(wanted) if r.validity == "valid"])
        assert (up.word, up.method, up.count) == ("rising", METER, 6)
        strips = course_of(records.readings(replace(wanted, method="strip")))
        assert (strips.word, strips.method.by) == ("steady", "strip")

    def test_two_instruments_are_two_means_of_a_course(self, records, site):
        for day in range(6):
            for name, value, later in (("a", "0.30", 0), ("b", f"{0.40 + 0.05 * day:.2f}", 90)):
                method = Method(by="meter", instrument=name)
                enter(records, site, "pH", f"{10 * float(value):.1f} u 0.02", minutes=1440 * day + later, method=method)
        found = course_of(records.readings(ReadingFilter(point="bench-1")))
        assert (found.word, found.method.instrument, found.count) == ("rising", "b", 6)

    def test_a_ph_within_range_does_not_right_a_residual_that_is_out(self, records, site):
        line = site.sample("line")
        ph = replace(line.main, analyte="pH", unit="pH", low=6.5, high=7.5, target=None)
        judged = replace(site, samples={**site.samples, "line": replace(line, expectations=(line.main, ph))})
        enter(records, judged, "chlorine dioxide", "0.9 mg/L u 0.01")
        enter(records, judged, "pH", "7.0", minutes=60)
        span = {"start": START - timedelta(days=1), "end": START + timedelta(days=1)}
        (episode,) = period_of(records, site, **span).episodes
        assert episode.righted is None
        enter(records, judged, "chlorine dioxide", "0.35 mg/L u 0.01", minutes=90, method=Method(by="titration"))
        (episode,) = period_of(records, site, **span).episodes
        assert episode.righted.method.by == "titration"


def _rehash(folder: Path, table: Path) -> None:
    import hashlib

    package = folder / "datapackage.json"
    told = json.loads(package.read_text(encoding="utf-8"))
    for resource in told["resources"]:
        if resource["path"] == table.name:
            resource["hash"] = "sha256:" + hashlib.sha256(table.read_bytes()).hexdigest()
    package.write_text(json.dumps(told), encoding="utf-8")


def test_the_known_analytes_say_what_is_assumed():
    one = Analyte(name="x", unit="mg/L", u=0.02, relative_u=0.1)
    assert str(one.assumed_words) == "10 %, and at least 0.02 mg/L"
    assert (one.assumed_u(0.1), one.assumed_u(1.0)) == pytest.approx((0.02, 0.1))
