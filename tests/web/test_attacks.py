"""What somebody would try who means ill: each was looked for, and those that worked were closed."""

import asyncio
import csv
import io
import os
import time
import zipfile
from concurrent.futures import ThreadPoolExecutor
from datetime import datetime, timedelta
from pathlib import Path

import pytest
from starlette.exceptions import HTTPException
from starlette.testclient import TestClient

import stripread.web.security as security
from stripread.records import Batch, Stamp, open_records
from stripread.records.tabular import import_records
from stripread.web.app import create_app
from stripread.web.certificate import own_certificate
from stripread.web.people import People
from stripread.web.phrases import teller
from stripread.web.settings import Settings
from stripread.web.words import catalogue, patterns
from tests.web.conftest import SECRET, STAMP, csrf_of, sign_in
from tests.web.test_log import enter
from tests.web.test_read import upload

NOW = datetime.now().astimezone()
HOSTILE = "=cmd()|'<b>&amp;{{7*7}}%(x)s"


class TestHosts:
    """A name that somebody else owns can be pointed at this machine (DNS rebinding)."""

    @pytest.mark.parametrize("host", ["elsewhere.example", "elsewhere.example:8471", "localhost.elsewhere.example",
                                      "127.0.0.1.elsewhere.example", "", "a b", "[::1", "x@elsewhere.example", "x..",
                                      "elsewhere.example/local", "nursery.local.example"])  # fmt: skip
    def test_another_name_is_refused(self, client, host):
        for path in ("/sign-in", "/read/", "/static/sheet.css"):
            answer = client.get(path, headers={"host": host})
            assert answer.status_code == 421
            assert "location" not in answer.headers

    @pytest.mark.parametrize("host", ["127.0.0.1:8471", "localhost", "192.0.2.7:8471", "[::1]:8471", "nursery",
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

        people = People(tmp_path)
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


class TestWhatIsSent:
    @pytest.mark.parametrize("path", ["/sign-in", "/people", "/read/tank/photo"])
    def test_text_that_cannot_be_written_down_is_no_fault_of_the_server(self, client, path):
        """A codec of the sender's choice could make half a character of some bytes."""
        sign_in(client, "Sol")
        body = b"".join(
            b'--b\r\ncontent-disposition: form-data; name="%s"\r\n\r\n\\ud800%s\r\n' % (name, b"x" * 20)
            for name in (b"csrf", b"name", b"secret", b"again", b"key")
        )
        kinds = (
            "multipart/form-data; boundary=b; charset=unicode_escape",
            "multipart/form-data; CharSet=utf-7; boundary=b",
        )
        for kind in kinds:
            assert client.post(path, content=body + b"--b--\r\n", headers={"content-type": kind}).status_code == 415

    @pytest.mark.parametrize("length", ["9" * 5000, "-1", "1e3", "²", "0x10", "99999999999"])
    def test_a_length_that_is_none_is_refused(self, client, length):
        headers = {"content-length": length.encode("utf-8")}
        assert client.post("/sign-in", content=b"", headers=headers).status_code == 413

    def test_a_body_that_says_it_is_too_long_is_not_read_at_all(self):
        answers = []

        async def app(*_):
            raise AssertionError("passed on")

        async def receive():
            raise AssertionError("read")

        async def send(message):
            answers.append(message)

        for kind, length in ((b"text/plain", b"200001"), (b"multipart/form-data; boundary=b", b"202001")):
            scope = {"type": "http", "headers": [(b"content-type", kind), (b"content-length", length)]}
            asyncio.run(security.LimitBody(app, largest_photo=1000)(scope, receive, send))
            assert answers[-2]["status"] == 413

    def test_the_first_of_two_types_counts_for_limit_and_reader_alike(self, client):
        kinds = [
            ("content-type", "application/x-www-form-urlencoded"),
            ("content-type", "multipart/form-data; boundary=b"),
        ]
        answer = client.post("/sign-in", content=b"name=" + b"x" * 300_000, headers=kinds)
        assert answer.status_code == 413

    def test_a_body_that_does_not_come_is_not_waited_for(self, monkeypatch):
        monkeypatch.setattr(security, "_STALLED_S", 0.05)

        async def app(scope, receive, send):
            while (await receive()).get("more_body"):
                pass

        async def stalled():
            await asyncio.sleep(30)

        scope = {"type": "http", "headers": [(b"content-type", b"multipart/form-data; boundary=b")]}
        with pytest.raises(HTTPException) as told:
            asyncio.run(security.LimitBody(app, largest_photo=1000)(scope, stalled, None))
        assert told.value.status_code == 408

    def test_a_network_lost_in_mid_upload_is_no_fault_to_be_logged(self, site):
        app, answers = create_app(Settings(folder=site, workers=1)), []
        headers = [(b"host", b"nursery"), (b"content-type", b"multipart/form-data; boundary=b")]
        scope = {"type": "http", "method": "POST", "path": "/sign-in", "headers": headers, "query_string": b"",
                 "client": ("127.0.0.1", 1), "server": ("127.0.0.1", 2), "scheme": "http"}  # fmt: skip
        pieces = iter([{"type": "http.request", "body": b"--b\r\n", "more_body": True}, {"type": "http.disconnect"}])

        async def receive():
            return next(pieces)

        async def send(message):
            answers.append(message)

        asyncio.run(app(scope, receive, send))  # and raises nothing
        assert answers[0]["status"] == 400
        app.state.people.close()

    def test_each_of_two_photos_has_its_limit(self, site):
        """Both together may be twice as long: one alone may not."""
        app = create_app(Settings(folder=site, workers=1, largest_photo=300_000))
        with TestClient(app, follow_redirects=False) as client:
            sign_in(client, "Ines")
            small, large = ("a.jpg", b"x" * 1000, "image/jpeg"), ("b.jpg", b"x" * 300_001, "image/jpeg")
            for photo, flash in ((large, small), (small, large)):
                form = {"csrf": csrf_of(client.get("/read/tank").text), "key": "k" * 32, "lot": "WR-2601"}
                sent = client.post("/read/tank/photo", data=form, files={"photo": photo, "flash": flash})
                assert sent.status_code == 413
            assert list((site / "inbox").iterdir()) == []

    def test_few_photos_are_in_memory_at_once(self, client):
        assert client.app.state.keeping.total_tokens == 4
        client.app.state.keeping.total_tokens = 1
        sign_in(client, "Ines")
        keep = client.app.state.queue.inbox.accept
        now, most = [0], [0]

        def counted(*args):
            now[0] += 1
            most[0] = max(most[0], now[0])
            time.sleep(0.1)
            keep(*args)
            now[0] -= 1

        client.app.state.queue.inbox.accept = counted
        with ThreadPoolExecutor(4) as threads:
            sent = list(threads.map(lambda n: upload(client, data=b"x" * 100, key=f"{n}" * 32), range(4)))
        assert [one.status_code for one in sent] == [303] * 4
        assert most == [1]


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

    def test_hostile_words_are_translated_in_no_time(self):
        """Patterns of the catalogue are matched against what people typed: none may try all its ways through it."""
        tell = teller("es", catalogue("es"))
        units = {part for pattern in patterns("es") for part in pattern.split("%(") if part.strip()}
        hostile = [(unit * 2000)[:2000] for unit in (*units, "a. B", "A! ", "valid: ", " to ", "1 1 ", ", ", "'", ": ")]
        slowest = 0.0
        for words in hostile:
            start = time.perf_counter()
            tell(f"valid: {words}!")
            slowest = max(slowest, time.perf_counter() - start)
        assert slowest < 1.0

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


class TestFiles:
    @pytest.mark.parametrize(
        "path",
        [
            "/static/%2e%2e/app.py",
            "/static/..%2fapp.py",
            "/static/%00",
            f"/static/{'a' * 5000}",
            "/jobs/%00",
            f"/jobs/{'a' * 5000}",
            "/points/%00",
            "/log/1/photos/..%2f..%2fpeople.db",
            "/lots/drafts/..%2f..",
            "/checks/%2e%2e%2fsite",
            "/log/99999999999999999999",
        ],
    )
    def test_an_address_is_no_path(self, signed_in, path):
        assert signed_in("Sol").get(path).status_code == 404

    @pytest.mark.skipif(os.name == "nt", reason="modes are POSIX's")
    def test_a_certificate_of_our_own_has_a_key_that_nobody_else_reads_and_that_fits(self, tmp_path):
        import ssl

        certificate, key = own_certificate(tmp_path, ("127.0.0.1",), now=NOW)
        assert key.stat().st_mode & 0o777 == 0o600
        key.chmod(0o644)
        first = certificate.read_bytes()
        own_certificate(tmp_path, ("127.0.0.1",), now=NOW)
        assert key.stat().st_mode & 0o777 == 0o600
        assert certificate.read_bytes() == first
        other = tmp_path / "other"
        other.mkdir()
        key.write_bytes(
            own_certificate(other, ("127.0.0.1",), now=NOW)[1].read_bytes()
        )  # as a kill between both leaves
        own_certificate(tmp_path, ("127.0.0.1",), now=NOW)
        ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER).load_cert_chain(certificate, key)

    def test_the_inbox_and_the_secrets_are_closed_to_other_users_of_the_machine(self, client, site):
        assert (site / "people.db").stat().st_mode & 0o077 == 0
        assert Path(client.app.state.queue.inbox.folder).stat().st_mode & 0o077 == 0
