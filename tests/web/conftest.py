"""A demo site with points and people, and a browser-like client that is signed in."""

import re
import shutil
from collections.abc import Callable, Iterator, Mapping, Sequence
from datetime import UTC, datetime
from pathlib import Path

import pytest
from argon2 import PasswordHasher
from starlette.testclient import TestClient

from stripread.records import Draft, Point, Stamp, open_records
from stripread.web import People, Settings, create_app
from tests.preloaded import start_from_preloaded

ROOT = Path(__file__).parents[2]
PEOPLE = {"Ines": "technician", "Sol": "supervisor", "Gus": "grower"}
SECRET = "green-471"
QUICK = PasswordHasher(time_cost=1, memory_cost=8, parallelism=1)  # a hash says how it is to be verified
STAMP = Stamp(at=datetime(2026, 4, 14, 6, tzinfo=UTC), who="Sol")
POINTS = (
    Point(name="bench 1", sample="line", line="east", order=1, flush_min=1.0),
    Point(name="tank", sample="stock", flush_min=0.0),
)
SAMPLE = ROOT / "sample_images" / "line-good.jpg"


def make_site(folder: Path, *, points: Sequence[Point] = POINTS, people: Mapping[str, str] = PEOPLE) -> Path:
    """The demo site with some points and people."""
    shutil.copytree(ROOT / "calibration", folder, ignore=shutil.ignore_patterns("level*.jpg"))
    with open_records(folder, create=True) as records:
        records.append([Draft(kind="site", payload={"name": "Demo"}, subject="Demo")], STAMP)
        for point in points:
            records.add_point(point, STAMP)
    kept = People(folder, hash_secret=QUICK.hash)
    for name, role in people.items():
        kept.add(name, role, SECRET)
    kept.close()
    return folder


@pytest.fixture(scope="session", autouse=True)
def _preloaded() -> Iterator[None]:
    with pytest.MonkeyPatch.context() as patch:
        start_from_preloaded(patch)
        yield


@pytest.fixture(scope="session")
def made_site(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return make_site(tmp_path_factory.mktemp("web") / "site")


@pytest.fixture
def site(made_site: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(made_site, tmp_path / "site"))


@pytest.fixture
def client(site: Path) -> Iterator[TestClient]:
    with TestClient(create_app(Settings(folder=site, workers=1)), follow_redirects=False) as opened:
        yield opened


def csrf_of(page: str) -> str:
    found = re.search(r'name="csrf" value="([^"]+)"', page)
    assert found, page
    return found[1]


def sign_in(client: TestClient, name: str, secret: str = SECRET):
    token = csrf_of(client.get("/sign-in").text)
    return client.post("/sign-in", data={"csrf": token, "name": name, "secret": secret, "next": "/read"})


@pytest.fixture
def signed_in(client: TestClient) -> Callable[[str], TestClient]:
    def enter(name: str) -> TestClient:
        client.cookies.clear()  # of whoever was signed in before
        assert sign_in(client, name).status_code == 303
        return client

    return enter


def pair(phone: TestClient, code: str):
    """Pair a phone as its person does: look at the page behind the code, and press its button."""
    page = phone.get(f"/pair/{code}")
    return phone.post(f"/pair/{code}", data={"csrf": csrf_of(page.text)}) if page.status_code == 200 else page
