"""Lot and card files that were accepted: a file that was changed since is seen, by reading and by verification."""

import json
import shutil
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner, Result

from stripread.card import load_card, save_card
from stripread.cli.app import app
from stripread.files import write_file

ROOT = Path(__file__).parents[2]
SAMPLES = ROOT / "sample_images"


def run(*arguments: object, who: str = "Ana") -> Result:
    return CliRunner().invoke(app, [str(a) for a in arguments], env={"STRIPREAD_WHO": who})


def read(site: Path, *, record: bool = True) -> dict[str, Any]:
    """Read a sample photo, whose bytes are others each time: no photo may be used twice."""
    photo = site.parent / "photo.jpg"
    before = photo.read_bytes() if photo.exists() else (SAMPLES / "line-good.jpg").read_bytes()
    photo.write_bytes(before + b"\0")
    done = run("read", photo, "--sample", "line", "--lot", "UL-2603", "--json", "--site", site,
               *(["--record"] if record else []))  # fmt: skip
    said: dict[str, Any] = json.loads(done.stdout)
    return said


def codes(said: dict[str, Any]) -> dict[str, str]:
    wanted = ("file_not_accepted", "file_never_accepted")
    return {f["code"]: f["severity"] for f in said["findings"] if f["code"] in wanted}


def change(file: Path, *keys: Any, to: Any) -> None:
    """Change one value of a lot file, as a text editor would."""
    data = json.loads(file.read_bytes())
    place = data
    for key in keys[:-1]:
        place = place[key]
    place[keys[-1]] = to(place[keys[-1]]) if callable(to) else to
    write_file(file, json.dumps(data, indent=1) + "\n")


def curve_moved(site: Path) -> None:
    lot = json.loads((site / "UL-2603/lot.json").read_bytes())
    key = next(k for k, v in lot["pads"][0]["curve"].items() if isinstance(v, list))
    change(site / "UL-2603/lot.json", "pads", 0, "curve", key, to=lambda values: _moved(values))


def _moved(values: Any) -> Any:
    first = values[0]
    return [_moved(first) if isinstance(first, list) else first + 0.25, *values[1:]]


@pytest.fixture
def site(tmp_path: Path) -> Path:
    """The demo site, with a record and nothing accepted."""
    site = tmp_path / "site"
    (site / "UL-2603").mkdir(parents=True)
    for name in ("site.toml", "card-print-a.toml", "UL-2603/lot.json"):
        shutil.copy(ROOT / "calibration" / name, site / name)
    text = (site / "site.toml").read_text(encoding="utf-8")
    lines = [line for line in text.splitlines() if not line.startswith(('"WR-', '"CP-'))]
    (site / "site.toml").write_text("\n".join(lines) + "\n", encoding="utf-8")
    return site


@pytest.fixture
def accepted(site: Path) -> Path:
    assert run("lot", "accept", "UL-2603", "--note", "report of 4 May", "--site", site).exit_code == 0
    assert run("card", "accept", "card-print-a", "--site", site).exit_code == 0
    return site


def test_where_nothing_was_accepted_readings_say_so_and_stay_valid(site: Path) -> None:
    said = read(site)
    assert said["validity"] == "valid"
    assert codes(said) == {"file_never_accepted": "info"}
    assert codes(read(site, record=False)) == {}  # as it was: nothing was ever told of the files


def test_an_accepted_file_is_read_without_a_word(accepted: Path) -> None:
    for record in (True, False):
        said = read(accepted, record=record)
        assert (said["validity"], codes(said)) == ("valid", {})
    assert run("records", "verify", "--site", accepted).exit_code == 0


