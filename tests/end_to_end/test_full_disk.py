"""Commands on a disk without room: nothing that was there is lost, nothing half is left, and what only reads works.

The disk is a small tmpfs in a namespace of mounts of its own, which goes with the process that made it.
"""

import json
import shutil
import subprocess
import sys
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
SAMPLES = ROOT / "sample_images"
_SIZE = 8 << 20

# Mounts the disk, copies the site, fills it, runs the commands there; then frees some room and runs the others.
_DRIVER = """
import hashlib, json, os, shutil, subprocess, sys
from pathlib import Path

place, site, full, after, size = json.loads(sys.argv[1])
disk = Path(place)
subprocess.run(["mount", "-t", "tmpfs", "-o", f"size={size}", "tmpfs", place], check=True)
shutil.copytree(site, disk / "site")

def files():
    found = sorted(p for p in disk.rglob("*") if p.is_file() and p.name != "filler")
    return {str(p.relative_to(disk)): hashlib.sha256(p.read_bytes()).hexdigest() for p in found}

def run(command):
    line = [sys.executable, "-m", "stripread", *command]
    done = subprocess.run(line, cwd=disk / "site", capture_output=True, text=True)
    return {"code": done.returncode, "out": done.stdout, "err": done.stderr, "files": files()}

before = files()
with open(disk / "filler", "wb", buffering=0) as filler:
    for piece in (1 << 16, 1):
        try:
            while filler.write(bytes(piece)) == piece:
                pass
        except OSError:
            pass
results = [run(command) for command in full]
(disk / "filler").unlink()
print(json.dumps({"before": before, "full": results, "after": [run(command) for command in after]}))
"""


@dataclass(frozen=True)
class Done:
    code: int
    out: str
    err: str
    files: dict[str, str]


@cache
def _may_mount() -> bool:
    if shutil.which("unshare") is None:
        return False
    command = ["unshare", "-rm", "sh", "-c", "mount -t tmpfs -o size=64k tmpfs /mnt"]
    return subprocess.run(command, capture_output=True).returncode == 0


def on_full_disk(
    tmp_path: Path, site: Path, *commands: list[str], after: tuple[list[str], ...] = (), size: int = _SIZE
) -> tuple[dict[str, str], list[Done], list[Done]]:
    """Return the files before, what commands did on the full disk, and what others did once there was room again."""
    if not _may_mount():
        pytest.skip("no file system may be mounted here")
    place = tmp_path / "disk"
    place.mkdir()
    told = json.dumps([str(place), str(site), commands, after, size])
    command = ["unshare", "-rm", sys.executable, "-c", _DRIVER, told]
    done = subprocess.run(command, capture_output=True, text=True, env={**_ENVIRONMENT, "PYTHONPATH": str(ROOT)})
    assert done.returncode == 0, done.stderr
    answer = json.loads(done.stdout)
    return answer["before"], [Done(**one) for one in answer["full"]], [Done(**one) for one in answer["after"]]


_ENVIRONMENT = {"PATH": "/usr/bin:/bin:/usr/sbin:/sbin", "STRIPREAD_WHO": "Ana", "PYTHONDONTWRITEBYTECODE": "1"}


def _refused(done: Done) -> None:
    assert done.code == 1
    assert "Traceback" not in done.err
    assert "room on the disk" in done.err
    assert "what to do:" in done.err


