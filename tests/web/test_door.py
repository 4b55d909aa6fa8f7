"""The door under load and with a file of people that is held; where it leads after a wrong PIN."""

import asyncio
import inspect
import sqlite3
import threading
import time
from concurrent.futures import ThreadPoolExecutor
from datetime import datetime, timedelta

import pytest
from starlette.testclient import TestClient

from stripread.web.app import create_app
from stripread.web.people import PEOPLE as PEOPLE_FILE
from stripread.web.people import People
from stripread.web.security import SESSION_COOKIE
from stripread.web.settings import Settings
from tests.web.conftest import csrf_of, sign_in


def test_while_the_file_of_people_is_held_whoever_needs_nothing_of_it_is_served(signed_in, site, monkeypatch):
    client = signed_in("Ines")
    token = csrf_of(client.get("/read/tank").text)
    holder = sqlite3.connect(site / PEOPLE_FILE, isolation_level=None)
    holder.execute("BEGIN IMMEDIATE")
    with ThreadPoolExecutor(2) as others:
        waiting = others.submit(client.post, "/language", data={"csrf": token, "language": "es"})
        time.sleep(0.3)
        began = time.monotonic()
        answered = others.submit(client.get, "/static/sheet.css").result()
        took = time.monotonic() - began
        assert not waiting.done()
        holder.rollback()
        holder.close()
        assert waiting.result().status_code == 303
    assert answered.status_code == 200
    assert took < 1.0


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
        client.get(f"/pair/{code}")
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
    assert asked >= {"pair", "is_paired", "sign_in", "session", "everybody", "speak", "measure_in", "sign_out", "add"}
    assert not in_the_loop
