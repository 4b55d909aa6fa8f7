"""What somebody would try who means ill: each was looked for, and those that worked were closed."""

import csv
import io
import zipfile
from concurrent.futures import ThreadPoolExecutor
from datetime import datetime, timedelta

from starlette.testclient import TestClient

from stripread.records import Batch, Stamp, import_records, open_records
from stripread.web import People, Settings, create_app
from tests.listed import each
from tests.web.conftest import QUICK, SECRET, STAMP, csrf_of, sign_in
from tests.web.test_log import enter

NOW = datetime.now().astimezone()
HOSTILE = "=cmd()|'<b>&amp;{{7*7}}%(x)s"


class TestHosts:
    """A name that somebody else owns can be pointed at this machine (DNS rebinding)."""

    @each("host", ["elsewhere.example", "elsewhere.example:8471", "localhost.elsewhere.example",
                                      "127.0.0.1.elsewhere.example", "", "a b", "[::1", "x@elsewhere.example", "x..",
                                      "elsewhere.example/local", "nursery.local.example"])  # fmt: skip
    def test_another_name_is_refused(self, client, host):
        for path in ("/sign-in", "/read/", "/static/sheet.css"):
            answer = client.get(path, headers={"host": host})
            assert answer.status_code == 421
            assert "location" not in answer.headers

    @each("host", ["127.0.0.1:8471", "localhost", "192.0.2.7:8471", "[::1]:8471", "nursery",
                                      "NURSERY.local:80", "pi.lan", "pi.home.arpa"])  # fmt: skip
    def test_the_house_reaches_it_by_address_and_by_its_own_names(self, client, host):
        assert client.get("/sign-in", headers={"host": host}).status_code == 200

    def test_the_name_that_the_server_was_told_and_any_over_tls(self, site):
        told = Settings(folder=site, workers=1, address="http://strips.nursery.example:8471")
        for settings, host in (
            (told, "strips.nursery.example:8471"),
            (Settings(folder=site, secure=True), "a.example"),
        ):
            with TestClient(create_app(settings), follow_redirects=False) as client:
                assert client.get("/sign-in", headers={"host": host}).status_code == 200
        with TestClient(create_app(told), follow_redirects=False) as client:
            assert client.get("/sign-in", headers={"host": "nursery.example"}).status_code == 421


class TestSigningIn:
    def test_a_token_that_the_browser_brings_along_is_never_taken_over(self, client):
        client.get("/sign-in")
        client.cookies.set("stripread_session", "chosen-by-somebody-else")
        sign_in(client, "Ines")
        assert client.cookies.get("stripread_session", domain="testserver.local") != "chosen-by-somebody-else"
        client.cookies.clear()
        client.cookies.set("stripread_session", "chosen-by-somebody-else")
        assert client.get("/read").status_code == 303

    def test_guessing_from_many_places_is_slowed_down_by_name(self, site):
        app = create_app(Settings(folder=site, workers=1))
        app.state.people.sign_in = lambda *_, **__: None  # without the time that argon2 takes
        with TestClient(app, follow_redirects=False) as first:
            codes = []
            for place in range(52):
                client = TestClient(app, client=(f"192.0.2.{place}", 5000), follow_redirects=False)
                client.portal = first.portal
                codes.append(sign_in(client, "Ines", "wrong-1").status_code)
            assert codes == [403] * 50 + [429] * 2

    def test_names_that_are_tried_do_not_fill_the_memory(self, client):
        client.app.state.people.sign_in = lambda *_, **__: None
        for number in range(60):
            sign_in(client, f"{number}" + "x" * 50_000)
        kept = client.app.state.sign_in_tries._tries
        assert len(kept) <= 30
        assert max(map(len, kept)) < 200

    def test_an_unknown_name_takes_the_time_of_a_wrong_secret(self, tmp_path, monkeypatch):
        from argon2 import PasswordHasher

        people = People(tmp_path, hash_secret=QUICK.hash)
        people.add("Ines", "technician", SECRET)
        people.add("Ola", "technician", SECRET)
        people.retire("Ola")
        hashed, real = [], PasswordHasher.verify
        monkeypatch.setattr(PasswordHasher, "verify", lambda self, *a: hashed.append(1) or real(self, *a))
        for count, name in enumerate(("Ines", "Ola", "Nobody"), start=1):
            people.sign_in(name, "wrong-1", now=NOW)
            assert len(hashed) == count
        people.close()

    def test_one_code_lets_in_one_of_many_that_use_it_at_once(self, tmp_path):
        people = People(tmp_path)
        code = people.pairing_code(now=NOW)
        with ThreadPoolExecutor(8) as threads:
            tokens = list(threads.map(lambda _: people.pair(code, now=NOW), range(8)))
        assert sum(token is not None for token in tokens) == 1
        late = people.pairing_code(now=NOW)
        assert people.pair(late, now=NOW + timedelta(minutes=9, seconds=59)) is not None
        people.close()