@pytest.fixture(scope="module")
def demo(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The files of the demo site that readings need, without the photos of its series."""
    site = tmp_path_factory.mktemp("demo") / "site"
    (site / "UL-2603").mkdir(parents=True)
    for name in ("site.toml", "card-print-a.toml", "card-print-a-measured.csv", "UL-2603/lot.json"):
        shutil.copy(ROOT / "calibration" / name, site / name)
    text = (site / "site.toml").read_text(encoding="utf-8")
    lines = [line for line in text.splitlines() if not line.startswith(('"WR-', '"CP-'))]
    (site / "site.toml").write_text("\n".join(lines) + "\n", encoding="utf-8")
    return site


@pytest.fixture(scope="module")
def recorded(demo: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A site with a recorded reading."""
    site = Path(shutil.copytree(demo, tmp_path_factory.mktemp("recorded") / "site"))
    command = [sys.executable, "-m", "stripread", "read", str(SAMPLES / "line-good.jpg"), "--sample", "line",
               "--lot", "UL-2603", "--record", "--site", str(site)]  # fmt: skip
    done = subprocess.run(command, capture_output=True, text=True, env={**_ENVIRONMENT, "PYTHONPATH": str(ROOT)})
    assert "recorded as entry" in done.stderr, done.stderr
    return site


def test_a_file_that_is_replaced_outlives_a_full_disk(tmp_path: Path, demo: Path) -> None:
    enrol = ["card", "enrol", "card-print-a-measured.csv", "--name", "again", "--out", "print.toml", "--force"]
    demo = Path(shutil.copytree(demo, tmp_path / "site"))
    (demo / "print.toml").write_text("# an older print: a page's worth less than the new one\n", encoding="utf-8")
    before, (done,), (again,) = on_full_disk(tmp_path, demo, enrol, after=(enrol,))
    _refused(done)
    assert done.files == before
    assert again.code == 0
    assert again.files.keys() == before.keys()


def test_a_site_that_was_not_begun_can_be_begun_again(tmp_path: Path, demo: Path) -> None:
    init = ["init", "../nursery"]
    before, (done,), (again,) = on_full_disk(tmp_path, demo, init, after=(init,))
    _refused(done)
    assert done.files == before
    assert again.code == 0, again.err


def test_an_export_that_failed_can_be_made_again(tmp_path: Path, recorded: Path) -> None:
    export = ["records", "export", "../export"]
    before, (done,), (again,) = on_full_disk(tmp_path, recorded, export, after=(export,))
    _refused(done)
    assert {name for name in done.files if not name.endswith(("-wal", "-shm"))} == before.keys()
    assert again.code == 0, again.err


def test_drawings_and_pages_leave_no_halves(tmp_path: Path, demo: Path) -> None:
    commands = (["card", "make", "card.pdf"], ["card", "make", "card.svg"], ["card", "make", "card.png"],
                ["lot", "show", "UL-2603", "--plot", "lot.png"],
                ["lot", "report", "UL-2603", "lot.html", "--resamples", "0"],
                ["simulate", "photo", "strip.jpg", "--kind", "clo2-ultralow", "--value", "0.3"])  # fmt: skip
    before, full, _ = on_full_disk(tmp_path, demo, *commands)
    for done in full:
        _refused(done)
        assert done.files == before


def test_what_only_reads_works_on_a_full_disk(tmp_path: Path, recorded: Path) -> None:
    backup = tmp_path / "elsewhere.zip"
    commands = (["log"], ["records", "verify"], ["today"], ["records", "backup", str(backup)])
    _, full, (later,) = on_full_disk(tmp_path, recorded, *commands, after=(["note", "there is room again"],))
    for done in full:
        assert done.code == 0, done.err
    assert "line" in full[0].out
    assert backup.is_file()
    assert later.code == 0, later.err


def test_what_was_committed_before_a_crash_is_read_on_a_full_disk(tmp_path: Path, recorded: Path) -> None:
    """SQLite's log is all that a crash left of an entry; without room it cannot be put into the file."""
    site = Path(shutil.copytree(recorded, tmp_path / "site"))
    code = (
        "import os; from pathlib import Path; from stripread.records import *; from datetime import datetime\n"
        f"records = open_records(Path({str(site)!r}))\n"
        "records.add_note(Note(text='the last words'), Stamp(at=datetime.now().astimezone(), who='Ana'))\n"
        "os._exit(0)"
    )
    subprocess.run([sys.executable, "-c", code], check=True, env={**_ENVIRONMENT, "PYTHONPATH": str(ROOT)})
    assert (site / "records.db-wal").stat().st_size
    (site / "records.db-shm").unlink()
    _, (log, verify), _ = on_full_disk(tmp_path, site, ["log", "--kind", "note"], ["records", "verify"])
    assert (log.code, verify.code) == (0, 0), log.err + verify.err
    assert "the last words" in log.out


def test_what_writes_into_the_record_says_that_there_is_no_room(tmp_path: Path, recorded: Path) -> None:
    before, (done,), _ = on_full_disk(tmp_path, recorded, ["note", "no room for this"])
    _refused(done)
    assert {name: done.files[name] for name in before} == before
