"""What somebody sends who means ill: bodies, lengths, codecs, addresses that would be paths."""

import asyncio
import os
import time
from concurrent.futures import ThreadPoolExecutor
from datetime import datetime
from pathlib import Path

import pytest
from anyio.from_thread import start_blocking_portal
from starlette.exceptions import HTTPException
from starlette.testclient import TestClient

import stripread.web.security as security
from stripread.web import Settings, create_app, own_certificate
from stripread.web.calibration.drafts import Drafts
from stripread.web.queue.inbox import Inbox, Job
from tests.listed import each
from tests.web.conftest import csrf_of, sign_in
from tests.web.test_read import upload

NOW = datetime.now().astimezone()
HOSTILE = "=cmd()|'<b>&amp;{{7*7}}%(x)s"


def run(asked, *args):
    """Run something asynchronous in a thread: the browser's driver may have a loop in this one."""
    with start_blocking_portal() as portal:
        return portal.call(asked, *args)


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

    @each("length", ["9" * 5000, "-1", "1e3", "²", "0x10", "99999999999"])
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
            run(security.LimitBody(app, largest_photo=1000), scope, receive, send)
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
            run(security.LimitBody(app, largest_photo=1000), scope, stalled, None)
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

        run(app, scope, receive, send)  # and raises nothing
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


class TestFiles:
    @each(
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

    def test_a_job_or_draft_is_found_by_its_id_and_by_no_path(self, tmp_path, monkeypatch):
        """Ids come from addresses, and from a field of the form: the strip beside which another is held."""
        inbox, drafts = Inbox(tmp_path), Drafts(tmp_path)
        one = Job(id="1" * 32, who="Ines", at=NOW.isoformat(), point=None, sample="line", lot="UL-2603", name="x")
        inbox.accept(one, b"photo")
        inbox.answer(one.id, {"read": False})
        for kind in ("job", "answer"):
            there = inbox.folder / f"{one.id}.{kind}.json"
            (tmp_path / f"out.{kind}.json").write_bytes(there.read_bytes())
        assert inbox.job(one.id) == one
        for name in ("../out", f"./{one.id}", f"../inbox/{one.id}", f"{one.id}\n", one.id.upper() + "A"):
            assert inbox.job(name) is None
            assert inbox.answered(name) is None
        there = drafts.home / ("2" * 32)
        there.mkdir(parents=True)
        (there / "draft.json").write_text("{}", encoding="utf-8")
        monkeypatch.setattr("stripread.web.calibration.drafts._draft", lambda said: "a draft")
        assert drafts.find(there.name) == "a draft"
        for name in (f"../drafts/{there.name}", f"./{there.name}", f"{there.name}/"):
            assert drafts.find(name) is None

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

    @pytest.mark.parametrize("file", ["tls-certificate.pem", "tls-key.pem"])
    @pytest.mark.parametrize("left", [b"", b"-----BEGIN CERTIFICATE-----\nMIIB", b"\xff\xfe\0", None])
    def test_a_damaged_certificate_is_made_anew_with_a_warning(self, tmp_path, file, left):
        import ssl

        certificate, key = own_certificate(tmp_path, ("127.0.0.1",), now=NOW)
        whole = (tmp_path / file).read_bytes()
        (tmp_path / file).write_bytes(whole[: len(whole) // 2] if left is None else left)
        warnings = []
        own_certificate(tmp_path, ("127.0.0.1",), now=NOW, warn=lambda said: warnings.append(str(said)))
        ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER).load_cert_chain(certificate, key)
        (warning,) = warnings
        assert "damaged" in warning
        assert "made anew" in warning
        assert "\n" not in warning

    def test_the_inbox_and_the_secrets_are_closed_to_other_users_of_the_machine(self, client, site):
        assert (site / "people.db").stat().st_mode & 0o077 == 0
        assert Path(client.app.state.queue.inbox.folder).stat().st_mode & 0o077 == 0
