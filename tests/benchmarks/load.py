"""Twenty phones that each send ten photos of 12 megapixels: is every one answered, is none lost, how long does it take.

``make bench-load`` runs it, two or three minutes, on loopback and with bounded counts: a server as `stripread serve`
starts it, each phone a thread that signs in, sends its photos one after another and then waits for the answers. Photos
are the sample photo of the line with a few bytes put behind its end, so that each is another file.
"""

import argparse
import os
import re
import statistics
import subprocess
import sys
import time
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from tempfile import TemporaryDirectory

import httpx2

from stripread.records import Point, open_records
from tests.web.conftest import ROOT, SECRET, make_site

PHOTO = ROOT / "sample_images" / "line-good.jpg"
PATIENCE = 900.0  # seconds for all


def phone(number: int, address: str, photos: int) -> list[tuple[float, float, str]]:
    """Send photos; return for each the seconds until it was acknowledged and answered, and its headline."""
    until = time.monotonic() + PATIENCE
    with httpx2.Client(base_url=address, timeout=120, follow_redirects=False) as client:
        token = _csrf(client.get("/sign-in").text)
        said = {"csrf": token, "name": f"phone {number}", "secret": SECRET}
        assert client.post("/sign-in", data=said).status_code == 303
        token = _csrf(client.get(f"/read/bench {number}").text)
        sent = []
        for index in range(photos):
            start = time.monotonic()
            form = {"csrf": token, "key": f"{number:016d}{index:016d}", "lot": "UL-2603"}
            file = {"photo": ("p.jpg", PHOTO.read_bytes() + b"\0" * (1 + number * photos + index), "image/jpeg")}
            answer = client.post(f"/read/bench {number}/photo", data=form, files=file)
            assert answer.status_code == 303, answer.text
            sent.append((start, time.monotonic() - start, answer.headers["location"]))
        found = []
        for start, acknowledged, where in sent:
            while not client.get(f"{where}/state").json()["done"]:
                if time.monotonic() > until:
                    raise TimeoutError(f"{where} was not answered in {PATIENCE:g} s")
                time.sleep(0.5)
            words = re.search(r'class="words">([^<]+)<', client.get(where).text)
            found.append((acknowledged, time.monotonic() - start, words[1] if words else "?"))
        return found


def _csrf(page: str) -> str:
    found = re.search(r'name="csrf" value="([^"]+)"', page)
    assert found
    return found[1]


def peak_mb(pid: int) -> float:
    """Sum of the peaks of a process and its descendants, MB."""
    total = 0.0
    for path in Path("/proc").glob("[0-9]*/status"):
        try:
            status = dict(line.split(":", 1) for line in path.read_text().splitlines() if ":" in line)
        except OSError:
            continue
        if int(status["Pid"]) == pid or _descends(int(status["PPid"]), pid):
            total += float(status.get("VmHWM", "0 kB").split()[0]) / 1024
    return total


def _descends(pid: int, ancestor: int) -> bool:
    while pid > 1:
        if pid == ancestor:
            return True
        try:
            pid = int(re.search(r"PPid:\s*(\d+)", Path(f"/proc/{pid}/status").read_text())[1])  # type: ignore[index]
        except OSError:
            return False
    return False


def main(arguments: Sequence[str] | None = None) -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--phones", type=int, default=20)
    parser.add_argument("--photos", type=int, default=10)
    parser.add_argument("--port", type=int, default=8471)
    options = parser.parse_args(arguments)
    address = f"http://127.0.0.1:{options.port}"
    with TemporaryDirectory() as name:
        folder = Path(name) / "site"
        numbers = range(options.phones)
        outlets = [Point(name=f"bench {n}", sample="line", flush_min=0.0) for n in numbers]
        make_site(folder, points=outlets, people={f"phone {n}": "technician" for n in numbers})
        command = [sys.executable, "-m", "stripread", "serve", "--site", str(folder), "--port", str(options.port)]
        server = subprocess.Popen(command, env={**os.environ, "STRIPREAD_WHO": "Sol"})
        try:
            for _ in range(100):
                try:
                    httpx2.get(f"{address}/sign-in")
                    break
                except httpx2.TransportError:
                    time.sleep(0.2)
            start = time.monotonic()
            with ThreadPoolExecutor(options.phones) as pool:
                jobs = [pool.submit(phone, n, address, options.photos) for n in range(options.phones)]
                found = [one for job in jobs for one in job.result()]
            took, memory = time.monotonic() - start, peak_mb(server.pid)
        finally:
            server.terminate()
            server.wait(30)
        with open_records(folder) as records:
            kept = sum(1 for _ in records.iterate_readings())
    acknowledged, answered = [f[0] for f in found], [f[1] for f in found]
    many = options.phones * options.photos
    print(f"{many} photos of 12 megapixels from {options.phones} phones: {len(found)} answered, {kept} recorded")
    print(f"in {took:.0f} s: {took / many:.2f} s a photo")
    for name, seconds in (("acknowledged", acknowledged), ("answered", answered)):
        p95 = statistics.quantiles(seconds, n=20)[-1] if len(seconds) > 1 else seconds[0]
        print(f"{name} after: median {statistics.median(seconds):.1f} s, 95th percentile {p95:.1f} s")
    print(f"peak memory of server and workers together: {memory:.0f} MB")
    print("verdicts: " + ", ".join(sorted({f[2] for f in found})))


if __name__ == "__main__":
    main()
