"""A photo outlasts a lost network: kept on the phone until the server has confirmed it, and read once."""

import contextlib
import os
import re
import signal
import socket
import threading

import pytest

from stripread.records import ReadingFilter, open_records
from tests.browser.live import SAMPLES, send_photo, sign_in, until, verdict

# A busy machine may keep a browser waiting for longer than these tests do: a second try tells the two apart.
pytestmark = [pytest.mark.browser, pytest.mark.flaky(reruns=2)]
KEPT = """() => new Promise((done) => {
  const request = indexedDB.open("stripread", 1);
  request.onupgradeneeded = () => request.result.createObjectStore("photos", { keyPath: "key" });
  request.onsuccess = () => {
    const all = request.result.transaction("photos").objectStore("photos").getAll();
    all.onsuccess = () => { request.result.close(); done(all.result.map((kept) => kept.photo.size)); };
  };
})"""
PHOTO = SAMPLES / "line-good.jpg"
SIZE = PHOTO.stat().st_size


def arrived(live):
    return len(list((live.folder / "inbox").glob("*.job.json")))


def read_once(live):
    with open_records(live.folder) as records:
        assert len(records.readings(ReadingFilter(point="bench 1"))) == 1
    return arrived(live) == 1


class Network:
    """The network of one phone, there or not."""

    def __init__(self, page):
        self.session = page.context.new_cdp_session(page)
        self.session.send("Network.enable")

    def set(self, *, offline=False):
        conditions = {"offline": offline, "latency": 0, "downloadThroughput": -1, "uploadThroughput": -1}
        self.session.send("Network.emulateNetworkConditions", conditions)


def test_a_server_that_no_longer_answers_is_not_waited_for_without_end(open_phone, live):
    page = open_phone("Ines")
    page.clock.install()
    page.goto("/read/bench 1")
    page.locator("#photo").set_input_files(PHOTO)
    os.kill(live.pid, signal.SIGSTOP)
    page.locator("button.send").tap()
    page.get_by_text("Sending.").wait_for()
    assert page.evaluate(KEPT) == [SIZE]
    waited_s = 0
    while not page.get_by_text("Kept on the phone").is_visible():
        page.clock.run_for(1_000)
        waited_s += 1
        assert waited_s < 60
    assert waited_s > 20  # a slow network is not a lost one
    os.kill(live.pid, signal.SIGCONT)
    page.clock.run_for(3_000)
    verdict(page)
    assert page.evaluate(KEPT) == []
    assert read_once(live)


def test_a_photo_that_waits_survives_a_reload_of_the_page(open_phone, live):
    page = open_phone("Ines")
    page.route(re.compile(r"/photo$"), lambda route: route.abort("internetdisconnected"))
    send_photo(page, "bench 1", PHOTO, wait=False)
    page.get_by_text("Kept on the phone").wait_for()
    page.reload()
    page.get_by_text("Kept on the phone").wait_for()  # it tried again by itself
    assert page.evaluate(KEPT) == [SIZE]
    assert arrived(live) == 0
    page.unroute(re.compile(r"/photo$"))
    page.goto("/log")  # any page will do
    page.get_by_role("link", name="Look at the answer").tap()
    verdict(page)
    assert page.evaluate(KEPT) == []
    assert read_once(live)


def test_a_session_that_ended_meanwhile_does_not_cost_the_photo(open_phone, live):
    page = open_phone("Ines")
    page.goto("/read/bench 1")
    page.locator("#photo").set_input_files(PHOTO)
    page.context.clear_cookies()
    page.locator("button.send").tap()
    page.wait_for_url(re.compile("/sign-in"))
    assert page.evaluate(KEPT) == [SIZE]
    sign_in(page, "Sol", "/read/bench%201")
    page.wait_for_timeout(500)
    assert page.evaluate(KEPT) == [SIZE]  # not sent in somebody else's name
    page.context.clear_cookies()
    sign_in(page, "Ines", "/read/bench%201")
    page.get_by_role("link", name="Look at the answer").tap()
    verdict(page)
    assert read_once(live)


