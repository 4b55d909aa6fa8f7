"""Settings of injectors and notes, as they are entered into the record."""

from datetime import UTC, datetime, timedelta

import pytest
from test_day import lines, run, site
from test_history import add_reading

from stripread.records import open_records
from tests.listed import each

__all__ = ["site"]  # the fixture


def test_settings_are_listed_the_last_entered_first_with_all_that_was_said(site):
    first = run(site, "injector", "set", "main", "--ratio", "1:320", "--at", "2026-04-14T06:00")
    assert "1 part in 320" in first.stdout
    run(site, "batch", "generate", "C-1", "--water", "20 L")
    words = ("--means", "to", "--batch", "C-1", "--flow", "20 gpm", "--remark", "new dial", "--yes")
    assert run(site, "injector", "set", "main", "--ratio", "1:275", *words).exit_code == 0
    later, earlier = lines(run(site, "injector", "list", "--json"))
    assert (later["ratio"], later["convention"], later["batch"], later["note"]) == (275, "to", "C-1", "new dial")
    assert later["flow_l_per_min"] == pytest.approx(20 * 3.785411784)
    assert datetime.fromisoformat(earlier["since"]).astimezone().replace(tzinfo=None) == datetime(2026, 4, 14, 6)  # noqa: DTZ001 # as typed: local
    assert earlier["flow_l_per_min"] is None
    table = run(site, "injector", "list").stdout
    assert "1 part to 275" in table
    assert "75.7 L/min" in table
    assert "gal" not in table
    file = site / "site.toml"
    file.write_text('units = "us"\n' + file.read_text(encoding="utf-8"), encoding="utf-8")
    assert "20 US gal/min (75.7 L/min)" in run(site, "injector", "list").stdout
    assert len(lines(run(site, "injector", "list", "--json", "--limit", 1))) == 1


def test_a_setting_in_percent_is_a_part_in_what_comes_out_whatever_1_to_n_means(site):
    run(site, "injector", "set", "main", "--ratio", "1%", "--means", "to")
    (only,) = lines(run(site, "injector", "list", "--json"))
    assert (only["ratio"], only["convention"]) == (100, "in")


def test_a_gallon_taken_for_granted_is_told(site):
    assert "United States" in run(site, "injector", "set", "main", "--ratio", "1:320", "--flow", "20 gpm").stdout


def test_a_setting_is_an_event_between_the_readings_of_a_point(site):
    start = datetime(2026, 4, 14, 9, tzinfo=UTC)
    with open_records(site, create=True) as records:
        for day, value in enumerate((0.35, 0.17)):
            add_reading(records, value, start + timedelta(days=day), point="bench-1")
    between = (start + timedelta(hours=3)).astimezone().strftime("%Y-%m-%dT%H:%M")
    run(site, "injector", "set", "main", "--ratio", "1:275", "--means", "to", "--at", between)
    run(site, "injector", "set", "main", "--ratio", "1:320", "--at", "2026-03-01T06:00")  # before the first reading
    told = lines(run(site, "trend", "bench-1", "--json"))
    assert [(line["event"], line["words"]) for line in told if "event" in line] == [("injector", "main 1:275 to")]


@each(
    ("words", "found"),
    [
        (("--ratio", "1 by 320"), "1 by 320"),
        (("--ratio", "1:1"), "1:1"),
        (("--ratio", "1:320", "--batch", "S-9"), "S-9"),
        (("--ratio", "1:320", "--flow", "20 gal"), "gal"),
        (("--ratio", "1:320", "--at", "2999-01-01T06:00"), "2999"),
    ],
)
def test_settings_that_cannot_be_are_told_and_nothing_is_entered(site, words, found):
    run(site, "batch", "generate", "C-1", "--water", "20 L")
    result = run(site, "injector", "set", "main", *words)
    assert result.exit_code in (1, 2)
    said = dict(line.split(":", 1) for line in result.stderr.splitlines())
    assert set(said) == {"expected", "found", "what to do"}
    assert found in said["found"]
    assert not lines(run(site, "injector", "list", "--json"))


def test_an_unknown_batch_is_told_with_the_known_ones(site):
    run(site, "batch", "generate", "C-1", "--water", "20 L")
    result = run(site, "injector", "set", "main", "--ratio", "1:320", "--batch", "S-9")
    assert result.exit_code == 2
    assert "C-1" in result.stderr


def test_notes_are_listed_by_log_with_what_they_are_about(site):
    run(site, "injector", "set", "main", "--ratio", "1:320")
    (setting,) = lines(run(site, "injector", "list", "--json"))
    assert run(site, "note", "filter changed", "--tag", "filter", "--tag", "well").exit_code == 0
    assert run(site, "note", "dial was loose", "--about", setting["entry"]).exit_code == 0
    later, earlier = lines(run(site, "log", "--kind", "note", "--json"))
    assert (later["text"], later["about"], later["entry"]["who"]) == ("dial was loose", setting["entry"], "Ana")
    assert (earlier["text"], earlier["about"], earlier["tags"]) == ("filter changed", None, ["filter", "well"])
    shown = run(site, "log", "--kind", "note").stdout
    assert f"note {setting['entry']}: dial was loose" in shown


@each("words", [("x", "--about", 99), ("  ",), ("x", "--tag", " ")])
def test_notes_that_cannot_be_are_told_and_nothing_is_entered(site, words):
    run(site, "injector", "set", "main", "--ratio", "1:320")
    result = run(site, "note", *words)
    assert result.exit_code in (1, 2)
    assert [line.split(":")[0] for line in result.stderr.splitlines()] == ["expected", "found", "what to do"]
    assert not run(site, "log", "--kind", "note", "--json").stdout
