"""The page's own files: kept for good under a name of their version, compressed; manifest, icon and worker."""

import re

from PIL import Image

from stripread.web.static_files import static_address


def test_pages_name_their_files_by_version_and_those_are_kept_for_good(client):
    page = client.get("/sign-in")
    assert page.headers["cache-control"] == "no-store"
    named = re.findall(r'(?:href|src)="(/static/[^"]+)"', page.text)
    assert len(named) >= 4
    for path in named:
        assert path.startswith(f"{static_address()}/")
        answer = client.get(path)
        assert answer.status_code == 200
        assert "immutable" in answer.headers["cache-control"]
    script = client.get(f"{static_address()}/sheet.js", headers={"accept-encoding": "gzip"})
    assert script.headers["content-encoding"] == "gzip"
    imports = re.findall(r'from "\./([a-z.]+)"', script.text)
    assert imports
    for name in imports:  # they lie beside it, under the same version
        assert client.get(f"{static_address()}/{name}").status_code == 200


def test_another_version_or_none_is_not_kept(client):
    assert client.get("/static/sheet.css").headers["cache-control"] == "no-store"
    assert client.get("/static/v-000000000000/sheet.css").status_code == 404
    assert client.get(f"{static_address()}/../../app.py").status_code == 404


def test_a_page_is_not_compressed_as_its_length_would_tell_of_its_token(client):
    assert "content-encoding" not in client.get("/sign-in", headers={"accept-encoding": "gzip"}).headers


def test_the_manifest_names_icons_of_the_sizes_that_they_have(client):
    said = client.get("/app.webmanifest")
    assert said.headers["content-type"].startswith("application/manifest+json")
    assert (said.json()["start_url"], said.json()["display"]) == ("/", "standalone")
    for icon in said.json()["icons"]:
        with Image.open(_opened(client, icon["src"])) as picture:
            assert icon["sizes"] == "x".join(map(str, picture.size))
    assert client.get("/favicon.ico").headers["content-type"] == "image/png"
    assert "javascript" in client.get("/worker.js").headers["content-type"]


def _opened(client, path):
    from io import BytesIO

    return BytesIO(client.get(path).content)
