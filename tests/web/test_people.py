"""Who may use the page is the supervisor's, on the page as on the command line."""

import re
from datetime import UTC, datetime

from starlette.testclient import TestClient

from stripread.records import open_records
from stripread.web import Settings, create_app
from stripread.web.people.guessable import is_guessable
from tests.listed import each
from tests.web.conftest import SECRET, csrf_of, pair, sign_in


def send(client, where="/people", **fields):
    token = csrf_of(client.get("/people").text)
    return client.post(where, data={"csrf": token, **fields})


def add(client, **fields):
    return send(client, **{"name": "Ola", "role": "technician", "secret": "other-582", "again": "other-582", **fields})


def entries(site):
    with open_records(site) as records:
        return [(e.who, e.subject, dict(e.payload)) for e in reversed(records.entries(kind="account"))]


def test_somebody_is_added_changed_and_retired_each_with_an_entry_and_no_secret(signed_in, site):
    client = signed_in("Sol")
    assert add(client).status_code == 303
    assert "Ola" in client.get("/people").text
    client.cookies.clear()
    assert sign_in(client, "Ola", "other-582").status_code == 303
    client.cookies.clear()
    sign_in(client, "Sol")

    assert add(client).status_code == 400  # she is there, and nobody said that she is meant
    assert add(client, change="yes", role="grower", secret="third-693", again="third-693").status_code == 303
    client.cookies.clear()
    assert sign_in(client, "Ola", "other-582").status_code == 403
    assert sign_in(client, "Ola", "third-693").status_code == 303
    assert client.get("/lots").status_code == 403
    client.cookies.clear()
    sign_in(client, "Sol")

    assert send(client, "/people/retire", name="Ola").status_code == 303
    assert "retired" in client.get("/people").text
    client.cookies.clear()
    assert sign_in(client, "Ola", "third-693").status_code == 403
    said = entries(site)
    assert said == [
        ("Sol", "Ola", {"change": "may sign in", "role": "technician"}),
        ("Sol", "Ola", {"change": "may sign in", "role": "grower"}),
        ("Sol", "Ola", {"change": "may no longer sign in"}),
    ]
    assert "third-693" not in repr(said)


def test_wrong_people_are_refused(signed_in, site):
    client = signed_in("Sol")
    for wrong in (
        {"name": ""},
        {"role": "owner"},
        {"role": ""},
        {"secret": "12345", "again": "12345"},
        {"again": "other-583"},
        {"change": "yes"},  # she is not there
        {"name": "Sol", "change": "yes"},  # the last supervisor
    ):
        assert add(client, **wrong).status_code == 400, wrong
    assert send(client, "/people/retire", name="Nobody").status_code == 400
    assert send(client, "/people/retire", name="Sol").status_code == 400
    assert entries(site) == []
    assert client.get("/people").status_code == 200  # and Sol is still signed in


def test_the_code_on_the_page_lets_one_phone_in(site):
    app = create_app(Settings(folder=site, lan=True, workers=1))
    home = ("127.0.0.1", 5000)
    with TestClient(
        app, follow_redirects=False, client=home
    ) as supervisor:  # the server's own machine needs no pairing
        token = csrf_of(supervisor.get("/sign-in").text)
        data = {"csrf": token, "name": "Sol", "secret": SECRET, "next": "/people"}
        assert supervisor.post("/sign-in", data=data).headers["location"] == "/people"
        page = send(supervisor, "/people/pair", phone="Ola's")
        assert page.status_code == 200
        assert 'src="data:image/svg+xml' in page.text
        path = re.search(r"http://testserver(/pair/[\w-]+)", page.text)[1]
        phone = TestClient(app, follow_redirects=False, client=("192.0.2.77", 50000))
        assert phone.get("/sign-in").status_code == 403
        assert pair(phone, path.rsplit("/", 1)[1]).status_code == 303
        assert phone.get("/sign-in").status_code == 200
        assert TestClient(app, client=("192.0.2.78", 50000)).get(path).status_code == 403
        listed = supervisor.get("/people").text
        assert "Ola&#39;s" in listed
        assert "not used yet" in listed
        id = re.search(r'name="phone" value="(\w+)"', listed)[1]
        assert send(supervisor, "/people/unpair", phone="00000000").status_code == 400
        assert send(supervisor, "/people/unpair", phone=id).headers["location"] == "/people"
        assert "No phone is paired." in supervisor.get("/people").text
        assert phone.get("/sign-in").status_code == 403
    said = entries(site)
    paired = datetime.now(UTC).date().isoformat()
    assert said == [
        ("Sol", "Sol", {"change": "code for a new phone", "name": "Ola's"}),
        ("a new phone", "192.0.2.77", {"change": "phone paired"}),
        ("Sol", f"phone {id}", {"change": "phone no longer let in", "paired": paired, "name": "Ola's"}),
    ]
    assert path.rsplit("/", 1)[1] not in repr(said)


def test_they_are_the_supervisors(signed_in, client):
    for name in ("Ines", "Gus"):
        client.cookies.clear()
        sign_in(client, name)
        assert client.get("/people").status_code == 403
        token = csrf_of(client.get("/read/tank").text) if name == "Ines" else "x"
        data = {"csrf": token, "name": "Gus", "role": "supervisor", "secret": SECRET, "again": SECRET}
        for path in ("/people", "/people/retire", "/people/pair", "/people/unpair"):
            assert client.post(path, data=data).status_code == 403
    assert {p.name: p.role for p in client.app.state.people.everybody()}["Gus"] == "grower"


@each("secret", ["111111", "123456", "654321", "abcabc", "121212", "aaa111", "1234abcd", "qwerty", "asdfgh", "01012001",
                 "2001-01-01", "140689", "Mara-7", "stripread1"])  # fmt: skip
def test_what_is_guessed_first_is_no_secret(secret):
    assert is_guessable(secret, name="Mara")


@each("secret", ["tulip-42-b", "other-582", "482915", "930571", "blue kettle", "7h4kqp"])
def test_others_are(secret):
    assert not is_guessable(secret, name="Mara")
