"""The supervisor's points and their labels."""

import re
from urllib.parse import unquote

from stripread.records import open_records
from tests.web.conftest import csrf_of, sign_in


def send(client, where="/points-admin", **fields):
    token = csrf_of(client.get("/points-admin").text)
    return client.post(where, data={"csrf": token, **fields})


def points(site):
    with open_records(site) as records:
        return {p.said.name: p for p in records.points()}


def test_points_are_added_changed_and_retired_each_with_an_entry(signed_in, site):
    client = signed_in("Sol")
    page = client.get("/points-admin").text
    assert "bench 1" in page
    assert "flush 60 s" in page
    added = send(client, new="yes", name="bench 2", sample="line", line="east", order="2", flush_s="90", note="left")
    assert added.status_code == 303
    said = points(site)["bench 2"]
    assert (said.entry.who, said.said.line, said.said.order, said.said.flush_min) == ("Sol", "east", 2, 1.5)

    page = client.get("/points-admin/bench 2").text
    assert 'value="90"' in page
    assert 'value="left"' in page
    changed = send(client, name="bench 2", sample="return", flush_s="0", before_injector="yes")
    assert changed.status_code == 303
    now = points(site)["bench 2"].said
    assert (now.sample, now.line, now.flush_min, now.before_injector, now.note) == ("return", None, 0.0, True, "")

    assert send(client, "/points-admin/bench 2/retire", why="").status_code == 400
    assert send(client, "/points-admin/bench 2/retire", why="taken down").status_code == 303
    assert "bench 2" not in points(site)
    assert client.get("/points-admin/bench 2").status_code == 404
    assert send(client, "/points-admin/bench 2/retire", why="again").status_code == 404
    assert send(client, new="yes", name="bench 2", sample="line").status_code == 303  # the name is free again
    with open_records(site) as records:
        assert len(records.entries(kind="point", subject="bench 2", superseded=True)) == 4


def test_wrong_points_are_refused(signed_in, site):
    client = signed_in("Sol")
    good = {"new": "yes", "name": "x", "sample": "line"}
    for wrong in (
        {"name": ""},
        {"name": "a/b"},
        {"name": ".."},
        {"name": "x" * 61},
        {"name": "bench 1"},  # is there, and this is the form for a new one
        {"new": "no"},  # is not there, and this is the form for a change
        {"sample": "milk"},
        {"sample": ""},
        {"line": "east"},
        {"order": "3"},
        {"line": "east", "order": "0"},
        {"flush_s": "-1"},
        {"flush_s": "nan"},
    ):
        assert send(client, **{**good, **wrong}).status_code == 400, wrong
    assert set(points(site)) == {"bench 1", "tank"}


def test_labels_hold_the_address_of_each_point(signed_in):
    client = signed_in("Sol")
    page = client.get("/labels?address=https://192.0.2.10:8471").text
    assert "Square code of https://192.0.2.10:8471/read/bench%201" in page
    codes = re.findall(r'src="(data:image/svg\+xml[^"]+)"', page)
    assert len(codes) == 2
    assert "<svg" in unquote(codes[0])
    assert "from this machine only" not in page
    assert "http://testserver/read/tank" in client.get("/labels").text
    assert "from this machine only" in client.get("/labels?address=http://127.0.0.1:8471").text
    assert client.get("/labels?address=javascript:alert(1)").status_code == 400


def test_a_label_is_read_as_its_address():
    import cv2
    import numpy as np
    import segno

    from stripread.web.addresses import qr_uri

    url = "https://192.0.2.10:8471/read/bench%201"
    drawn = unquote(qr_uri(url))
    matrix = np.array([list(row) for row in segno.make(url, error="q", micro=False).matrix_iter(border=4)])
    picture = np.kron(255 * (matrix == 0), np.ones((6, 6))).astype(np.uint8)
    assert cv2.QRCodeDetector().detectAndDecode(picture)[0] == url
    assert f'width="{4 * len(matrix)}"' in drawn.replace("'", '"')


def test_they_are_the_supervisors(signed_in, client):
    for name in ("Ines", "Gus"):
        client.cookies.clear()
        sign_in(client, name)
        for path in ("/points-admin", "/points-admin/tank", "/labels"):
            assert client.get(path).status_code == 403
