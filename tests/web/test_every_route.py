"""Every address of the page, by name: who may use it, that it asks for the token, and what it enters.

A new route that is in no table here fails these tests, so that nobody forgets to say who it is for.
"""

import json
import re
from datetime import datetime
from importlib import resources

import pytest
from starlette.routing import Mount, Route
from starlette.testclient import TestClient

from stripread.records import open_records
from stripread.web import Settings, create_app
from stripread.web.limiter import Limiter
from stripread.web.security import CSRF_FIELD, SESSION_COOKIE, guard_headers
from tests.listed import each
from tests.web import test_lots
from tests.web.conftest import PEOPLE, SAMPLE, SECRET, csrf_of, make_site, pair, sign_in
from tests.web.test_card_and_checks import MEASURED
from tests.web.test_log import enter
from tests.web.test_read import answer

ANYBODY, ALL, WORK, OFFICE = "anybody", "technician supervisor grower", "technician supervisor", "supervisor"
PAGES = {
    "/pair/{code}": ANYBODY, "/sign-in": ANYBODY, "/favicon.ico": ANYBODY, "/app.webmanifest": ANYBODY,
    "/worker.js": ANYBODY,
    "/": ALL, "/read": ALL, "/read/{point}": ALL, "/jobs/{job}": ALL, "/jobs/{job}/state": ALL,
    "/jobs/{job}/picture": ALL, "/points/{name:path}": ALL, "/points/{name:path}/figure.png": ALL, "/log": ALL,
    "/log/{entry:int}": ALL, "/log/{entry:int}/photos/{sha256}": ALL, "/more": ALL, "/more/report": ALL,
    "/more/export.zip": ALL,
    "/batches": WORK, "/batches/made/{id:path}": WORK, "/batches/generate": WORK, "/batches/stock": WORK,
    "/batches/top-up": WORK, "/injector": WORK, "/injector/plan": WORK, "/sums": WORK, "/sums/{what}": WORK,
    "/batches/correct/{id:path}": WORK, "/log/{entry:int}/correct": WORK, "/batches/withdraw/{id:path}": WORK,
    "/measure": WORK, "/tanks": WORK, "/stores": WORK, "/batches/label/{id:path}": WORK,
    "/actions": ALL, "/events": ALL,
    "/lots": OFFICE, "/lots/{lot}": OFFICE, "/lots/new": OFFICE, "/lots/new/known": OFFICE, "/lots/drafts": OFFICE,
    "/lots/drafts/{draft}": OFFICE, "/lots/drafts/{draft}/state": OFFICE, "/points-admin": OFFICE,
    "/points-admin/{point}": OFFICE, "/labels": OFFICE, "/card": OFFICE, "/card/card.pdf": OFFICE,
    "/checks/{lot}": OFFICE, "/people": OFFICE, "/studies": OFFICE, "/studies/new": OFFICE,
    "/studies/{study}": OFFICE, "/studies/{study}/sheet": OFFICE, "/studies/{study}/report": OFFICE,
}  # fmt: skip
# With the kind of the entry that each leaves in the record; or why it leaves none.
NO_CHANGE, OWN, DRAFT = "changes nothing", "a person's own choice of words", "calibration"
STUDY = "study"  # its entries are looked at in test_studies.py
SENT = {
    "/pair/{code}": (ANYBODY, "account"), "/people/unpair": (OFFICE, "account"),
    "/sign-in": (ANYBODY, NO_CHANGE), "/sign-out": (ALL, NO_CHANGE), "/language": (ALL, OWN), "/units": (ALL, OWN),
    "/read/{point}/photo": (WORK, "reading"), "/log/{entry:int}/notes": (WORK, "note"),
    "/log/{entry:int}/correct": (WORK, "reading"), "/batches/withdraw/{id:path}": (WORK, "batch"),
    "/batches/correct/{id:path}": (WORK, "batch"),
    "/batches/generate": (WORK, "batch"), "/batches/stock": (WORK, "batch"), "/batches/top-up": (WORK, "batch"),
    "/injector": (WORK, "injector_setting"), "/measure": (WORK, "reading"),
    "/log/{entry:int}/actions": (WORK, "action"), "/actions/{action:int}/done": (WORK, "action_done"),
    "/events": (WORK, "note"), "/events/{entry:int}/tick": (WORK, "note"), "/tanks": (WORK, "tank_event"),
    "/stores": (WORK, "store_item"), "/stores/use": (WORK, "store_use"),
    "/points-admin": (OFFICE, "point"), "/points-admin/{point}/retire": (OFFICE, "point"),
    "/card/enrol": (OFFICE, "card_print"), "/checks/{lot}": (OFFICE, "check_standard"),
    "/people": (OFFICE, "account"), "/people/retire": (OFFICE, "account"), "/people/pair": (OFFICE, "account"),
    "/lots/new": (OFFICE, DRAFT), "/lots/new/known": (OFFICE, DRAFT),
    "/lots/drafts/{draft}/photo": (OFFICE, DRAFT),
    "/lots/drafts/{draft}/leave-out": (OFFICE, DRAFT), "/lots/drafts/{draft}/reject": (OFFICE, DRAFT),
    "/lots/drafts/{draft}/accept": (OFFICE, "lot"),
    "/lots/{lot}/accept": (OFFICE, "lot_accepted"), "/card/{card}/accept": (OFFICE, "card_accepted"),
    "/studies/new": (OFFICE, STUDY), "/studies/{study}/enter": (OFFICE, STUDY),
    "/studies/{study}/photo": (OFFICE, STUDY), "/studies/{study}/close": (OFFICE, STUDY),
}  # fmt: skip
FILL = {
    "what": "line",
    "point": "bench 1",
    "name:path": "bench 1",
    "lot": "UL-2603",
    "card": "card-print-a",
    "entry:int": "1",
    "id:path": "C-1",
}


