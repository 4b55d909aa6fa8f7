"""Whatever is sent to whichever address, by whomever, the server answers without a fault of its own."""

import re
import string
from dataclasses import fields
from datetime import datetime
from html.parser import HTMLParser
from importlib import resources
from pathlib import Path
from urllib.parse import quote

import pytest
from hypothesis import HealthCheck, event, example, given, settings
from hypothesis import strategies as st
from starlette.routing import Mount, Route
from starlette.testclient import TestClient

import stripread.web
from stripread.web import Settings, create_app
from stripread.web.limiter import Limiter
from stripread.web.security import CSRF_FIELD, SESSION_COOKIE, VISIT_COOKIE
from tests.web import test_lots, test_studies
from tests.web.conftest import PEOPLE, SAMPLE, csrf_of, make_site, sign_in
from tests.web.test_batches import make, read
from tests.web.test_every_route import PAGES, SENT, filled
from tests.web.test_log import enter

WORDS = st.one_of(
    st.text(max_size=40),
    st.text(string.digits + "-.:/ ", max_size=20),
    st.sampled_from(
        ["bench 1", "tank", "UL-2603", "0" * 32, "1", "-1", "99999999999999999999", "nan", "6 gal", "2026-04-14",
         "..", "../site.toml", "\x00", "%00", "es", "C-1", "<script>", "'; drop table entries; --", "Ines", "grower",
         "yes", "1:275", "220 mg/L", "24 h", "1e308", "-0", "a" * 3000, "🦀", "\r\nset-cookie: x=y"]
    ),
)  # fmt: skip
# Of forms and addresses, as the code and the templates name them: a new one is found by itself.
_IN_CODE = (
    r'(?:text|needed|chosen|whole|day|moment|number|numbers|calendar_day|sent_file|get)\(\s*(?:[\w.]+,\s*)?"(\w+)"'
)
_IN_TEMPLATES = r'(?:name=|field\(|fields\()"(\w+)"'
JPEG, PNG = SAMPLE.read_bytes()[:4000], b"\x89PNG\r\n\x1a\n" + b"\x00" * 50
TYPES = ["multipart/form-data; boundary=b", "multipart/form-data", "application/x-www-form-urlencoded",
         "multipart/form-data; boundary=b; charset=unicode_escape", "multipart/form-data; boundary=" + "b" * 300,
         "application/x-www-form-urlencoded; charset=utf-7", "application/json", "text/plain; charset=nonsense",
         "image/jpeg", "", "\xff", "multipart/mixed; boundary=b"]  # fmt: skip


def names() -> list[str]:
    room = Path(str(resources.files(stripread.web)))
    found = set()
    for ending, pattern in ((".py", _IN_CODE), (".html", _IN_TEMPLATES)):
        for file in room.rglob(f"*{ending}"):
            found |= set(re.findall(pattern, file.read_text(encoding="utf-8")))
    assert {"photo", "flash", "measured", "why", "ratio", "again", "u_known", "validity", "days", "sachet"} <= found
    return sorted(found - {CSRF_FIELD} | {"value-1-0", "u-1-0"})


NAMES = names()
FILES = st.dictionaries(
    st.sampled_from(["photo", "flash", "measured", *NAMES]),
    st.tuples(
        st.sampled_from(["x.jpg", "../../x", "", "a" * 300, "\u2028.png"]),
        st.one_of(st.binary(max_size=200), st.sampled_from([JPEG, PNG, b""])),
        st.sampled_from(["image/jpeg", "text/csv", "", "x"]),
    ),
    max_size=3,
)


@pytest.fixture(scope="module")
def clients(tmp_path_factory):
    """A browser of each person, and one without."""
    app = create_app(Settings(folder=make_site(tmp_path_factory.mktemp("any") / "site"), workers=1))
    for kept in fields(app.state):
        if isinstance(getattr(app.state, kept.name), Limiter):  # how often one may try is another test's
            setattr(app.state, kept.name, Limiter(10**9, 1.0))
    with TestClient(app, raise_server_exceptions=False, follow_redirects=False) as nobody:
        made = [nobody]
        for name in PEOPLE:
            client = TestClient(app, raise_server_exceptions=False, follow_redirects=False)
            client.portal = nobody.portal
            assert sign_in(client, name).status_code == 303
            client.name = name
            made.append(client)
        yield made


# What people would type where a form comes empty.
TYPED = {
    "why": "spilt", "name": "bench 9", "ratio": "1:275", "standard": "50", "u_standard": "1", "text": "cloudy",
    "water": "20 L", "known": "0.2", "u_known": "0.01", "id": "B-1", "injector": "one", "secret": "other-582",
    "again": "other-582", "number": "UL-9", "expires": "2028-01-31", "measured_on": "2026-01-01", "add": "1 L",
    "left": "1 L", "after": "24 h", "make": "40 L", "volume": "30 L", "strength": "220 mg/L",
}  # fmt: skip


