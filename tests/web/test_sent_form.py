"""Of whatever is sent, no file stays open, however the request ends."""

from pathlib import Path
from tempfile import SpooledTemporaryFile

import pytest

import stripread.web
from stripread.web import Settings, create_app
from stripread.web.security import VISIT_COOKIE
from tests.web.conftest import csrf_of, sign_in
from tests.web.test_hostile_bodies import run

LARGE = b"x" * 1_200_000  # more than is held in memory: a file of the system's
SHORT = b"x" * 1000
PART = b'--b\r\ncontent-disposition: form-data; name="%s"; filename="x.jpg"\r\n\r\n%s\r\n'
TYPE = {"content-type": "multipart/form-data; boundary=b"}


@pytest.fixture
def made(monkeypatch):
    """Every file made for what was sent. As all are held here, none is closed by being collected."""
    files = []

    class Held(SpooledTemporaryFile):
        def __init__(self, *args, **named):
            super().__init__(*args, **named)
            files.append(self)

    monkeypatch.setattr("starlette.formparsers.SpooledTemporaryFile", Held)
    yield files
    for file in files:
        file.close()


def test_no_file_of_a_hundred_refused_uploads_stays_open(client, made):
    photo = {"photo": ("x.jpg", SHORT, "image/jpeg")}
    client.get("/sign-in")
    visit = {"csrf": client.cookies[VISIT_COOKIE]}
    for number in range(20):
        if number == 19:
            photo = {"photo": ("x.jpg", LARGE, "image/jpeg")}
        for path in ("/sign-in", "/pair/none"):
            assert client.post(path, data={"csrf": "no"}, files=photo).status_code == 403
            assert client.post(path, data=visit, files=photo).status_code in (403, 429)
        assert client.post("/read/tank/photo", files=photo).status_code == 401
    assert len(made) >= 80
    assert [file for file in made if not file.closed] == []


def test_files_sent_by_somebody_who_may_are_closed_too(client, made):
    sign_in(client, "Ines")
    token = {"csrf": csrf_of(client.get("/read/tank").text)}
    photos = {name: (f"{name}.jpg", LARGE, "image/jpeg") for name in ("photo", "flash")}
    for fields, status in ((token, 400), ({"csrf": "no"}, 403), (token | {"key": "k" * 32, "lot": "WR-2601"}, 303)):
        assert client.post("/read/tank/photo", data=fields, files=photos).status_code == status
    assert len(made) == 6
    assert [file for file in made if not file.closed] == []


@pytest.mark.parametrize(
    "body",
    [
        PART % (b"photo", LARGE),  # the last boundary is missing
        PART % (b"photo", SHORT) + (PART % (b"flash", SHORT))[:-20],
        (PART % (b"photo", SHORT)).replace(b'name="photo"; ', b""),
        3 * (PART % (b"photo", SHORT)) + b"--b--\r\n",  # one file too many
        PART % (b"photo", SHORT) + b"--b!",
        3000 * (PART % (b"photo", SHORT)),
    ],
    ids=["no end", "breaks off", "no name", "three files", "not a boundary", "thousands"],
)
@pytest.mark.parametrize("path", ["/sign-in", "/read/tank/photo"])
def test_a_form_that_is_not_whole_is_refused_and_leaves_no_file_open(client, made, body, path):
    sign_in(client, "Ines")
    made.clear()
    assert client.post(path, content=body, headers=TYPE).status_code == 400
    assert [file for file in made if not file.closed] == []


@pytest.mark.parametrize(
    ("then", "status"),
    [([{"type": "http.request", "body": LARGE, "more_body": True}] * 2, 413), ([{"type": "http.disconnect"}], 400)],
    ids=["too long", "connection lost"],
)
def test_an_upload_stopped_on_its_way_leaves_no_file_open(site, made, then, status):
    app, answers = create_app(Settings(folder=site, workers=1, largest_photo=1_000_000)), []
    scope = {"type": "http", "method": "POST", "path": "/sign-in", "query_string": b"", "scheme": "http",
             "headers": [(b"host", b"nursery"), (b"content-type", TYPE["content-type"].encode())],
             "client": ("127.0.0.1", 1), "server": ("127.0.0.1", 2)}  # fmt: skip
    pieces = iter([{"type": "http.request", "body": PART % (b"photo", LARGE), "more_body": True}, *then])

    async def receive():
        return next(pieces)

    async def send(message):
        answers.append(message)

    run(app, scope, receive, send)
    app.state.people.close()
    assert answers[0]["status"] == status
    assert len(made) == 1
    assert made[0].closed


def test_forms_are_parsed_in_one_place():
    for path in Path(stripread.web.__file__).parent.rglob("*.py"):
        if path.name != "sent_form.py":
            assert "request.form(" not in path.read_text(encoding="utf-8"), path
