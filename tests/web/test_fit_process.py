"""The process of a fit ends with its server, at a time limit, and before it takes all memory."""

import asyncio
import os
import signal
import subprocess
import sys
import time
from concurrent.futures import ThreadPoolExecutor

import pytest

from stripread.web.calibration import fits
from stripread.web.calibration.drafts import Drafts
from tests.web.conftest import ROOT
from tests.web.slow_fit import take_for_ever, tell_limits
from tests.web.test_queue import gone

SERVER = """
import asyncio
from pathlib import Path
from stripread.web.calibration.drafts import Drafts
from stripread.web.calibration.fits import Fits
from tests.web.slow_fit import take_for_ever
if __name__ == "__main__":
    site = Path(__file__).parent
    asyncio.run(Fits(site, Drafts(site), work=take_for_ever)._fit("a draft"))
"""


def fit(folder, work):
    """Run one in a loop of its own; tell whether it came to its end."""
    process = fits.Fits(folder, Drafts(folder), work=work)._fit("a draft")
    with ThreadPoolExecutor(1) as other:
        return other.submit(asyncio.run, process).result()


@pytest.mark.skipif(sys.platform != "linux", reason="looks into /proc")
def test_a_fit_ends_with_a_server_that_is_killed(tmp_path):
    (tmp_path / "server.py").write_text(SERVER, encoding="utf-8")
    server = subprocess.Popen([sys.executable, tmp_path / "server.py"], env={**os.environ, "PYTHONPATH": str(ROOT)})
    try:
        until = time.monotonic() + 180
        while not ((tmp_path / "pid").exists() and (tmp_path / "pid").read_text("utf-8")):
            assert time.monotonic() < until
            time.sleep(0.1)
        process = int((tmp_path / "pid").read_text("utf-8"))
        assert not gone(process, 0.2)
    finally:
        server.send_signal(signal.SIGKILL)
        server.wait()
    ended = gone(process, 180)
    if not ended:
        os.kill(process, signal.SIGKILL)
    assert ended


def test_a_fit_that_hangs_is_given_up(tmp_path, monkeypatch):
    monkeypatch.setattr(fits, "_LONGEST_S", 0.3)
    began = time.monotonic()
    assert fit(tmp_path, take_for_ever) is False
    assert time.monotonic() - began < 300  # of the ten minutes that it would take


@pytest.mark.skipif(sys.platform != "linux", reason="limits of this kind are Linux's")
def test_a_fit_cannot_take_all_memory_and_goes_before_the_server_does(tmp_path):
    assert fit(tmp_path, tell_limits) is True
    assert (tmp_path / "limits").read_text("utf-8") == f"{4 << 30} 500"
