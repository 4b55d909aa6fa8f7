"""Whatever is sent to whichever address, the server answers without a fault of its own."""

import string
from urllib.parse import quote

import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st
from starlette.routing import Route
from starlette.testclient import TestClient

from stripread.web.app import create_app
from stripread.web.security import CSRF_FIELD, SESSION_COOKIE
from stripread.web.settings import Settings
from tests.web.conftest import make_site, sign_in

WORDS = st.one_of(
    st.text(max_size=40),
    st.text(string.digits + "-.:/ ", max_size=20),
    st.sampled_from(
        ["bench 1", "tank", "UL-2603", "0" * 32, "1", "-1", "99999999999999999999", "nan", "5 gal", "2026-04-14",
         "..", "../site.toml", "\x00", "%00", "es", "C-1", "<script>", "'; drop table entries; --"]
    ),
)  # fmt: skip


@pytest.fixture(scope="module")
def app_of_a_site(tmp_path_factory):
    return create_app(Settings(folder=make_site(tmp_path_factory.mktemp("any") / "site"), workers=1))


@pytest.fixture(scope="module")
def supervisor(app_of_a_site):
    with TestClient(app_of_a_site, raise_server_exceptions=False, follow_redirects=False) as client:
        assert sign_in(client, "Sol").status_code == 303
        yield client


def routes(app) -> list[tuple[str, str]]:
    found = [(r.path, m) for r in app.routes if isinstance(r, Route) for m in sorted(r.methods or {"GET"})]
    assert len(found) > 10
    return [(path, method) for path, method in found if path not in ("/sign-out", "/sign-in")]


def fill(path: str, words: list[str]) -> str:
    parts = []
    for number, part in enumerate(path.split("/")):
        parts.append(quote(words[number % len(words)], safe="") if part.startswith("{") else part)
    return "/".join(parts)


@settings(max_examples=300, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(data=st.data())
def test_no_request_makes_the_server_fail(supervisor, data):
    client = supervisor
    path, method = data.draw(st.sampled_from(routes(client.app)))
    address = fill(path, data.draw(st.lists(WORDS.filter(bool), min_size=1, max_size=3)))
    names = st.sampled_from(
        ["name", "key", "lot", "point", "sample", "flushed_s", "waited_s", "photo", "from", "to", "before", "next",
         "role", "secret", "water", "add", "concentrate", "batch", "text", "about", "ratio", "language", "known",
         "number", "kind", "expires", "card", "standard", "u_standard", "levels", "beyond", "level", "strip", "fit",
         "why", "order", "flush_s", "address", "again", "measured_on", "pad", "u_known", "units"]
    )  # fmt: skip
    fields = data.draw(st.dictionaries(names, WORDS, max_size=6))
    for limiter in ("upload_tries", "pairing_tries", "sign_in_tries", "caller_tries"):
        getattr(client.app.state, limiter)._tries.clear()
    session = client.app.state.people.session(client.cookies[SESSION_COOKIE], now=_now())
    assert session is not None
    if method in ("GET", "HEAD"):
        answer = client.request(method, address, params=fields)
    elif data.draw(st.booleans()):
        answer = client.request(method, address, data={**fields, CSRF_FIELD: session.csrf})
    else:
        photo = data.draw(st.binary(max_size=200))
        answer = client.request(
            method, address, data={**fields, CSRF_FIELD: session.csrf}, files={"photo": ("x.jpg", photo, "image/jpeg")}
        )
    assert answer.status_code < 500, (method, address, fields, answer.text[:500])


@settings(max_examples=100, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    body=st.binary(max_size=300),
    kind=st.sampled_from(
        [
            "multipart/form-data; boundary=b",
            "multipart/form-data",
            "application/x-www-form-urlencoded",
            "application/json",
            "text/plain; charset=nonsense",
            "",
            "\xff",
        ]
    ),
)
@example(body=b"--b\r\n", kind="multipart/form-data; boundary=b")
def test_no_body_makes_the_server_fail(supervisor, body, kind):  # fmt: skip
    for path in ("/read/tank/photo", "/sign-in", "/language"):
        answer = supervisor.post(path, content=body, headers={"content-type": kind.encode("latin-1")})
        assert answer.status_code < 500, (path, body, kind, answer.text[:300])
    supervisor.app.state.caller_tries._tries.clear()


def _now():
    from datetime import datetime

    return datetime.now().astimezone()
