"""Pages wait for disk and database in threads: none of them holds up the loop that serves all."""

import asyncio
import sys

import pytest

from stripread.web.calibration.drafts import Drafts
from stripread.web.queue.inbox import Inbox
from tests.web import test_lots
from tests.web.conftest import csrf_of
from tests.web.test_read import upload

WAITING = ("load_site", "records_of", "points_of", "resolve_lot", "lot_lines", "sent_file")
PAGES = (
    "/", "/read", "/read/bench 1", "/points/bench 1", "/log", "/log?point=bench+1", "/batches", "/batches/generate",
    "/batches/stock", "/injector", "/lots", "/lots/UL-2603", "/lots/new", "/lots/new/known", "/lots/drafts",
    "/checks/UL-2603", "/points-admin", "/points-admin/bench 1", "/labels", "/card", "/people", "/more",
    "/more/report?form=html",
)  # fmt: skip


@pytest.fixture
def in_the_loop(monkeypatch):
    """Watch what waits for the disk; return where it was asked in the loop, and everything that was asked."""
    found, asked = set(), set()

    def watch(owner, name):
        real = getattr(owner, name)

        def watched(*args, **more):
            where = f"{getattr(owner, '__name__', owner)}.{name}"
            asked.add(where)
            try:
                asyncio.get_running_loop()
                found.add(where)
            except RuntimeError:
                pass
            return real(*args, **more)

        monkeypatch.setattr(owner, name, watched)

    for owner, names in ((Inbox, ("job", "answered", "waiting", "accept")), (Drafts, ("find", "every", "begin"))):
        for name in names:
            watch(owner, name)
    for module in [one for name, one in sys.modules.items() if name.startswith("stripread.web.pages.")]:
        for name in WAITING:
            if hasattr(module, name):
                watch(module, name)
    return found, asked


def test_no_page_waits_for_the_disk_in_the_loop_that_serves_all(signed_in, in_the_loop):
    found, asked = in_the_loop
    client = signed_in("Sol")
    for page in PAGES:
        assert client.get(page).status_code == 200, page
    draft = test_lots.TestCalibration().begin(client).headers["location"]
    assert client.get(draft).status_code == 200
    job = upload(client).headers["location"]
    assert client.get(job).status_code == 200
    assert client.get(f"{job}/state").status_code == 200
    token = csrf_of(client.get("/points-admin").text)
    kept = client.post("/points-admin", data={"csrf": token, "name": "bench 8", "sample": "line", "new": "yes"})
    assert kept.status_code == 303
    assert len(asked) > 25
    assert found == set()