@pytest.mark.parametrize("record", [True, False])
@pytest.mark.parametrize("what", ["curve", "expires", "number", "space"])
def test_a_changed_lot_file_gives_no_valid_reading(accepted: Path, what: str, record: bool) -> None:
    file = accepted / "UL-2603/lot.json"
    if what == "curve":
        curve_moved(accepted)
    elif what == "expires":
        change(file, "expires", to="2099-12-31")
    elif what == "number":
        change(file, "number", to="UL-9999")  # under which nothing was ever accepted
    else:
        file.write_bytes(file.read_bytes() + b"\n")
    said = read(accepted, record=record)
    assert codes(said) == {"file_not_accepted": "error"}
    assert said["validity"] == "invalid"
    assert said["pads"][0]["value"] is None
    verified = run("records", "verify", "--site", accepted)
    assert verified.exit_code == 3
    assert "UL-2603/lot.json" in verified.stdout
    assert "accepted" in verified.stdout


def test_a_changed_card_file_gives_no_valid_reading(accepted: Path) -> None:
    file = accepted / "card-print-a.toml"
    text = file.read_text(encoding="utf-8")
    write_file(file, f"# a remark changes nothing\n{text}")
    assert codes(read(accepted)) == {}
    assert run("records", "verify", "--site", accepted).exit_code == 0
    write_file(file, text.replace("u_lab = 0.25", "u_lab = 0.01"))
    assert text != file.read_text(encoding="utf-8")
    assert codes(read(accepted)) == {"file_not_accepted": "error"}
    verified = run("records", "verify", "--site", accepted)
    assert (verified.exit_code, "card-print-a.toml" in verified.stdout) == (3, True)


def test_a_print_of_another_name_in_its_place_is_seen(accepted: Path) -> None:
    card = load_card(accepted / "card-print-a.toml")
    text = (accepted / "card-print-a.toml").read_text(encoding="utf-8")
    write_file(accepted / "card-print-a.toml", text.replace(f'name = "{card.name}"', 'name = "other"', 1))
    assert codes(read(accepted)) == {"file_not_accepted": "error"}


