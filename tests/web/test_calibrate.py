"""Calibrations with known solutions, of several pads and of flash pairs; what becomes of a fit that is stopped."""

import hashlib
import json
import os
import re
import time
from dataclasses import replace

import numpy as np
import pytest
from PIL import ExifTags, Image
from starlette.testclient import TestClient

from stripread.calibrate import load_series
from stripread.lot import load_lot, save_lot
from stripread.web import Settings, create_app
from stripread.web.calibration.drafts import DraftPhoto, Drafts
from stripread.web.calibration.fits import Fits
from stripread.web.calibration.fitting import fit_paths, series_csv, series_of
from tests.listed import each
from tests.web.conftest import ROOT, csrf_of, sign_in
from tests.web.slow_fit import die_at_once, take_for_ever

LOT = {"number": "X-1", "expires": "2028-01-31", "card": "card-print-a", "strips": "2", "lights": "1"}
CHLORINE, PH = ("0", "0.5", "1.5", "3", "5"), ("6.2", "6.6", "6.9", "7.2", "7.5")
CLO2 = {0: "0", 1: "0.1", 2: "0.2", 4: "0.5", 5: "1"}
AT = "2026-04-14T08:10:00+00:00"
STRIPS = [(level, strip) for level in range(5) for strip in ((1, 2) if level % 2 == 0 else (1,))]


def token(client):
    return csrf_of(client.get("/lots/new").text)


def begin_known(client, strip_kind, solutions, **more):
    """``solutions``: for each the value of each pad, None where it is not known."""
    fields = {"csrf": token(client), **LOT, "kind": strip_kind}
    for index, values in enumerate(solutions, start=1):
        for place, value in enumerate(values):
            if value is not None:
                fields[f"value-{index}-{place}"] = value
                fields[f"u-{index}-{place}"] = "0.02" if float(value) > 6 else f"{0.01 * float(value):g}"
    return client.post("/lots/new/known", data=fields | more)


def send(client, where, level, strip, *files):
    names = ("photo", "flash")
    return client.post(
        f"{where}/photo",
        data={"csrf": token(client), "level": str(level + 1), "strip": str(strip)},
        files={name: ("x.jpg", path.read_bytes(), "image/jpeg") for name, path in zip(names, files, strict=False)},
    )


def photo(lot, level, strip, light=1):
    return ROOT / "calibration" / lot / f"level{level:02d}-strip{strip}-light{light}.jpg"


def fitted(client, where, patience_s=180):
    until = time.monotonic() + patience_s
    client.get(where)
    while not client.get(f"{where}/state").json()["done"]:
        assert time.monotonic() < until
        time.sleep(0.1)
    return client.get(where).text


def accept(client, where, page):
    signature = re.search(r'name="fit" value="([0-9a-f]+)"', page)[1]
    return client.post(f"{where}/accept", data={"csrf": token(client), "fit": signature})


def kept(data, level, strip, **more):
    return DraftPhoto(
        sha256=hashlib.sha256(data).hexdigest(), suffix=".jpg", level=level, strip=strip, at=AT, who="Sol", **more
    )


def put(client, where, lot, numbers, strips):
    """Put photos there without sending them; ``numbers`` are those of the levels in the lot's series."""
    for level, strip in strips:
        data = photo(lot, numbers[level], strip).read_bytes()
        client.app.state.drafts.add_photo(where.rsplit("/", 1)[1], kept(data, level, strip), data)


