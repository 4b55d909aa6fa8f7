"""What keeps the page safe; each test fails if what it is about is taken out."""

import re
import stat
from datetime import datetime, timedelta
from pathlib import Path

import pytest
from starlette.testclient import TestClient

from stripread.errors import WrongUsageError
from stripread.records import open_records
from stripread.web import People, Settings, create_app, retire_person, set_person
from stripread.web.limiter import Limiter
from stripread.web.people.people import PEOPLE as PEOPLE_FILE
from stripread.web.security import CSRF_FIELD
from tests.listed import each
from tests.web.conftest import PEOPLE, QUICK, SECRET, STAMP, csrf_of, pair, sign_in

NOW = datetime.now().astimezone()


@pytest.fixture
def people(tmp_path: Path):
    made = People(tmp_path, hash_secret=QUICK.hash)
    made.add("Ines", "technician", SECRET)
    yield made
    made.close()


class TestSigningIn:
    def test_secrets_are_kept_as_argon2id_and_tokens_as_hashes(self, tmp_path):
        people = People(tmp_path)  # with the hash of everyday
        people.add("Ines", "technician", SECRET)
        token = people.sign_in("Ines", SECRET, now=NOW)
        people.close()
        kept = b"".join(path.read_bytes() for path in tmp_path.glob(f"{PEOPLE_FILE}*"))
        assert SECRET.encode() not in kept
        assert token.encode() not in kept
        memory, passes = re.search(rb"\$argon2id\$v=19\$m=(\d+),t=(\d+),", kept).groups()
        assert (int(memory), int(passes)) >= (2**16, 3)  # RFC 9106, section 4: the second recommended option
        assert stat.S_IMODE((tmp_path / PEOPLE_FILE).stat().st_mode) == 0o600

    def test_only_the_right_secret_opens(self, people):
        assert people.sign_in("Ines", SECRET, now=NOW) is not None
        assert people.sign_in("Ines", "green-472", now=NOW) is None
        assert people.sign_in("Nobody", SECRET, now=NOW) is None

    @each("secret", ["", "12345", "111111", "121212", "x" * 201])
    def test_a_short_or_simple_secret_is_refused(self, people, secret):
        with pytest.raises(WrongUsageError):
            people.add("Ola", "technician", secret)

    def test_sessions_end_after_a_day_and_when_idle(self, people):
        token = people.sign_in("Ines", SECRET, now=NOW)
        assert people.session(token, now=NOW + timedelta(hours=3)) is not None
        assert people.session(token, now=NOW + timedelta(hours=6, minutes=59)) is not None  # 4 h after the last look
        assert people.session(token, now=NOW + timedelta(hours=11, minutes=1)) is None  # idle
        token = people.sign_in("Ines", SECRET, now=NOW)
        for hours in range(3, 13, 3):
            people.session(token, now=NOW + timedelta(hours=hours))
        assert people.session(token, now=NOW + timedelta(hours=12, minutes=1)) is None  # a day

    def test_a_new_secret_or_a_retirement_ends_sessions(self, people):
        token = people.sign_in("Ines", SECRET, now=NOW)
        people.add("Ines", "technician", "other-471")
        assert people.session(token, now=NOW) is None
        token = people.sign_in("Ines", "other-471", now=NOW)
        people.retire("Ines")
        assert people.session(token, now=NOW) is None
        assert people.sign_in("Ines", "other-471", now=NOW) is None

    def test_signing_out_ends_the_session(self, signed_in):
        client = signed_in("Ines")
        cookie = client.cookies["stripread_session"]
        client.post("/sign-out", data={CSRF_FIELD: csrf_of(client.get("/read/tank").text)})
        client.cookies.set("stripread_session", cookie)
        assert client.get("/read").status_code == 303

    def test_guessing_is_slowed_down(self, client):
        codes = [sign_in(client, "Ines", f"wrong-{n}").status_code for n in range(7)]
        assert codes == [403] * 5 + [429] * 2
        assert sign_in(client, "Ines").status_code == 429  # even the right one has to wait

    def test_the_next_page_is_one_of_ours(self, client):
        for wanted in ("//elsewhere.example", "https://elsewhere.example", "/\\elsewhere.example", "elsewhere"):
            token = csrf_of(client.get("/sign-in").text)
            answer = client.post("/sign-in", data={"csrf": token, "name": "Ines", "secret": SECRET, "next": wanted})
            assert answer.headers["location"] == "/"
            client.cookies.delete("stripread_session")