class Forms(HTMLParser):
    """Gathers the forms of a page that are sent: where they go, and their fields as they stand."""

    def __init__(self) -> None:
        super().__init__()
        self.found: list[tuple[str, dict[str, str], list[str]]] = []
        self._select = ""

    def handle_starttag(self, tag, attrs):
        given = {name: value or "" for name, value in attrs}
        if tag == "form" and given.get("method") == "post":
            self.found.append((given.get("action", ""), {}, []))
        if not self.found:
            return
        _, fields, files = self.found[-1]
        name = given.get("name", "")
        if tag == "input" and given.get("type") == "file":
            files.append(name)
        elif tag in ("input", "textarea") and name:
            fields[name] = given.get("value") or TYPED.get(name, "")
        elif tag == "select":
            self._select = name
        elif tag == "option" and ("selected" in given or self._select not in fields):
            fields[self._select] = given.get("value", "1")


@pytest.fixture(scope="module")
def forms(clients):
    """All forms that the supervisor is shown, on a site where something was done."""
    client = clients[2]
    assert client.name == "Sol"
    folder = client.app.state.folder
    for batch, kind, sample, value in (
        ("C-14", "concentrate", "concentrate", 400.0),
        ("S-14", "stock", "stock", 200.0),
    ):
        make(folder, batch, kind)
        read(folder, batch, value, sample=sample)
    (reading,) = enter(folder)
    draft = test_lots.TestCalibration().begin(client).headers["location"]
    people, now = client.app.state.people, datetime.now().astimezone()
    people.pair(people.pairing_code(now=now), now=now)
    plan = test_studies.PLAN | {"csrf": csrf_of(client.get("/studies/new").text)}
    assert client.post("/studies/new", data=plan).headers["location"] == "/studies/may"
    csrf = csrf_of(client.get("/more").text)

    def send(path, **fields):
        sent = client.post(path, data={CSRF_FIELD: csrf, **fields})
        assert sent.status_code == 303, path
        return sent.headers["location"]

    wrong = send("/measure", point="bench 1", analyte="chlorine dioxide", value="3 mg/L u 0.1")
    send(f"{wrong}/actions", code="out_of_range", what="flush", owner="Sol", by="2099-01-01")
    send("/events", type="shock", what="50 mg/L")
    send("/batches/stock", id="S-15", concentrate="C-14", add="5 L", water="5 L", tank="blue")
    send("/stores", what="sachets", name="box 7", count="20")
    pages = [filled(path) for path in PAGES if "{" not in path]
    pages += [wrong]
    pages += [f"/pair/{people.pairing_code(now=now)}"]
    pages += ["/studies/may", "/read/bench 1", "/points-admin/tank", "/checks/UL-2603", draft, f"/log/{reading.seq}"]
    pages += [f"/log/{reading.seq}/correct", "/batches/correct/C-14", "/batches/withdraw/C-14"]
    pages += ["/lots/UL-2603", "/lots/new/known?kind=chlorine-ph-duo"]
    pages += ["/batches/generate?water=20+L&after=24+h", "/batches/stock?make=40+L&concentrate=C-14&wanted=220+mg/L"]
    pages += ["/batches/top-up?volume=30+L&stock=S-14&concentrate=C-14&wanted=220+mg/L"]
    found = []
    for page in pages:
        answer = client.get(page)
        if answer.headers.get("content-type", "").startswith("text/html"):
            parser = Forms()
            parser.feed(answer.text)
            found += [(action or page.split("?")[0], fields, files) for action, fields, files in parser.found]
    patterns = {path: re.compile(re.sub(r"\{.*?\}", "[^/]+", path)) for path in SENT}
    reached = {path for path, pattern in patterns.items() for action, _, _ in found if pattern.fullmatch(action)}
    # Once there are photos, a curve, an answer by eye, an end.
    later = {"/lots/drafts/{draft}/leave-out", "/lots/drafts/{draft}/accept"}
    later |= {"/studies/{study}/photo", "/studies/{study}/close"}
    assert reached >= set(SENT) - later - {"/sign-in"}
    return sorted({action: (action, fields, files) for action, fields, files in found}.values(), key=lambda one: one[0])