class TestKnownSolutions:
    def test_a_kind_of_several_pads_one_without_a_zero(self, signed_in, site):
        client = signed_in("Sol")
        page = client.get("/lots/new/known", params={"kind": "chlorine-ph-duo", "levels": "5"}).text
        assert page.count('name="value-') == 10
        where = begin_known(client, "chlorine-ph-duo", zip(CHLORINE, PH, strict=True)).headers["location"]
        page = client.get(where).text
        assert "6.6 ± 0.02 pH (k = 1)" in page
        assert "Next: level 0 mg/L · 6.2 pH, strip 1." in page
        assert send(client, where, 0, 1, photo("CP-2602", 0, 1)).status_code == 303
        assert "Next: level 0 mg/L · 6.2 pH, strip 2." in client.get(where).text
        put(client, where, "CP-2602", range(5), STRIPS[1:])
        page = fitted(client, where)
        assert page.count('<img src="data:image/png') == 6  # three of each pad
        assert accept(client, where, page).headers["location"] == "/lots/X-1"
        lot = load_lot(site / "lots" / "X-1" / "lot.json")
        assert [(pad.pad, len(pad.calibrators)) for pad in lot.pads] == [("chlorine", 8), ("ph", 8)]
        assert (lot.pad("ph").curve.low, lot.pad("ph").curve.top) == (6.2, 7.5)
        assert {c.u_concentration for c in lot.pad("ph").calibrators} == {0.02}
        rows = load_series(site / "lots" / "X-1" / "series.csv")
        assert {row.pad for row in rows} == {"chlorine", "ph"}
        assert [row.concentration for row in rows[:2]] == [0, 6.2]

    def test_what_is_not_known_for_a_pad_does_not_count_for_it(self, signed_in, site):
        client = signed_in("Sol")
        solutions = [*zip(CHLORINE, PH, strict=True)]
        solutions[1] = (None, PH[1])
        where = begin_known(client, "chlorine-ph-duo", solutions).headers["location"]
        drafts = Drafts(site)
        for level, strip in STRIPS:
            data = f"{level} {strip}".encode()
            drafts.add_photo(where.rsplit("/", 1)[1], kept(data, level, strip), data)
        assert "It is fitted as soon as each pad has five levels" in client.get(where).text  # chlorine has four
        (draft,) = drafts.every()
        assert [len([r for r in series_of(draft, site) if r.pad == pad]) for pad in ("chlorine", "ph")] == [7, 8]

    @each(
        "wrong",
        [
            {"value-1-0": "x"},
            {"u-1-0": ""},
            {"value-1-0": "", "u-1-0": "1"},
            {"value-2-0": "0", "value-2-1": "6.2"},  # as the first
            {"kind": "nothing"},
            {"number": "UL-2603"},
        ],
    )
    def test_what_makes_no_plan_is_refused(self, signed_in, site, wrong):
        client = signed_in("Sol")
        assert begin_known(client, "chlorine-ph-duo", zip(CHLORINE, PH, strict=True), **wrong).status_code == 400
        assert begin_known(client, "chlorine-ph-duo", []).status_code == 400
        assert not (site / "drafts").exists()


def test_a_draft_of_an_older_version_is_still_one(site):
    said = {
        "id": "a" * 32, "number": "UL-1", "kind": "clo2-ultralow", "card": "card-print-a", "expires": "2028-01-31",
        "by": "Sol", "at": "2026-04-14T08:00:00+00:00", "unit": "mg/L", "standard": 50.0, "u_standard": 0.5,
        "total_ml": 100.0, "strips": 2, "lights": 1, "intermediates": [],
        "levels": [
            {"name": "0", "take_ml": 0.0, "water_ml": 100.0, "source": "", "concentration": 0.0, "u": 0.0,
             "beyond": False},
            {"name": "1", "take_ml": 2.0, "water_ml": 98.0, "source": "standard", "concentration": 1.0, "u": 0.02,
             "beyond": False},
        ],
        "photos": [
            {"sha256": "b" * 64, "suffix": ".jpg", "level": 1, "strip": 2, "at": AT,
             "who": "Sol", "doubts": [], "left_out_by": None},
        ],
        "state": "open", "closed_by": None, "closed_at": None, "why": "",
    }  # fmt: skip
    folder = site / "drafts" / said["id"]
    folder.mkdir(parents=True)
    (folder / "draft.json").write_text(json.dumps(said), encoding="utf-8")
    draft = Drafts(site).find(said["id"])
    assert draft is not None
    assert draft.label(1) == "1 mg/L"
    assert not draft.enough()
    (row,) = series_of(draft, folder)
    assert (row.concentration, row.replicate, row.pad) == (1.0, "2", None)
    # Of the 2 % of the level 1 % is the standard's, which all levels share.
    assert row.u_stock == pytest.approx(0.01)
    assert np.hypot(row.u_concentration, row.u_stock * row.concentration) == pytest.approx(0.02)


def with_photos(client):
    """A draft of ready standards with photos enough."""
    where = begin_known(client, "clo2-ultralow", [(value,) for value in CLO2.values()]).headers["location"]
    put(client, where, "UL-2603", list(CLO2), STRIPS)
    return where


@pytest.mark.parametrize(("loq", "warned"), [(0.09, False), (None, True)])
def test_a_curve_without_a_loq_is_warned_of(signed_in, site, loq, warned):
    """Where strips of two levels were mixed up and there are few, all seem to scatter, and no strip is named."""
    client = signed_in("Sol")
    where = with_photos(client)
    (draft,) = Drafts(site).every()
    lot = load_lot(site / "UL-2603" / "lot.json")
    (pad,) = lot.pads
    save_lot(
        replace(lot, pads=(replace(pad, loq=replace(pad.loq, value=loq)),)),
        fit_paths(site / "drafts" / draft.id, draft)[0],
    )
    page = client.get(where).text
    assert "Accept the lot" in page
    assert ("▲ No LOQ: strips scatter so much" in page) == warned


