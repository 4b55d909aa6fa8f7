"""Signing in under load and with a file of people that is held; where it leads after a wrong PIN."""

import asyncio
import html
import inspect
import re
import sqlite3
import threading
import time
from concurrent.futures import ThreadPoolExecutor
from datetime import datetime

import pytest
from starlette.testclient import TestClient

from stripread.web import People, Settings, create_app
from stripread.web.people.people import PEOPLE as PEOPLE_FILE
from tests.web.conftest import SECRET, csrf_of, pair, sign_in


def test_while_the_file_of_people_is_held_whoever_needs_nothing_of_it_is_served(signed_in, site, monkeypatch):
    client = signed_in("Ines")
    token = csrf_of(client.get("/read/tank").text)
    holder = sqlite3.connect(site / PEOPLE_FILE, isolation_level=None)
    holder.execute("BEGIN IMMEDIATE")
    with ThreadPoolExecutor(2) as others:
        waiting = others.submit(client.post, "/language", data={"csrf": token, "language": "es"})
        time.sleep(0.3)
        answered = others.submit(client.get, "/static/sheet.css").result()
        assert not waiting.done()
        holder.rollback()
        holder.close()
        assert waiting.result().status_code == 303
    assert answered.status_code == 200


def test_no_page_asks_the_file_of_people_in_the_loop_that_serves_all(site, monkeypatch):
    """A lock of its own would hold up every page."""
    in_the_loop, asked = set(), set()
    for name, method in inspect.getmembers(People, inspect.isfunction):
        if name.startswith("_") or name == "close":
            continue

        def watched(self, *args, name=name, method=method, **more):
            asked.add(name)
            try:
                asyncio.get_running_loop()
                in_the_loop.add(name)
            except RuntimeError:
                pass
            return method(self, *args, **more)

        monkeypatch.setattr(People, name, watched)
    app = create_app(Settings(folder=site, workers=1, lan=True))
    with TestClient(app, follow_redirects=False, client=("192.0.2.7", 5000)) as client:
        code = app.state.people.pairing_code(now=datetime.now().astimezone())
        asked.clear()
        in_the_loop.clear()
        assert pair(client, code).status_code == 303
        sign_in(client, "Sol")
        token = csrf_of(client.get("/people").text)
        new = {"name": "Ola", "role": "technician", "secret": "bench-582", "again": "bench-582"}
        for where, said in (
            ("/language", {"language": "es"}),
            ("/units", {"units": "us"}),
            ("/people", new),
            ("/people/pair", {}),
            ("/people/retire", {"name": "Ola"}),
            ("/sign-out", {}),
        ):
            assert client.post(where, data={"csrf": token, **said}).status_code in (200, 303), where
    local = create_app(Settings(folder=site, workers=1))
    with TestClient(local, follow_redirects=False) as client:
        assert client.get("/sign-in").status_code == 200
        assert client.get("/nowhere").status_code == 404
    assert asked >= {"is_code", "phones"}
    assert asked >= {"pair", "is_paired", "sign_in", "session", "everybody", "speak", "measure_in", "sign_out", "add"}
    assert not in_the_loop


def test_few_secrets_are_hashed_at_a_time_however_many_sign_in(site, monkeypatch):
    """Each takes 64 MB, on a machine that has 1 GB."""
    counted, now, most = threading.Lock(), 0, 0
    both = threading.Barrier(2, timeout=180)  # each waits for another one, however busy the machine is

    def slowly(*_, **__):
        nonlocal now, most
        with counted:
            now, most = now + 1, max(most, now + 1)
        both.wait()
        time.sleep(0.2)
        with counted:
            now -= 1

    monkeypatch.setattr(People, "sign_in", slowly)
    with TestClient(create_app(Settings(folder=site, workers=1)), follow_redirects=False) as client:
        token = csrf_of(client.get("/sign-in").text)
        data = {"csrf": token, "secret": "wrong-1"}
        with ThreadPoolExecutor(6) as others:
            sent = [others.submit(client.post, "/sign-in", data={**data, "name": f"n{n}"}) for n in range(6)]
        assert [one.result().status_code for one in sent] == [403] * 6
    assert most == 2


@pytest.mark.parametrize("page", ["/read/bench 1", f"/read/bench 1?beside={'a' * 32}", "/log?point=bench+1&from=2026"])
def test_whoever_scanned_a_label_comes_to_its_page_after_a_wrong_pin(client, page):
    where = client.get(page).headers["location"]
    answered = client.get(where)
    for secret in ("wrong-1", "wrong-2", SECRET):
        form = answered.text
        said = {"csrf": csrf_of(form), "next": html.unescape(re.search(r'name="next" value="([^"]*)"', form)[1])}
        answered = client.post("/sign-in", data={**said, "name": "Ines", "secret": secret})
    assert answered.status_code == 303
    assert answered.headers["location"] == page.replace(" ", "%20")


def test_after_a_wrong_pin_the_next_page_is_one_of_ours(client):
    token = csrf_of(client.get("/sign-in").text)
    said = {"csrf": token, "name": "Ines", "secret": "wrong-1", "next": "//elsewhere.example"}
    assert "elsewhere" not in client.post("/sign-in", data=said).text


@pytest.mark.parametrize(
    ("place", "status"), [("127.0.0.1", 200), ("::1", 200), ("testclient", 403), ("192.0.2.7", 403)]
)
def test_only_the_machine_of_the_server_needs_no_pairing(site, place, status):
    app = create_app(Settings(folder=site, workers=1, lan=True))
    with TestClient(app, follow_redirects=False, client=(place, 5000)) as client:
        assert client.get("/sign-in").status_code == status