@pytest.fixture(scope="module")
def site(tmp_path_factory):
    return make_site(tmp_path_factory.mktemp("every") / "site")


@pytest.fixture(scope="module")
def app(site):
    return create_app(Settings(folder=site, workers=1))


@pytest.fixture(scope="module")
def clients(app):
    """A browser for each person, and one that nobody signed in with."""
    with TestClient(app, follow_redirects=False) as opened:
        made = {"nobody": opened}
        for name, role in PEOPLE.items():
            made[role] = TestClient(app, follow_redirects=False)
            made[role].portal = opened.portal  # all in one loop, as the server's
            assert sign_in(made[role], name).status_code == 303
        yield made


def found(app, method: str) -> set[str]:
    assert all(isinstance(route, Route) or route.path == "/static" for route in app.routes)
    return {route.path for route in app.routes if isinstance(route, Route) and method in (route.methods or {"GET"})}


def filled(path: str) -> str:
    return re.sub(r"\{(.*?)\}", lambda match: FILL.get(match[1], "0" * 32), path)


def token(client) -> dict[str, str]:
    now = datetime.now().astimezone()
    return {"x-csrf-token": client.app.state.people.session(client.cookies[SESSION_COOKIE], now=now).csrf}


def entries(site) -> list:
    with open_records(site) as records:
        return records.entries(limit=10_000)


def test_every_address_is_in_the_tables(app):
    assert found(app, "GET") == set(PAGES)
    assert found(app, "POST") == set(SENT)
    methods = {method for route in app.routes if isinstance(route, Route) for method in route.methods or ()}
    assert methods == {"GET", "HEAD", "POST"}
    (mount,) = (route for route in app.routes if isinstance(route, Mount))
    assert mount.path == "/static"


@each("path", PAGES)
def test_a_page_opens_to_its_roles_and_to_nobody_else(clients, path):
    for role, client in clients.items():
        code = client.get(filled(path)).status_code
        if PAGES[path] is ANYBODY:
            assert code in (200, 303, 403), role  # 403: no such pairing code
        elif role == "nobody":
            assert code == 303
            assert client.get(filled(path)).headers["location"].startswith("/sign-in?next=")
            assert client.head(filled(path)).status_code == 401
        else:
            assert (code != 403) is (role in PAGES[path].split()), (role, code)