def test_cookies_are_out_of_reach_of_scripts_and_other_sites(site):
    for secure in (False, True):
        app = create_app(Settings(folder=site, workers=1, secure=secure))
        address = "https://testserver" if secure else "http://testserver"
        with TestClient(app, base_url=address, follow_redirects=False) as client:
            cookie = sign_in(client, "Ines").headers["set-cookie"].lower()
            assert "httponly" in cookie
            assert "samesite=lax" in cookie
            assert ("; secure" in cookie) is secure
            assert ("strict-transport-security" in client.get("/sign-in").headers) is secure


def test_every_answer_carries_the_headers(signed_in):
    client = signed_in("Ines")
    for path in ("/sign-in", "/read", "/read/tank", "/static/sheet.css", "/nowhere", "/jobs/x"):
        headers = client.get(path).headers
        policy = headers["content-security-policy"]
        assert "default-src 'none'" in policy
        assert "script-src 'self';" in policy
        assert "unsafe" not in policy
        assert "frame-ancestors 'none'" in policy
        assert headers["x-content-type-options"] == "nosniff"
        assert headers["x-frame-options"] == "DENY"
        assert headers["referrer-policy"] == "same-origin"


def test_pages_have_no_script_or_style_of_their_own(signed_in):
    client = signed_in("Sol")
    for path in ("/sign-in", "/read", "/read/tank", "/read/bench 1"):
        page = client.get(path).text
        assert "<style" not in page
        assert "style=" not in page
        assert " onclick" not in page
        assert page.count("<script") == len(re.findall('<script (type="module" )?src="/static/', page))


class TestCrossSiteRequests:
    def test_a_post_without_the_token_or_with_another_is_refused(self, signed_in):
        client = signed_in("Ines")
        assert client.post("/sign-out").status_code == 403
        assert client.post("/sign-out", data={CSRF_FIELD: "x" * 43}).status_code == 403
        assert client.get("/read").status_code == 200  # still signed in
        assert (
            client.post("/sign-out", headers={"x-csrf-token": csrf_of(client.get("/read/tank").text)}).status_code
            == 303
        )

    def test_signing_in_needs_a_token_as_well(self, client):
        assert client.post("/sign-in", data={"name": "Ines", "secret": SECRET}).status_code == 403
        client.get("/sign-in")
        assert client.post("/sign-in", data={"csrf": "x", "name": "Ines", "secret": SECRET}).status_code == 403

    def test_a_token_of_another_session_is_worth_nothing(self, client):
        sign_in(client, "Ines")
        other = csrf_of(client.get("/read/tank").text)
        client.cookies.clear()
        sign_in(client, "Sol")
        assert client.post("/sign-out", data={CSRF_FIELD: other}).status_code == 403


class TestRoles:
    def test_whoever_is_not_signed_in_sees_only_the_sign_in_page(self, client):
        for path in ("/read", "/read/tank", "/jobs/" + "0" * 32, "/jobs/" + "0" * 32 + "/picture"):
            answer = client.get(path)
            assert answer.status_code == 303
            assert answer.headers["location"].startswith("/sign-in")
        assert client.post("/read/tank/photo").status_code == 401

    def test_a_grower_looks_on(self, signed_in):
        client = signed_in("Gus")
        token = {"x-csrf-token": client.app.state.people.session(client.cookies["stripread_session"], now=NOW).csrf}
        assert client.post("/read/tank/photo", headers=token, files={"photo": b"x"}).status_code == 403