class TestWhatIsShown:
    """Names are typed by people: they are words wherever they come out, and nothing else."""

    def enter(self, site):
        at = NOW - timedelta(hours=2)
        batch = Batch(id="=1+1", kind="concentrate", made_at=at, made_by="-Ines", water_l=19.0, tank=HOSTILE,
                      note="<script>alert(1)</script>")  # fmt: skip
        with open_records(site) as records:
            records.add_batch(batch, Stamp(at=at, who="@Ines"))
        enter(site, point=HOSTILE)

    def test_an_exported_table_holds_no_formula_and_is_read_back_whole(self, signed_in, site, tmp_path):
        self.enter(site)
        packed = signed_in("Gus").get("/more/export.zip").content
        with zipfile.ZipFile(io.BytesIO(packed)) as archive:
            archive.extractall(tmp_path / "out")
        for table in ("batches.csv", "readings.csv"):
            rows = list(csv.DictReader(io.StringIO((tmp_path / "out" / table).read_text("utf-8"))))
            assert rows
            for name in {*rows[0]} - {"zone_offset"}:
                for row in rows:
                    number = name in ("value", "u", "low", "high")
                    assert number or not row[name].startswith(("=", "+", "-", "@", "\t", "\r")), (name, row[name])
        with open_records(tmp_path, create=True) as records:
            assert import_records(records, tmp_path / "out", stamp=STAMP).added == 2
            assert {b.said.id for b in records.batches()} == {"=1+1"}
            assert {r.point for r in records.readings()} == {HOSTILE}

    def test_a_report_shows_markup_as_words(self, signed_in, site):
        self.enter(site)
        client = signed_in("Ines")
        days = {"from": (NOW - timedelta(days=300)).date().isoformat(), "to": NOW.date().isoformat()}
        page = client.get("/more/report", params={**days, "form": "html"})
        assert page.headers["content-disposition"].startswith('attachment; filename="report-')
        assert "<script" not in page.text
        assert "<b>&amp;{{" not in page.text
        assert client.get("/more/report", params=days).content.startswith(b"%PDF-")
        for path in ("/", "/log", "/batches", "/batches/made/=1+1"):
            shown = client.get(path).text
            assert "<script>alert" not in shown
            assert "<b>&amp;{{" not in shown

    def test_a_label_leads_to_a_server_and_nowhere_else(self, signed_in):
        client = signed_in("Sol")
        for address in (
            "javascript:alert(1)",
            "https://a.example/path",
            "https://x@a.example",
            "http://a b",
            "//a.example",
        ):
            assert client.get("/labels", params={"address": address}).status_code == 400, address

    def test_where_to_go_on_is_within_the_page(self, signed_in):
        client = signed_in("Ines")
        for wanted in (
            "//a.example",
            "/\\a.example",
            "https://a.example",
            "/\t/a.example",
            "/\r\nset-cookie: x=y",
            "a",
        ):
            token = csrf_of(client.get("/more").text)
            answer = client.post("/language", data={"csrf": token, "language": "en", "next": wanted})
            where = answer.headers["location"]
            assert where == "/" or where.startswith(("/%09", "/%0D")), wanted
            assert "set-cookie" not in answer.headers
