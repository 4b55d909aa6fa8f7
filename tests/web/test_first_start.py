"""The first start on an empty folder: a few questions, the site is there; then a list that ticks itself."""

import re

import pytest
from starlette.testclient import TestClient

from stripread.records import open_records
from stripread.site import load_site
from stripread.web import People, Settings, create_app, create_first_start
from tests.web.conftest import csrf_of, sign_in

GOOD = {
    "name": "Alder Row",
    "units": "us",
    "language": "es",
    "person": "Mara",
    "secret": "tulip-42-b",
    "again": "tulip-42-b",
}


@pytest.fixture
def started(tmp_path):
    told = []
    app = create_first_start(tmp_path / "new", onward="http://127.0.0.1:1/sign-in", done=lambda: told.append(True))
    with TestClient(app, base_url="http://localhost", follow_redirects=False) as client:
        yield client, tmp_path / "new", told


def send(client, **fields):
    return client.post("/", data={"csrf": csrf_of(client.get("/").text), **fields})


def test_a_few_questions_and_the_site_is_ready(started):
    client, folder, told = started
    assert client.get("/read").headers["location"] == "/"
    answer = send(client, **GOOD)
    assert answer.status_code == 200
    assert "http://127.0.0.1:1/sign-in" in answer.text
    assert told == [True]
    site, people = load_site(folder), People(folder)
    assert (site.name, site.units) == ("Alder Row", "us")
    (first,) = people.everybody()
    people.close()
    assert (first.name, first.role, first.language) == ("Mara", "supervisor", "es")
    with open_records(folder) as records:
        assert [(e.kind, e.who) for e in records.entries()] == [("account", "Mara"), ("site", "Mara")]


@pytest.mark.parametrize(
    ("name", "value"), [("name", ""), ("person", ""), ("secret", "1"), ("again", "x"), ("units", "ell")]
)
def test_what_is_wrong_is_said_and_nothing_is_begun(started, name, value):
    client, folder, told = started
    answer = send(client, **{**GOOD, name: value})
    assert answer.status_code == 400
    assert 'role="alert"' in answer.text
    assert 'value="Alder Row"' in answer.text or name == "name"
    assert "tulip" not in answer.text
    assert told == []
    assert not (folder / "site.toml").exists()
    assert send(client, **GOOD).status_code == 200


def test_nobody_else_begins_it(started):
    client, folder, _ = started
    assert client.post("/", data=GOOD).status_code == 403  # another site's form has no token
    assert client.get("/", headers={"host": "evil.example"}).status_code == 421
    assert not folder.exists()


def test_a_site_without_anybody_asks_for_the_first_person_alone(started):
    client, folder, _ = started
    assert send(client, **GOOD).status_code == 200
    before = (folder / "site.toml").read_bytes()
    page = client.get("/").text
    assert 'name="person"' in page
    assert 'name="units"' not in page
    assert send(client, person="Noa", secret="tulip-42-b", again="tulip-42-b", language="en").status_code == 200
    assert (folder / "site.toml").read_bytes() == before


def test_the_first_supervisor_is_led_on_by_a_list_that_ticks_itself(started):
    client, folder, _ = started
    send(client, **GOOD)
    people = People(folder)
    people.speak("Mara", "en")
    people.close()
    with TestClient(create_app(Settings(folder=folder, workers=1)), follow_redirects=False) as page:
        assert sign_in(page, "Mara", GOOD["secret"]).status_code == 303
        steps = re.search(r'<ol class="first">(.*?)</ol>', page.get("/").text, re.DOTALL)[1]
        links = re.findall(r'href="([^"]+)"', steps)
        assert links == ["/card", "/points-admin", "/lots", "/read"]
        for link in links:
            assert page.get(link).status_code == 200
        form = {"csrf": csrf_of(page.get("/points-admin").text), "new": "yes", "name": "bench 1", "sample": "line"}
        assert page.post("/points-admin", data=form).status_code == 303
        assert "✔ Name the points where samples are taken" in page.get("/").text