class CutLine:
    """A line to the server that is cut once, after the server has the photo and before its answer is through."""

    def __init__(self, address):
        self.upstream = ("127.0.0.1", int(address.rsplit(":", 1)[1]))
        self.cut, self.posted = False, 0
        self.listening = socket.create_server(("127.0.0.1", 0))
        self.address = f"http://127.0.0.1:{self.listening.getsockname()[1]}"
        threading.Thread(target=self._accept, daemon=True).start()

    def _accept(self):
        with contextlib.suppress(OSError):
            while True:
                client, _ = self.listening.accept()
                server = socket.create_connection(self.upstream)
                asked = bytearray()
                threading.Thread(target=self._carry, args=(client, server, asked.extend), daemon=True).start()
                threading.Thread(target=self._answer, args=(server, client, asked), daemon=True).start()

    def _carry(self, source, sink, see):
        with contextlib.suppress(OSError):
            while data := source.recv(65536):
                see(data)
                sink.sendall(data)
        close(source, sink)

    def _answer(self, server, client, asked):
        with contextlib.suppress(OSError):
            while data := server.recv(65536):
                if b"/photo HTTP" in asked:
                    self.posted += 1
                    asked.clear()
                    if self.cut:
                        self.cut = False
                        break
                client.sendall(data)
        close(server, client)


def close(*ends):
    for end in ends:
        with contextlib.suppress(OSError):
            end.shutdown(socket.SHUT_RDWR)
        end.close()


class HaltingLine(CutLine):
    """A line on which a photo comes to a halt after its first part; once told so, it drops that one and lets all pass.

    Of the rest, the phone's own system may have taken all: its bar may be full, but the server has no photo.
    """

    def __init__(self, address):
        super().__init__(address)
        self.passing = threading.Event()

    def _carry(self, source, sink, see):
        passed, photo = 0, False
        with contextlib.suppress(OSError):
            while data := source.recv(16384):
                photo = photo or b"/photo HTTP" in data
                passed += len(data) * photo
                if passed > SIZE / 4 and not self.passing.is_set():
                    self.passing.wait(600)
                    break
                see(data)
                sink.sendall(data)
        close(source, sink)


def test_a_network_lost_in_mid_upload_comes_back_and_the_photo_arrives_once(open_phone, live):
    line = HaltingLine(live.address)
    page = open_phone(base_url=line.address)
    sign_in(page, "Ines")
    page.goto("/read/bench 1")
    network = Network(page)
    page.locator("#photo").set_input_files(PHOTO)
    page.locator("button.send").tap()
    until(page, lambda: page.locator(".sending progress").evaluate("bar => bar.value") > 0)
    network.set(offline=True)
    page.get_by_text("Kept on the phone").wait_for()
    assert page.evaluate(KEPT) == [SIZE]
    assert arrived(live) == 0
    line.passing.set()
    network.set()
    verdict(page)
    assert page.evaluate(KEPT) == []
    assert read_once(live)


def test_an_answer_that_is_lost_on_its_way_does_not_make_a_second_reading(open_phone, live):
    line = CutLine(live.address)
    page = open_phone(base_url=line.address)
    sign_in(page, "Ines")
    page.goto("/read/bench 1")
    page.locator("#photo").set_input_files(PHOTO)
    line.cut = True
    page.locator("button.send").tap()
    verdict(page)
    assert line.posted == 2  # by the page, or by the browser itself, which knows a connection that died under it
    assert page.evaluate(KEPT) == []
    assert read_once(live)


def refused(page):
    """Send a photo to a lot that is gone, as after a phone was away for long."""
    page.goto("/read/bench 1")
    page.locator("input[name=lot]").first.evaluate("radio => { radio.value = 'no such lot'; radio.checked = true; }")
    page.locator("#photo").set_input_files(PHOTO)
    page.locator("button.send").tap()
    page.get_by_role("heading", name="That cannot be done").wait_for()
    assert page.get_by_text("a lot of the site").is_visible()


def test_a_photo_refused_at_one_point_is_kept_and_sent_to_another(open_phone, live):
    page = open_phone("Ines")
    refused(page)
    assert page.evaluate(KEPT) == [SIZE]
    assert arrived(live) == 0
    page.goto("/")
    page.get_by_role("link", name="Send it to another point").tap()
    page.get_by_role("link", name=re.compile("bench 1")).tap()
    page.get_by_role("button", name="Use the photo kept on this phone").tap()
    page.get_by_text("Photo chosen.").wait_for()
    page.locator("button.send").tap()
    verdict(page)
    assert page.evaluate(KEPT) == []
    assert read_once(live)


def test_a_refused_photo_is_thrown_away_by_hand_alone(open_phone, live):
    page = open_phone("Ines")
    refused(page)
    page.goto("/log")
    page.wait_for_timeout(500)
    assert arrived(live) == 0  # nor is it sent again and again
    page.get_by_role("button", name="Throw the photo away").tap()
    until(page, lambda: page.evaluate(KEPT) == [])
