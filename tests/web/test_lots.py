"""The supervisor's lots: what the list and a lot's page say, and the calibration of a lot from photos."""

import re
import time

from stripread.calibrate import load_series
from stripread.lot import load_lot
from stripread.records import open_records
from tests.listed import each
from tests.web.conftest import ROOT, csrf_of

SERIES = ROOT / "calibration" / "UL-2603"


class TestLots:
    def test_the_list_shows_each_lot_with_kind_expiry_limits_and_checks(self, signed_in):
        page = signed_in("Sol").get("/lots").text
        for name, kind in {"UL-2603": "clo2-ultralow", "WR-2601": "clo2-wide", "CP-2602": "chlorine-ph-duo"}.items():
            assert name in page
            assert kind in page
        assert "LOD 0.0" in page
        assert page.count("Check standards: none that counts yet") == 4  # a pad each, and the duo has two

    def test_a_damaged_lot_is_shown_with_its_reason_and_the_others_all_the_same(self, signed_in, site):
        (site / "WR-2601" / "lot.json").write_text("{}", encoding="utf-8")
        client = signed_in("Sol")
        page = client.get("/lots").text
        assert "Its file cannot be used" in page
        assert "a lot file of format" in page
        assert "UL-2603" in page
        (site / "UL-2603" / "verification.csv").write_text("no record", encoding="utf-8")
        assert client.get("/lots").status_code == 200
        assert "a record of checks" in client.get("/lots/UL-2603").text

    def test_an_expired_lot_says_so(self, signed_in, site):
        path = site / "UL-2603" / "lot.json"
        path.write_text(path.read_text(encoding="utf-8").replace('"expires": "2027', '"expires": "2020'), "utf-8")
        client = signed_in("Sol")
        assert "▲ EXPIRED since 2020" in client.get("/lots").text
        assert "▲ EXPIRED since 2020" in client.get("/lots/UL-2603").text

    def test_a_lot_has_curve_and_residuals_as_pictures_and_as_a_table(self, signed_in):
        page = signed_in("Sol").get("/lots/UL-2603").text
        assert page.count('<img src="data:image/png') == 3
        assert "<caption>Levels of the series" in page
        for level in ("0.06", "0.15", "0.3", "0.6", "1.2", "2.5"):
            assert f'<th scope="row" class="number">{level}</th>' in page
        assert "LOQ" in page

    @each("name", ["%2E%2E%2Fsite", "UL-2603%2Flot.json", "nothing"])
    def test_a_lot_is_a_name_and_never_a_path(self, signed_in, name):
        assert signed_in("Sol").get(f"/lots/{name}").status_code == 404

    @each("name", ["Ines", "Gus"])
    def test_it_is_the_supervisors(self, signed_in, name):
        client = signed_in(name)
        assert client.get("/lots").status_code == 403
        assert client.get("/lots/UL-2603").status_code == 403


def test_words_from_elsewhere_are_no_markup_and_may_hold_a_percent_sign(client):
    from starlette.requests import Request

    from stripread.errors import WrongUsageError
    from stripread.web.render import render

    request = Request({"type": "http", "method": "GET", "path": "/", "headers": [], "app": client.app})
    error = WrongUsageError(expected="100 %", found="<b>", remedy="Print <i>at 100 %, please.")
    page = bytes(render(request, "refused.html", error=error).body).decode()
    assert "Print &lt;i&gt;at 100 %, please." in page