class TestPhones:
    @pytest.fixture
    def from_lan(self, site):
        app = create_app(Settings(folder=site, workers=1, lan=True))
        with TestClient(app, client=("192.0.2.7", 5000), follow_redirects=False) as client:
            yield client

    def test_a_phone_that_was_not_paired_cannot_sign_in(self, from_lan):
        assert from_lan.get("/sign-in").status_code == 403
        assert from_lan.post("/sign-in", data={"name": "Ines", "secret": SECRET}).status_code == 403

    def test_a_code_pairs_one_phone_once(self, from_lan):
        code = from_lan.app.state.people.pairing_code(now=datetime.now().astimezone())
        assert pair(from_lan, code).status_code == 303
        assert sign_in(from_lan, "Ines").status_code == 303
        from_lan.cookies.clear()
        assert from_lan.get(f"/pair/{code}").status_code == 403
        assert from_lan.get("/sign-in").status_code == 403

    def test_looking_at_a_code_does_not_use_it_up(self, from_lan):
        code = from_lan.app.state.people.pairing_code(now=datetime.now().astimezone())
        for _ in range(3):  # as what shows a link before it is opened
            assert from_lan.get(f"/pair/{code}").status_code == 200
            assert from_lan.head(f"/pair/{code}").status_code == 200
        assert from_lan.get("/sign-in").status_code == 403
        assert pair(from_lan, code).status_code == 303
        assert from_lan.post(f"/pair/{code}", data={"csrf": from_lan.cookies["stripread_visit"]}).status_code == 403

    def test_another_site_cannot_press_the_button(self, from_lan):
        code = from_lan.app.state.people.pairing_code(now=datetime.now().astimezone())
        from_lan.get(f"/pair/{code}")
        for wrong in ({}, {"csrf": "x" * 43}):
            assert from_lan.post(f"/pair/{code}", data=wrong).status_code == 403
        from_lan.cookies.clear()
        assert from_lan.post(f"/pair/{code}", data={"csrf": ""}).status_code == 403
        assert from_lan.app.state.people.is_code(code, now=datetime.now().astimezone())

    def test_a_phone_that_is_shut_out_is_signed_out_at_once_and_no_other_is(self, site):
        app = create_app(Settings(folder=site, workers=1, lan=True))
        people = app.state.people
        with TestClient(app, client=("192.0.2.7", 5000), follow_redirects=False) as lost:
            kept = TestClient(app, client=("192.0.2.8", 5000), follow_redirects=False)
            for phone in (lost, kept):
                pair(phone, people.pairing_code(now=datetime.now().astimezone()))
                assert sign_in(phone, "Ines").status_code == 303
                assert phone.get("/more").status_code == 200
            now = datetime.now().astimezone()
            later, first = people.phones(now=now)
            assert first.paired < later.paired < now
            assert first.paired < first.seen <= now
            assert people.unpair(first.id)
            assert lost.get("/more").status_code == 303
            assert lost.get("/sign-in").status_code == 403
            assert kept.get("/more").status_code == 200
            assert [phone.id for phone in people.phones(now=now)] == [later.id]
            assert not people.unpair(first.id)

    def test_a_phone_that_is_shut_out_while_somebody_signs_in_is_shut_out(self, people):
        phone = people.pair(people.pairing_code(now=NOW), now=NOW)
        session = people.sign_in("Ines", SECRET, now=NOW, phone=phone)
        assert people.session(session, now=NOW) is not None
        with people._engine.begin() as connection:  # the device is gone, and the session came after
            connection.exec_driver_sql("DELETE FROM devices")
        assert people.session(session, now=NOW) is None

    def test_an_old_file_keeps_its_phones_and_sessions(self, tmp_path):
        import sqlite3

        made = People(tmp_path, hash_secret=QUICK.hash)
        made.add("Ines", "technician", SECRET)
        phone = made.pair(made.pairing_code(now=NOW), now=NOW)
        session = made.sign_in("Ines", SECRET, now=NOW)
        made.close()
        with sqlite3.connect(tmp_path / "people.db") as file:
            for table, column in (("sessions", "device"), ("devices", "name"), ("devices", "seen")):
                file.execute(f"ALTER TABLE {table} DROP COLUMN {column}")
        file.close()
        again = People(tmp_path)
        assert again.is_paired(phone, now=NOW)
        assert again.session(session, now=NOW).person.name == "Ines"
        (known,) = again.phones(now=NOW)
        assert (known.name, known.paired, known.seen) == ("", NOW, None)
        assert again.unpair(known.id)
        assert not again.is_paired(phone, now=NOW)
        again.close()

    def test_a_code_runs_out(self, people):
        code = people.pairing_code(now=NOW)
        assert people.pair(code, now=NOW + timedelta(minutes=11)) is None

    def test_a_code_is_no_phone_and_a_phone_no_code(self, people):
        code = people.pairing_code(now=NOW)
        assert not people.is_paired(code, now=NOW)
        phone = people.pair(code, now=NOW)
        assert people.is_paired(phone, now=NOW + timedelta(days=179))
        assert not people.is_paired(phone, now=NOW + timedelta(days=181))
        assert people.pair(phone, now=NOW) is None

    def test_codes_cannot_be_tried_out(self, from_lan):
        codes = [from_lan.get(f"/pair/guess-{n}").status_code for n in range(12)]
        assert codes == [403] * 10 + [429] * 2

    def test_the_sign_in_page_names_people_to_paired_phones_alone(self, from_lan, client):
        assert not any(name in from_lan.get("/sign-in").text for name in PEOPLE)
        code = from_lan.app.state.people.pairing_code(now=datetime.now().astimezone())
        pair(from_lan, code)
        assert all(f'value="{name}"' in from_lan.get("/sign-in").text for name in PEOPLE)


