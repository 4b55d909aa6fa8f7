"""Strangers hold few connections and no time; phones that were let in are served meanwhile."""

import socket
import subprocess
import sys
import time
import urllib.request

import pytest

from stripread.web.connections import FROM_ONE, HEADERS_S
from tests.browser.live import _free_port, _wait_until_up
from tests.web.conftest import ROOT

STRANGER = "127.0.0.2"  # another address of this machine: Linux answers on all of 127/8


@pytest.fixture
def port(site, tmp_path):
    number, log = _free_port(), tmp_path / "server.log"
    words = [sys.executable, "-m", "stripread", "serve", "--site", str(site), "--port", str(number), "--workers", "1"]
    with log.open("wb") as written, subprocess.Popen(words, stdout=written, stderr=written, cwd=ROOT) as process:
        try:
            _wait_until_up(f"http://127.0.0.1:{number}/sign-in", lambda: process.poll() is None, log)
            yield number
        finally:
            process.terminate()


def connect(port):
    opened = socket.socket()
    opened.bind((STRANGER, 0))
    opened.settimeout(HEADERS_S + 20)
    opened.connect(("127.0.0.1", port))
    return opened


def is_closed(opened):
    try:
        return opened.recv(1) == b""
    except ConnectionResetError:
        return True


@pytest.mark.skipif(sys.platform != "linux", reason="needs a second address of this machine")
def test_one_address_holds_no_more_than_its_share_and_none_of_them_for_long(port):
    opened = [connect(port) for _ in range(3 * FROM_ONE)]
    for one in opened[:10]:
        one.sendall(b"GET /sign-in HTTP/1.1\r\nHost: localhost\r\nX-Slow: ")  # and never an end
    began = time.monotonic()
    with urllib.request.urlopen(f"http://127.0.0.1:{port}/sign-in", timeout=10) as answer:
        assert answer.status == 200
    assert time.monotonic() - began < 5
    refused = 0
    for one in opened[FROM_ONE:]:
        one.settimeout(2)
        refused += is_closed(one)
    assert refused >= 2 * FROM_ONE - 2
    for one in opened[:FROM_ONE]:
        one.settimeout(HEADERS_S + 20)
        assert is_closed(one)  # in its time
    assert time.monotonic() - began < HEADERS_S + 20
    with connect(port) as again:  # and then it may come again
        again.sendall(b"GET /sign-in HTTP/1.1\r\nHost: localhost\r\nConnection: close\r\n\r\n")
        assert again.recv(12) == b"HTTP/1.1 200"
    for one in opened:
        one.close()