class TestCalibration:
    """UL-2603 anew: two strips of each level in one light, 14 photos of the simulated series."""

    LEVELS = ("0", "0.1", "0.2", "0.3", "0.5", "1", "2.5")

    def begin(self, client, **more):
        said = {
            "number": "UL-9",
            "kind": "clo2-ultralow",
            "expires": "2028-01-31",
            "card": "card-print-a",
            "standard": "50",
            "u_standard": "0,5",
            "total_ml": "200",
            "levels": " ".join(self.LEVELS),
            "strips": "2",
            "lights": "1",
        }
        token = csrf_of(client.get("/lots/new").text)
        return client.post("/lots/new", data={"csrf": token, **said, **more})

    def send(self, client, where, level, strip, data=None):
        photo = SERIES / f"level{level:02d}-strip{strip}-light1.jpg"
        return client.post(
            f"{where}/photo",
            data={"csrf": self.token(client), "level": str(level + 1), "strip": str(strip)},
            files={"photo": ("../../evil.jpg", photo.read_bytes() if data is None else data, "image/jpeg")},
        )

    def send_levels(self, client, where, levels):
        for level in levels:
            for strip in (1, 2):
                sent = self.send(client, where, level, strip)
                assert sent.status_code == 303, sent.text

    def token(self, client):
        return csrf_of(client.get("/lots/new").text)

    def fitted(self, client, where):
        until = time.monotonic() + 180
        client.get(where)
        while not client.get(f"{where}/state").json()["done"]:
            assert time.monotonic() < until
            time.sleep(0.1)
        return client.get(where).text

    def test_from_the_plan_to_the_accepted_lot(self, signed_in, site):
        client = signed_in("Sol")
        before = (site / "site.toml").read_text(encoding="utf-8")
        where = self.begin(client).headers["location"]
        page = client.get(where).text
        # 4 mL of one in ten: u = 0.1 sqrt(0.01^2 + (0.9^2 + 0.98^2) 2e-4) = 0.00213
        row = re.search(r"<li><strong>Level 0.1</strong>(.*?)</li>", page, re.DOTALL)[1]
        said = re.findall(r"<p[^>]*>([^<]*)</p>", row)
        assert said == ["4 mL of D1 + 196 mL of water", "= 0.1 ± 0.0021 mg/L (k = 1)"]
        assert "Next: level 0 mg/L, strip 1" in page
        self.send_levels(client, where, range(3))
        page = client.get(where).text
        assert "It is fitted as soon as" in page
        assert "Next: level 0.3 mg/L, strip 1" in page
        self.send_levels(client, where, range(3, 7))
        page = self.fitted(client, where)
        assert "All planned photos are here" in page
        assert page.count('<img src="data:image/png') == 3
        assert "LOQ" in page

        doubled = self.send(client, where, 3, 1)
        assert doubled.status_code == 400
        assert "This photo was not kept" in doubled.text
        assert self.send(client, where, 3, 1, b"no photo").status_code == 400

        signature = re.search(r'name="fit" value="([0-9a-f]+)"', page)[1]
        assert client.post(f"{where}/accept", data={"csrf": self.token(client), "fit": "0" * 16}).status_code == 400
        done = client.post(f"{where}/accept", data={"csrf": self.token(client), "fit": signature})
        assert done.headers["location"] == "/lots/UL-9"
        assert "clo2-ultralow" in client.get("/lots/UL-9").text
        lot = load_lot(site / "lots" / "UL-9" / "lot.json")
        assert lot.number == "UL-9"
        assert lot.expires.isoformat() == "2028-01-31"
        assert len(lot.pads[0].calibrators) == 14
        after = (site / "site.toml").read_text(encoding="utf-8")
        assert after.replace('UL-9 = "lots/UL-9/lot.json"\n', "") == before
        assert len(load_series(site / "lots" / "UL-9" / "series.csv")) == 14
        with open_records(site) as records:
            (accepted,) = records.entries(kind="lot_accepted", subject="UL-9")
            (entry,) = records.entries(kind="lot", subject="UL-9")
            assert (accepted.who, accepted.payload["sha256"]) == ("Sol", entry.payload["sha256"])
        assert (entry.who, entry.payload["accepted_by"]) == ("Sol", "Sol")
        assert entry.payload["sha256"] == lot.sha256
        assert "Accepted by Sol" in client.get(where).text
        assert self.send(client, where, 0, 3).status_code == 400  # it is closed
        assert self.begin(client).status_code == 400  # the number is taken
        self.anew(client, site, lot)
        names = [path.name for path in (site / "drafts").rglob("*") if path.is_file()]
        assert not [name for name in names if "evil" in name]
        assert "✔ accepted" in client.get("/lots/drafts").text

    def anew(self, client, site, before):
        """A lot that went wrong is calibrated again under the number on its vial."""
        where = self.begin(client, again="yes", expires="2028-02-29").headers["location"]
        second = self.begin(client, again="yes")
        assert second.status_code == 400
        assert "under way" in second.text
        self.send_levels(client, where, range(7))
        signature = re.search(r'name="fit" value="([0-9a-f]+)"', self.fitted(client, where))[1]
        assert client.post(f"{where}/accept", data={"csrf": self.token(client), "fit": signature}).status_code == 303
        now = load_lot(site / "lots" / "UL-9" / "lot.json")
        assert now.expires.isoformat() == "2028-02-29"
        assert load_lot(site / "lots" / f"{before.sha256}.json").expires.isoformat() == "2028-01-31"
        with open_records(site) as records:
            known = [entry.payload["sha256"] for entry in records.entries(kind="lot", subject="UL-9")]
        assert sorted(known) == sorted([before.sha256, now.sha256])

    def test_a_lot_that_is_kept_by_hand_is_not_replaced_by_the_page(self, signed_in):
        refused = self.begin(signed_in("Sol"), number="UL-2603", again="yes")
        assert refused.status_code == 400
        assert "kept elsewhere" in refused.text

    def test_a_series_that_gives_no_curve_says_why_and_is_rejected_without_loss(self, signed_in, site):
        client = signed_in("Sol")
        where = self.begin(client).headers["location"]
        shown = {0: 0, 1: 1, 2: 6, 3: 3, 4: 4}  # at 0.2 mg/L lie strips of 2.5
        for level, photo in shown.items():
            for strip in (1, 2) if level < 3 else (1,):
                data = (SERIES / f"level{photo:02d}-strip{strip}-light1.jpg").read_bytes()
                assert self.send(client, where, level, strip, data).status_code == 303
        page = self.fitted(client, where)
        assert "No curve may be trusted" in page
        assert "What to do" in page
        assert "Accept the lot" not in page
        photo = re.search(r'name="photo" value="([0-9a-f]{64})"', page)[1]
        client.post(f"{where}/leave-out", data={"csrf": self.token(client), "photo": photo, "out": "yes"})
        assert "left out by Sol" in client.get(where).text
        assert client.post(f"{where}/reject", data={"csrf": self.token(client), "why": ""}).status_code == 400
        client.post(f"{where}/reject", data={"csrf": self.token(client), "why": "wrong dilution"})
        assert "Rejected by Sol" in client.get(where).text
        assert len(list((site / "drafts").rglob("*.jpg"))) == 8
        assert not (site / "lots" / "UL-9").exists()

    def test_a_photo_that_comes_during_a_fit_is_fitted_next_without_loading_the_page(self, signed_in):
        client = signed_in("Sol")
        where = self.begin(client).headers["location"]
        fits, draft_id = client.app.state.fits, where.rsplit("/", 1)[1]
        fits._running[draft_id] = None  # a fit of the photos before is still at work
        for level, strip in ((0, 1), (0, 2), (2, 1), (2, 2), (4, 1), (4, 2), (5, 1), (6, 1)):
            assert self.send(client, where, level, strip).status_code == 303
        assert "The curve is being fitted" in client.get(where).text
        assert not client.get(f"{where}/state").json()["done"]
        del fits._running[draft_id]  # and is done with them
        until = time.monotonic() + 180
        while not client.get(f"{where}/state").json()["done"]:
            assert time.monotonic() < until, "nobody starts the next fit"
            time.sleep(0.1)

    def test_what_cannot_be_planned_is_refused(self, signed_in, site):
        client = signed_in("Sol")
        for wrong in (
            {"number": "../x"},
            {"number": ".."},
            {"number": "drafts"},
            {"number": "a/b"},
            {"number": "UL-2603"},
            {"number": ""},
            {"kind": "chlorine-ph-duo"},
            {"card": "../card-print-a.toml"},
            {"expires": "tomorrow"},
            {"standard": "nan"},
            {"standard": "1"},  # weaker than the strongest level
            {"levels": "0 1 x"},
            {"beyond": "0.1"},
        ):
            assert self.begin(client, **wrong).status_code == 400, wrong
        assert not (site / "drafts").exists()