class TestUploads:
    def test_a_photo_over_the_limit_is_turned_away_before_it_is_kept(self, site):
        app = create_app(Settings(folder=site, workers=1, largest_photo=100_000))
        with TestClient(app, follow_redirects=False) as client:
            sign_in(client, "Ines")
            token = csrf_of(client.get("/read/tank").text)
            sent = {"csrf": token, "key": "k" * 32, "lot": "WR-2601"}
            big = {"photo": ("a.jpg", b"x" * 500_000, "image/jpeg")}
            assert client.post("/read/tank/photo", data=sent, files=big).status_code == 413

            def slowly():  # without a length, as a chunked request
                for _ in range(8):
                    yield b"x" * 100_000

            headers = {"content-type": "multipart/form-data; boundary=b", "x-csrf-token": token}
            assert client.post("/read/tank/photo", content=slowly(), headers=headers).status_code == 413
            assert list((site / "inbox").iterdir()) == []

    def test_a_long_form_is_turned_away(self, client):
        assert client.post("/sign-in", data={"name": "x" * 300_000}).status_code == 413

    def test_a_huge_picture_is_refused_before_it_is_decoded(self, signed_in):
        import struct
        import zlib

        def chunk(name: bytes, data: bytes) -> bytes:
            return struct.pack(">I", len(data)) + name + data + struct.pack(">I", zlib.crc32(name + data))

        header = struct.pack(">IIBBBBB", 60_000, 60_000, 8, 2, 0, 0, 0)  # 3.6 gigapixels in some bytes
        bomb = b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", header) + chunk(b"IDAT", zlib.compress(b"")) + chunk(b"IEND", b"")
        from tests.web.test_read import answer, upload

        client = signed_in("Ines")
        page = answer(client, upload(client, data=bomb).headers["location"])
        assert "photo too large" in page

    def test_nobody_floods(self, client):
        limiter = Limiter(3, 60, clock=iter([0, 1, 2, 3, 61, 61]).__next__)
        assert [limiter.allow("Ines") for _ in range(5)] == [True, True, True, False, True]

    def test_too_many_photos_waiting_are_not_accepted_and_said_so(self, site):
        app = create_app(Settings(folder=site, workers=1, most_waiting=0))
        with TestClient(app, follow_redirects=False) as client:
            sign_in(client, "Ines")
            from tests.web.test_read import upload

            answer = upload(client)
            assert answer.status_code == 503
            assert "Keep yours on the phone" in answer.text

    @each("job", ["../people.db", "%2e%2e%2fpeople.db", "0" * 31, "0" * 32, "A" * 32])
    def test_a_job_is_no_path(self, signed_in, job):
        client = signed_in("Sol")
        for more in ("", "/state", "/picture"):
            assert client.get(f"/jobs/{job}{more}").status_code == 404


def test_a_fault_of_ours_shows_no_trace_of_the_code(site, monkeypatch):
    import stripread.web.pages.read as pages

    def broken(*args, **named):
        raise RuntimeError("secret of the code at /somewhere/inside.py")

    monkeypatch.setattr(pages, "points_due", broken)
    with TestClient(
        create_app(Settings(folder=site, workers=1)), raise_server_exceptions=False, follow_redirects=False
    ) as client:
        sign_in(client, "Ines")
        answer = client.get("/read")
    assert answer.status_code == 500
    assert "secret" not in answer.text
    assert "Traceback" not in answer.text
    assert "content-security-policy" in answer.headers


def test_changes_of_people_stand_in_the_record_without_their_secrets(site):
    with open_records(site) as records:
        set_person(records, site, "Ola", "technician", "bench-582", STAMP)
        retire_person(records, site, "Ola", STAMP)
        entries = records.entries(kind="account")
    assert [(e.subject, e.payload["change"]) for e in entries] == [
        ("Ola", "may no longer sign in"),
        ("Ola", "may sign in"),
    ]
    assert "bench-582" not in str([e.payload for e in entries])