@pytest.fixture
def pair(tmp_path):
    """A photo twice, the second as if its shutter had been open for a fifth of the time: in five times the light."""
    files = []
    for name, seconds in (("plain", 0.01), ("flash", 0.002)):
        with Image.open(photo("UL-2603", 4, 1)) as picture:
            exif = picture.getexif()
            exif.get_ifd(ExifTags.IFD.Exif).update(
                {
                    ExifTags.Base.ExposureTime: seconds,
                    ExifTags.Base.FNumber: 1.8,
                    ExifTags.Base.ISOSpeedRatings: 100,
                    ExifTags.Base.Flash: int(name == "flash"),
                }
            )
            files.append(tmp_path / f"{name}.jpg")
            picture.save(files[-1], exif=exif, quality=90)
    return tuple(files)


class TestFlashPairs:
    def test_each_photo_comes_with_its_second_one(self, signed_in, site, pair):
        client = signed_in("Sol")
        solutions = [(value,) for value in CLO2.values()]
        where = begin_known(client, "clo2-ultralow", solutions, flash="yes").headers["location"]
        assert 'name="flash"' in client.get(where).text
        alone = send(client, where, 3, 1, pair[0])
        assert "a second photo, with the flash" in alone.text
        assert "This photo was not kept" in send(client, where, 3, 1, pair[0], pair[0]).text
        sent = send(client, where, 3, 1, *pair)
        assert sent.status_code == 303, sent.text
        for double in (pair, pair[::-1]):
            assert "that of level 0.5 mg/L, strip 1" in send(client, where, 3, 2, *double).text
        (draft,) = Drafts(site).every()
        folder = site / "drafts" / draft.id
        (folder / "series.csv").write_text(series_csv(series_of(draft, folder), beside=folder), encoding="utf-8")
        (row,) = load_series(folder / "series.csv")
        assert (row.photo.read_bytes(), row.flash.read_bytes()) == tuple(file.read_bytes() for file in pair)


class TestStoppedFits:
    def test_a_fit_that_is_killed_is_tried_once_more_then_told_and_begun_again_by_the_next_start(self, site):
        app = create_app(Settings(folder=site, workers=1))
        app.state.fits = Fits(site, app.state.drafts, work=die_at_once)
        with TestClient(app, follow_redirects=False) as client:
            sign_in(client, "Sol")
            where = with_photos(client)
            page = fitted(client, where)
            assert "one that stopped twice before it was done" in page
            assert "Accept the lot" not in page
            assert len((site / "tries").read_text(encoding="utf-8").splitlines()) == 2
        with TestClient(create_app(Settings(folder=site, workers=1)), follow_redirects=False) as client:
            until = time.monotonic() + 180
            while not list((site / "drafts").rglob("fit-*.json")):  # nobody looks at its page
                assert time.monotonic() < until
                time.sleep(0.1)
            sign_in(client, "Sol")
            assert accept(client, where, client.get(where).text).headers["location"] == "/lots/X-1"
        (pad,) = load_lot(site / "lots" / "X-1" / "lot.json").pads
        assert sorted({c.concentration for c in pad.calibrators}) == [0, 0.1, 0.2, 0.5, 1]
        assert "pad" not in (site / "lots" / "X-1" / "series.csv").read_text(encoding="utf-8").splitlines()[0]

    def test_a_running_fit_does_not_hold_up_the_end_of_the_server(self, site):
        app = create_app(Settings(folder=site, workers=1))
        app.state.fits = Fits(site, app.state.drafts, work=take_for_ever)
        with TestClient(app, follow_redirects=False) as client:
            sign_in(client, "Sol")
            where = with_photos(client)
            assert "The curve is being fitted" in client.get(where).text
            until = time.monotonic() + 180
            while not (site / "pid").exists() or not (site / "pid").read_text(encoding="utf-8"):
                assert time.monotonic() < until
                time.sleep(0.1)
            began = time.monotonic()
        assert time.monotonic() - began < 300  # of the ten minutes that the fit would take
        with pytest.raises(ProcessLookupError):
            os.kill(int((site / "pid").read_text(encoding="utf-8")), 0)