@settings(max_examples=50, deadline=None, derandomize=True, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(data=st.data())
def test_no_form_makes_the_server_fail(clients, forms, data):
    """A form as it is shown, with some of its fields typed otherwise: that comes further than what is made up."""
    action, fields, files = data.draw(st.sampled_from(forms))
    sent = dict(fields)
    for name in data.draw(st.lists(st.sampled_from(sorted(fields)), max_size=3)):
        sent[name] = data.draw(WORDS)
    client = clients[2]
    sent[CSRF_FIELD] = (
        session_token(client) if not action.startswith("/pair/") else client.cookies.get(VISIT_COOKIE, "")
    )
    contents = st.sampled_from([JPEG, PNG, b"patch,L,a,b\nA1,1,2,3\n"])
    photos = {name: ("x.jpg", data.draw(contents), "image/jpeg") for name in files}
    answer = client.post(action, data=sent, files=photos or None)
    event(f"{action} {answer.status_code}")
    assert answer.status_code < 500, (action, sent, answer.text[:500])


def routes(app) -> list[tuple[str, str]]:
    found = []
    for route in app.routes:
        if isinstance(route, Mount):
            found += [(f"{route.path}/{{file}}", "GET"), (f"{route.path}/{{file}}", "HEAD")]
        else:
            assert isinstance(route, Route)
            found += [(route.path, method) for method in sorted(route.methods or {"GET"})]
    assert len(found) > 60
    return found + 3 * [(path, method) for path, method in found if method == "POST"]  # where most can go wrong


def fill(path: str, words: list[str]) -> str:
    parts = []
    for number, part in enumerate(path.split("/")):
        parts.append(quote(words[number % len(words)], safe="") if part.startswith("{") else part)
    return "/".join(parts)


def session_token(client) -> str:
    """Return what a form of this browser must carry; whoever was signed out or retired meanwhile is let in anew."""
    if not hasattr(client, "name"):
        return str(client.cookies.get(VISIT_COOKIE, ""))
    people = client.app.state.people
    session = people.session(client.cookies.get(SESSION_COOKIE, ""), now=datetime.now().astimezone())
    if session is None:
        people.add(client.name, PEOPLE[client.name], "green-471")
        client.cookies.clear()
        assert sign_in(client, client.name).status_code == 303
        return session_token(client)
    return session.csrf


@settings(max_examples=90, deadline=None, derandomize=True, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(data=st.data())
def test_no_request_makes_the_server_fail(clients, data):
    client = data.draw(st.sampled_from([*clients, clients[2], clients[2]]))  # the supervisor has most
    path, method = data.draw(st.sampled_from(routes(client.app)))
    address = fill(path, data.draw(st.lists(WORDS.filter(bool), min_size=1, max_size=3)))
    fields = data.draw(st.dictionaries(st.sampled_from(NAMES), WORDS, max_size=8))
    if method in ("GET", "HEAD"):
        answer = client.request(method, address, params=fields)
    else:
        method = data.draw(st.sampled_from([method] * 8 + ["PUT", "DELETE", "PATCH", "OPTIONS", "TRACE", "NONE"]))
        files = data.draw(st.one_of(st.none(), FILES))
        answer = client.request(method, address, data={**fields, CSRF_FIELD: session_token(client)}, files=files)
    event(f"{method} {answer.status_code}")
    assert answer.status_code < 500, (method, address, fields, answer.text[:500])


@settings(max_examples=30, deadline=None, derandomize=True, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(body=st.binary(max_size=300), kind=st.sampled_from(TYPES), data=st.data())
@example(body=b"--b\r\n", kind="multipart/form-data; boundary=b", data=None)
def test_no_body_makes_the_server_fail(clients, body, kind, data):
    client = clients[2] if data is None else data.draw(st.sampled_from(clients))
    paths = [path for path, method in routes(client.app) if method == "POST"]
    for path in ("/read/{x}/photo", "/sign-in", paths[len(body) % len(paths)]):
        headers = {"content-type": kind.encode("latin-1"), "x-csrf-token": session_token(client)}
        for sent in (headers, {"content-type": headers["content-type"]}):
            answer = client.post(fill(path, ["tank"]), content=body, headers=sent)
            assert answer.status_code < 500, (path, body, kind, answer.text[:300])


@settings(max_examples=20, deadline=None, derandomize=True, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    name=st.sampled_from(["cookie", "host", "accept", "accept-language", "content-length", "x-csrf-token", "referer",
                          "x-forwarded-for", "range", "if-modified-since", "origin", "content-type"]),
    value=st.one_of(st.binary(max_size=60), st.sampled_from([b"9" * 5000, b"bytes=0-,5-4", b'stripread_visit="\\4'])),
)  # fmt: skip
def test_no_header_makes_the_server_fail(clients, name, value):
    client = clients[2]
    for method, path in (("GET", "/"), ("GET", "/static/sheet.css"), ("GET", "/sign-in"), ("POST", "/language")):
        answer = client.request(method, path, headers={name.encode(): value})
        assert answer.status_code < 500, (method, path, name, value)
