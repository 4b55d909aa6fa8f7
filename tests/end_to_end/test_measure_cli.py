"""``stripread measure`` as people type it: words, exit codes, JSON, and what other commands make of it."""

import json
from datetime import UTC, datetime

import pytest
from typer.testing import CliRunner

from stripread.cli.app import app
from stripread.records import Point, Stamp, open_records
from stripread.site import write_demo_site


@pytest.fixture(scope="module")
def site(tmp_path_factory):
    folder = tmp_path_factory.mktemp("measure") / "site"
    write_demo_site(folder)
    with open_records(folder, create=True) as records:
        records.add_point(Point(name="bench-1", sample="line"), Stamp(at=datetime(2026, 5, 4, tzinfo=UTC), who="Ana"))
    return folder


@pytest.fixture
def run(site):
    def command(*words: str):
        return CliRunner().invoke(app, [*words, "--site", str(site)], env={"STRIPREAD_WHO": "Ana"})

    return command


def test_it_says_the_verdict_and_what_was_assumed(run):
    good = run("measure", "chlorine dioxide", "0.41 mg/L", "--point", "bench-1", "--instrument", "photometer 2",
               "--u", "0.02 mg/L", "--at", "2026-05-05 09:30")  # fmt: skip
    assert good.exit_code == 0
    assert good.stdout.splitlines()[:2] == [
        "✔ WITHIN RANGE   [line at bench-1]", "  chlorine dioxide  0.41 mg/L, 95 % interval 0.37 to 0.45",
    ]  # fmt: skip
    assert "photometer 2" in good.stdout
    assert "assumed" not in good.stdout
    high = run("measure", "chlorine dioxide", "9 mg/L", "--point", "bench-1", "--by", "titration")
    assert high.exit_code == 3
    assert "taken as good to 10 %, and at least 0.02 mg/L" in " ".join(high.stdout.split())


def test_a_potential_may_be_negative_and_a_misspelt_option_is_not_one(run):
    assert run("measure", "ORP", "-50 mV", "--sample", "stock").exit_code == 0
    assert run("measure", "ORP", "650 mV", "--sampel", "stock").exit_code == 2


@pytest.mark.parametrize(
    ("words", "code"),
    [(("caesium", "3 mg/L", "--point", "bench-1"), 1), (("pH", "7"), 2), (("pH", "7", "--point", "bench-9"), 2),
     (("pH", "15", "--point", "bench-1"), 2), (("pH", "7", "--point", "bench-1", "--at", "2999-01-01 10:00"), 2),
     (("pH", "7", "--point", "bench-1", "--batch", "S-99"), 2), (("pH", "7", "--sample", "soup"), 1)],
)  # fmt: skip
def test_what_is_wrong_is_said(run, words, code):
    told = run("measure", *words)
    assert told.exit_code == code
    assert "what to do" in told.stderr


def test_json_has_the_keys_of_a_strip_and_the_log_finds_it(run):
    told = run("measure", "pH", "7.2", "--point", "bench-1", "--note", "probe cleaned", "--json")
    said = json.loads(told.stdout)
    assert (said["analyte"], said["value"], said["photo"], said["lot"]) == ("pH", 7.2, None, None)
    assert said["how"]["method"]["by"] == "meter"
    assert said["how"]["method"]["u_assumed"] is True
    assert said["remark"] == "probe cleaned"
    log = run("log", "--method", "meter", "--point", "bench-1")
    assert "pH 7.20 [meter]" in log.stdout
    assert "titration" not in log.stdout
    assert run("log", "--method", "eye").exit_code == 2
    trend = run("trend", "bench-1", "--analyte", "pH", "--json")
    assert all(json.loads(line)["analyte"] == "pH" for line in trend.stdout.splitlines())
    assert run("records", "verify").exit_code == 0