def test_a_card_spelt_in_another_way_by_a_later_version_is_the_same(
    accepted: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from stripread.card.layout import card_text

    for place in ("stripread.records.acceptance.card_text", "stripread.workflow.kept_files.card_text"):
        monkeypatch.setattr(place, lambda card: "# spelt anew\n" + card_text(card))
    assert codes(read(accepted)) == {}


@pytest.mark.parametrize("asked", [True, False])
def test_a_lot_that_nobody_accepted_is_doubtful_where_the_site_asks_for_it(accepted: Path, asked: bool) -> None:
    if asked:
        with (accepted / "site.toml").open("a", encoding="utf-8") as file:
            file.write("\n[acceptance]\n")
    (accepted / "UL-2700").mkdir()
    shutil.copy(accepted / "UL-2603/lot.json", accepted / "UL-2700/lot.json")
    change(accepted / "UL-2700/lot.json", "number", to="UL-2700")
    photo = accepted.parent / "p.jpg"
    photo.write_bytes((SAMPLES / "line-good.jpg").read_bytes() + b"\1")
    lot = accepted / "UL-2700/lot.json"
    said = json.loads(run("read", photo, "--sample", "line", "--lot", lot, "--json", "--site", accepted).stdout)
    due = ("doubtful", {"file_never_accepted": "warning"}) if asked else ("valid", {})
    assert (said["validity"], codes(said)) == due


def test_a_new_calibration_is_accepted_in_place_of_the_old(accepted: Path) -> None:
    old = (accepted / "UL-2603/lot.json").read_bytes()
    curve_moved(accepted)
    done = run("lot", "accept", "UL-2603", "--site", accepted, who="Ben")
    assert done.exit_code == 0
    assert "in place of the file that Ana accepted" in done.stderr
    assert codes(read(accepted)) == {}
    assert run("records", "verify", "--site", accepted).exit_code == 0
    kept = next(line for line in done.stderr.split() if line.startswith("lots/"))
    assert (accepted / kept).read_bytes() == old  # the record keeps what held before
    (accepted / "UL-2603/lot.json").write_bytes(old)
    assert codes(read(accepted)) == {"file_not_accepted": "error"}


def test_accepted_twice_it_is_entered_once(accepted: Path) -> None:
    done = run("lot", "accept", "UL-2603", "--site", accepted)
    assert "already" in done.stderr
    listed = run("log", "--kind", "lot_accepted", "--json", "--site", accepted)
    assert len(listed.stdout.splitlines()) == 1


def test_a_withdrawn_acceptance_counts_no_longer(accepted: Path) -> None:
    (line,) = run("log", "--kind", "lot_accepted", "--json", "--site", accepted).stdout.splitlines()
    entry = json.loads(line)
    seq = entry["entry"]["seq"] if isinstance(entry["entry"], dict) else entry["entry"]
    done = run("records", "correct", seq, "--withdraw", "--why", "the wrong series", "--site", accepted)
    assert done.exit_code == 0, done.output
    assert codes(read(accepted)) == {"file_never_accepted": "info"}


def test_the_site_may_ask_for_a_second_person(site: Path) -> None:
    with (site / "site.toml").open("a", encoding="utf-8") as file:
        file.write("\n[acceptance]\nsecond_person = true\n")
    for who in ("Ana", "Ben"):
        run("card", "accept", "card-print-a", "--site", site, who=who)
    first = run("lot", "accept", "UL-2603", "--site", site)
    assert "second person" in first.stderr
    assert "second person" in run("lot", "accept", "UL-2603", "--site", site, who="ana").stderr  # she is the first
    said = read(site)
    assert codes(said) == {"file_never_accepted": "warning"}
    assert said["validity"] == "doubtful"
    assert "second person" not in run("lot", "accept", "UL-2603", "--site", site, who="Ben").stderr
    assert codes(read(site)) == {}
    good = (site / "UL-2603/lot.json").read_bytes()
    curve_moved(site)
    run("lot", "accept", "UL-2603", "--site", site, who="Ben")  # one alone puts none in its place
    assert codes(read(site))["file_not_accepted"] == "error"
    (site / "UL-2603/lot.json").write_bytes(good)
    assert "file_not_accepted" not in codes(read(site))


def test_a_file_that_is_gone_is_told_by_verification(accepted: Path) -> None:
    (accepted / "UL-2603/lot.json").unlink()
    verified = run("records", "verify", "--site", accepted)
    assert (verified.exit_code, "UL-2603/lot.json" in verified.stdout) == (3, True)


def test_a_lot_that_the_site_no_longer_names_may_go(accepted: Path) -> None:
    text = (accepted / "site.toml").read_text(encoding="utf-8")
    write_file(accepted / "site.toml", text.replace('"UL-2603" = "UL-2603/lot.json"\n', ""))
    shutil.rmtree(accepted / "UL-2603")
    assert run("records", "verify", "--site", accepted).exit_code == 0


def test_another_file_named_in_the_site_file_is_told(accepted: Path) -> None:
    shutil.copytree(accepted / "UL-2603", accepted / "elsewhere")
    change(accepted / "elsewhere/lot.json", "expires", to="2099-12-31")
    text = (accepted / "site.toml").read_text(encoding="utf-8")
    write_file(accepted / "site.toml", text.replace('"UL-2603/lot.json"', '"elsewhere/lot.json"'))
    assert codes(read(accepted)) == {"file_not_accepted": "error"}
    verified = run("records", "verify", "--site", accepted)
    assert (verified.exit_code, "elsewhere/lot.json" in verified.stdout) == (3, True)


def test_a_wrong_key_is_refused(site: Path) -> None:
    with (site / "site.toml").open("a", encoding="utf-8") as file:
        file.write("\n[acceptance]\nsecond_persn = true\n")
    done = run("lot", "accept", "UL-2603", "--site", site)
    assert done.exit_code == 1
    assert "second_persn" in done.stderr


def test_save_card_stays_what_it_was(tmp_path: Path) -> None:
    card = load_card(ROOT / "calibration/card-print-a.toml")
    save_card(card, tmp_path / "card.toml")
    assert (tmp_path / "card.toml").read_bytes() == (ROOT / "calibration/card-print-a.toml").read_bytes()