@each("path", SENT)
def test_what_is_sent_needs_a_role_and_the_token(clients, site, path):
    before = len(entries(site))
    for role, client in clients.items():
        if role == "nobody":
            assert client.post(filled(path)).status_code == (403 if SENT[path][0] is ANYBODY else 401)
            continue
        others = [{}, {"x-csrf-token": "x" * 43}, {"x-csrf-token": ""}]
        others += [token(other) for name, other in clients.items() if name not in ("nobody", role)]
        for wrong in others:
            assert client.post(filled(path), headers=wrong).status_code == 403, (role, wrong)
            form = {CSRF_FIELD: wrong.get("x-csrf-token", "")}
            assert client.post(filled(path), data=form).status_code == 403, (role, form)
        assert client.get("/more").status_code == 200  # still signed in
        if role not in SENT[path][0] and SENT[path][0] is not ANYBODY:
            assert client.post(filled(path), headers=token(client)).status_code == 403, role
    assert len(entries(site)) == before


def test_every_answer_carries_the_headers(app, clients, monkeypatch):
    client = clients["supervisor"]
    answers = [client.get(filled(path)) for path in PAGES]
    answers += [client.get(path) for path in ("/static/sheet.css", "/static/sheet.js", "/static/none", "/static")]
    answers += [client.get("/nowhere"), client.put("/"), client.post("/people"), clients["nobody"].post("/people")]
    answers += [client.post("/language", content=b"x" * 300_000), client.get("/", headers={"host": "evil.example"})]
    answers += [client.post("/people", headers={"content-type": "multipart/form-data; boundary=b; charset=utf-7"})]
    with monkeypatch.context() as broken:
        broken.setattr("stripread.web.pages.read.points_due", lambda *args, **named: 1 / 0)
        failing = TestClient(app, raise_server_exceptions=False, cookies=client.cookies)
        answers.append(failing.get("/read"))
    assert {one.status_code for one in answers} >= {200, 307, 401, 403, 404, 405, 413, 415, 421, 500}
    for one in answers:
        for name, value in guard_headers(secure=False).items():
            assert one.headers[name] == value, (one.url, one.status_code, name)
        assert "server" not in one.headers
        assert "Traceback" not in one.text
        assert "ZeroDivision" not in one.text


def test_files_and_heavy_work_are_asked_for_only_so_often(clients, monkeypatch):
    client, none = clients["supervisor"], Limiter(0, 60.0)
    draft = test_lots.TestCalibration().begin(client).headers["location"]
    addresses = {"/card/enrol", "/checks/UL-2603", f"{draft}/photo", "/read/bench 1/photo", "/studies/may/photo"}
    texts = [t.read_text("utf-8") for t in (resources.files("stripread.web") / "templates").iterdir()]
    forms = {form for text in texts for form in re.findall(r'action="([^"]+)" enctype="multipart', text)}
    blank = {re.sub(r"\{\{.*?\}\}", "", form) for form in forms}
    assert blank == {re.sub(r"UL-2603|(?<=drafts/)\w+|bench 1|(?<=studies/)\w+", "", address) for address in addresses}
    monkeypatch.setattr(client.app.state, "upload_tries", none)
    for address in addresses:
        assert client.post(address, headers=token(client)).status_code == 429, address
    monkeypatch.setattr(client.app.state, "heavy_tries", none)
    for address in ("/more/report", "/more/export.zip"):
        assert client.get(address).status_code == 429, address