def test_the_server_binds_to_this_machine_unless_asked(site, monkeypatch):
    import uvicorn
    from typer.testing import CliRunner

    from stripread.cli.app import app

    seen = []
    monkeypatch.setattr(uvicorn, "run", lambda app, **how: seen.append(how))
    for more in ([], ["--lan"], ["--lan", "--tls"]):
        result = CliRunner().invoke(app, ["serve", "--site", str(site), *more], env={"STRIPREAD_WHO": "Sol"})
        assert result.exit_code == 0, result.output
    assert [how["host"] for how in seen] == ["127.0.0.1", "0.0.0.0", "0.0.0.0"]
    assert seen[0]["ssl_certfile"] is None
    assert seen[2]["ssl_certfile"].is_file()
    assert stat.S_IMODE(seen[2]["ssl_keyfile"].stat().st_mode) == 0o600
    assert all(how["server_header"] is False for how in seen)
    given = [site / "own.pem", site / "own-key.pem"]
    for path, made in zip(given, (seen[2]["ssl_certfile"], seen[2]["ssl_keyfile"]), strict=True):
        path.write_bytes(made.read_bytes())
    words = ["serve", "--site", str(site), "--tls-certificate", str(given[0]), "--tls-key", str(given[1])]
    assert CliRunner().invoke(app, words, env={"STRIPREAD_WHO": "Sol"}).exit_code == 0
    assert [seen[3]["ssl_certfile"], seen[3]["ssl_keyfile"]] == given
    assert CliRunner().invoke(app, words[:-2], env={"STRIPREAD_WHO": "Sol"}).exit_code == 2
    with open_records(site) as records:  # a code for a phone was shown twice, and is entered
        shown = [entry.payload["change"] for entry in records.entries(kind="account")]
    assert shown == ["code for a new phone"] * 2


def test_where_nobody_may_sign_in_only_a_first_start_is_served_and_to_this_machine(tmp_path, monkeypatch):
    import uvicorn
    from typer.testing import CliRunner

    from stripread.cli.app import app

    seen = []
    monkeypatch.setattr(uvicorn.Server, "run", lambda self: seen.append(self.config.host))  # and is stopped at once
    CliRunner().invoke(app, ["init", str(tmp_path / "s")], env={"STRIPREAD_WHO": "Sol"})
    for folder in ("s", "none"):
        words = ["serve", "--lan", "--site", str(tmp_path / folder)]
        result = CliRunner().invoke(app, words, env={"STRIPREAD_WHO": "Sol"})
        assert result.exit_code == 1
        assert "A first start" in result.stderr
    assert seen == ["127.0.0.1", "127.0.0.1"]


def test_people_are_added_listed_and_retired_from_the_command_line(site):
    from typer.testing import CliRunner

    from stripread.cli.app import app

    def run(*words):
        return CliRunner().invoke(app, ["person", *words, "--site", str(site)], env={"STRIPREAD_WHO": "Sol"})

    assert run("add", "Ola", "--role", "technician", "--secret", "bench-582").exit_code == 0
    assert run("add", "Ola", "--role", "king", "--secret", "bench-582").exit_code == 2
    assert "Ola" in run("list").stdout
    assert run("retire", "Ola").exit_code == 0
    assert "retired" in run("list").stdout
    assert run("retire", "Nobody").exit_code == 2
    assert "/pair/" in run("pair", "--address", "http://192.0.2.1:8471", "--who", "Sol").stdout
    with open_records(site) as records:
        entry = records.entries(kind="account")[0]
    assert (entry.who, entry.payload["change"]) == ("Sol", "code for a new phone")


def test_phones_are_listed_and_shut_out_from_the_command_line(site):
    from typer.testing import CliRunner

    from stripread.cli.app import app

    def run(*words):
        return CliRunner().invoke(app, ["person", *words, "--site", str(site)], env={"STRIPREAD_WHO": "Sol"})

    assert "No phone is paired" in run("phones").stdout
    shown = run("pair", "--address", "http://192.0.2.1:8471", "--name", "potting shed").stdout
    people, now = People(site), datetime.now().astimezone()
    assert people.pair(shown.strip().rsplit("/", 1)[1], now=now) is not None
    (phone,) = people.phones(now=now)
    listed = run("phones").stdout
    assert phone.id in listed
    assert "potting shed" in listed
    assert run("unpair", "00000000").exit_code == 2
    assert run("unpair", phone.id).exit_code == 0
    assert people.phones(now=now) == ()
    people.close()
    with open_records(site) as records:
        entry = records.entries(kind="account")[0]
    assert (entry.who, entry.payload["change"], entry.payload["name"], entry.subject) == (
        "Sol", "phone no longer let in", "potting shed", f"phone {phone.id}"
    )  # fmt: skip


def test_a_reverse_proxy_is_not_the_machine_itself(site):
    for proxy, status in ((None, 200), ("127.0.0.1", 403)):
        app = create_app(Settings(folder=site, workers=1, lan=True, proxy=proxy))
        with TestClient(app, base_url="http://localhost", client=("127.0.0.1", 50_000), follow_redirects=False) as near:
            assert near.get("/sign-in").status_code == status