class TestAudit:
    """Every change, made once in the order of the work: its entry, or where else it stands."""

    def steps(self, client, site):
        """Send each form; yield its route, who sent it, and the answer."""

        def post(path, data=None, **more):
            return client.post(path, data={CSRF_FIELD: csrf_of(client.get("/more").text), **(data or {})}, **more)

        photo = {"photo": ("x.jpg", SAMPLE.read_bytes(), "image/jpeg")}
        sent = post("/read/bench 1/photo", {"key": "a" * 32, "lot": "UL-2603"}, files=photo)
        answer(client, sent.headers["location"])
        yield "/read/{point}/photo", sent
        (seq,) = (entry.seq for entry in enter(site))
        yield "/log/{entry:int}/notes", post(f"/log/{seq}/notes", {"text": "cloudy"})
        yield "/batches/generate", post("/batches/generate", {"id": "C-1", "water": "20 L", "after": "24 h"})
        yield (
            "/batches/stock",
            post("/batches/stock", {"id": "S-1", "concentrate": "C-1", "add": "5 L", "water": "9 L"}),
        )
        yield "/batches/top-up", post("/batches/top-up", {"id": "S-2", "stock": "S-1", "left": "5 L", "water": "1 L"})
        yield "/batches/correct/{id:path}", post("/batches/correct/S-2", {"water": "2 L", "why": "misread"})
        yield "/batches/withdraw/{id:path}", post("/batches/withdraw/S-2", {"why": "not made"})
        yield "/log/{entry:int}/correct", post(f"/log/{seq}/correct", {"why": "splashed", "validity": "doubtful"})
        fields = {"point": "bench 1", "analyte": "pH", "value": "7.2"}
        yield "/measure", post("/measure", fields)
        high = post("/measure", {"point": "bench 1", "analyte": "chlorine dioxide", "value": "3 mg/L u 0.1"})
        wrong = high.headers["location"].split("/")[-1].split("#")[0]
        asked = {"code": "out_of_range", "what": "flush", "owner": "Ines", "by": "2099-01-01"}
        yield "/log/{entry:int}/actions", post(f"/log/{wrong}/actions", asked)
        (action,) = re.findall(r"/actions/(\d+)/done", client.get("/actions").text)
        yield "/actions/{action:int}/done", post(f"/actions/{action}/done", {"what": "flushed"})
        yield "/events", post("/events", {"type": "shock", "what": "50 mg/L"})
        (event,) = set(re.findall(r"/events/(\d+)/tick", client.get("/events").text))
        yield "/events/{entry:int}/tick", post(f"/events/{event}/tick", {"check": "line rinsed"})
        made = {"id": "S-7", "concentrate": "C-1", "add": "2 L", "water": "2 L", "tank": "blue"}
        assert post("/batches/stock", made).status_code == 303
        yield "/tanks", post("/tanks", {"tank": "blue", "what": "emptied"})
        yield "/stores", post("/stores", {"what": "sachets", "name": "box 7", "count": "20"})
        yield "/stores/use", post("/stores/use", {"item": "box 7", "count": "2"})
        yield "/injector", post("/injector", {"injector": "one", "ratio": "1:275", "nevertheless": "yes"})
        yield "/points-admin", post("/points-admin", {"new": "yes", "name": "bench 9", "sample": "line"})
        yield "/points-admin/{point}/retire", post("/points-admin/bench 9/retire", {"why": "gone"})
        measured = {"measured": ("x.csv", MEASURED, "text/csv")}
        yield "/card/enrol", post("/card/enrol", {"name": "print-b", "measured_on": "2026-03-01"}, files=measured)
        for route, path, page in (
            ("/lots/{lot}/accept", "/lots/UL-2603/accept", "/lots/UL-2603"),
            ("/card/{card}/accept", "/card/card-print-a/accept", "/card"),
        ):
            form = re.search(rf'action="{path}".*?name="sha256" value="(\w+)"', client.get(page).text, re.DOTALL)
            assert post(path, {"sha256": "0" * 64}).status_code == 400  # another file than was shown
            yield route, post(path, {"sha256": form[1]})
            assert "Accepted by Sol" in client.get(page).text
        yield "/checks/{lot}", post("/checks/UL-2603", {"known": "0.35", "u_known": "0.005"}, files=photo)
        person = {"name": "Ola", "role": "technician", "secret": "other-582", "again": "other-582"}
        yield "/people", post("/people", person)
        yield "/people/retire", post("/people/retire", {"name": "Ola"})
        shown = post("/people/pair")
        yield "/people/pair", shown
        phone, code = TestClient(client.app, follow_redirects=False), re.search(r"/pair/([\w-]+)", shown.text)[1]
        phone.portal = client.portal
        yield "/pair/{code}", pair(phone, code)
        (paired,) = client.app.state.people.phones(now=datetime.now().astimezone())
        yield "/people/unpair", post("/people/unpair", {"phone": paired.id})
        yield "/language", post("/language", {"language": "es", "next": "/"})
        yield "/units", post("/units", {"units": "us", "next": "/"})

    def test_each_change_stands_in_the_record_under_its_name(self, clients, site):
        client, done = clients["supervisor"], set()
        before = {entry.seq for entry in entries(site)}
        for path, sent in self.steps(client, site):
            assert sent.status_code in (200, 303), (path, sent.text)
            new = [entry for entry in entries(site) if entry.seq not in before]
            before |= {entry.seq for entry in new}
            wanted = SENT[path][1]
            if wanted not in (NO_CHANGE, OWN):
                who = "a new phone" if path == "/pair/{code}" else "Sol"
                assert who in [entry.who for entry in new if entry.kind == wanted], path
            done.add(path)
        assert done == {
            path for path, (_, left) in SENT.items() if left not in (NO_CHANGE, DRAFT, STUDY) and left != "lot"
        }

    def test_a_calibration_under_way_names_who_did_what(self, clients, site):
        client, one = clients["supervisor"], test_lots.TestCalibration()
        where = one.begin(client, number="UL-10").headers["location"]
        draft = site / where.lstrip("/").removeprefix("lots/") / "draft.json"
        assert one.send(client, where, 0, 1).status_code == 303
        said = json.loads(draft.read_text("utf-8"))
        assert (said["by"], said["at"][:2]) == ("Sol", "20")
        assert (said["photos"][0]["who"], said["photos"][0]["at"][:2]) == ("Sol", "20")
        form = {CSRF_FIELD: one.token(client), "photo": said["photos"][0]["sha256"], "out": "yes"}
        assert client.post(f"{where}/leave-out", data=form).status_code == 303
        assert json.loads(draft.read_text("utf-8"))["photos"][0]["left_out_by"] == "Sol"
        form["out"] = "no"
        assert client.post(f"{where}/leave-out", data=form).status_code == 303
        form = {CSRF_FIELD: one.token(client), "why": "spilt"}
        assert client.post(f"{where}/reject", data=form).status_code == 303
        changes = [(e.payload["change"], e.who) for e in entries(site) if e.payload.get("draft") == draft.parent.name]
        assert sorted(changes) == sorted(
            (change, "Sol") for change in ("begun", "photo added", "photo left out", "photo taken in again", "rejected")
        )
        said = json.loads(draft.read_text("utf-8"))
        assert (said["state"], said["closed_by"], said["closed_at"][:2], said["why"]) == (
            "rejected",
            "Sol",
            "20",
            "spilt",
        )
        # The entry of an accepted one is looked at in tests/web/test_lots.py, where a whole lot is calibrated.


def test_an_account_is_changed_only_if_it_can_be_entered(clients, site, monkeypatch):
    from stripread.errors import RecordsError
    from stripread.records import Records

    client = clients["supervisor"]

    def held(*_, **__):
        raise RecordsError(expected="a free record", found="a held one", remedy="Wait.")

    headers, known, now = token(client), client.app.state.people, datetime.now().astimezone()
    paired = known.pair(known.pairing_code(now=now), now=now)
    monkeypatch.setattr(Records, "append", held)
    person = {"name": "Eve", "role": "supervisor", "secret": SECRET, "again": SECRET}
    assert client.post("/people", data=person, headers=headers).status_code == 400
    assert client.post("/people/retire", data={"name": "Gus"}, headers=headers).status_code == 400
    assert client.post("/people/pair", headers=headers).status_code == 400
    (phone, *_) = known.phones(now=now)
    assert client.post("/people/unpair", data={"phone": phone.id}, headers=headers).status_code == 400
    assert known.is_paired(paired, now=now)
    people = {person.name: person for person in client.app.state.people.everybody()}
    assert "Eve" not in people
    assert people["Gus"].active
