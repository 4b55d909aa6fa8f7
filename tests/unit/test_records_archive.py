"""Backups: one file, checked when written and before it is unpacked."""

import json
import shutil
import zipfile
from pathlib import Path

import pytest

from stripread.errors import RecordsError
from stripread.records import back_up, open_records, restore
from stripread.records.exchange.archive import check_archive
from tests.unit.made_records import fill, made_stamp


@pytest.fixture(scope="module")
def whole(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("whole")
    home = folder / "home"
    home.mkdir()
    (home / "site.toml").write_text('name = "Demo"\n', encoding="utf-8")
    with open_records(home, create=True) as records:
        fill(records, 4)
        records.correct(1, why="fell", withdraw=True, stamp=made_stamp(99))
        back_up(records, folder / "backup.zip", beside=[home / "site.toml"])
    return folder / "backup.zip"


@pytest.fixture
def backup(whole: Path, tmp_path: Path) -> Path:
    return Path(shutil.copy(whole, tmp_path))


def with_member(archive: Path, name: str, data: bytes | None, out: Path) -> Path:
    """Copy an archive with one member changed, added, or left out."""
    with zipfile.ZipFile(archive) as old, zipfile.ZipFile(out, "w") as new:
        for info in old.infolist():
            if info.filename != name:
                new.writestr(info.filename, old.read(info))
        if data is not None:
            new.writestr(name, data)
    return out


def test_a_backup_holds_the_site_file_and_restores_it(backup: Path, tmp_path: Path) -> None:
    head = restore(backup, tmp_path / "there")
    assert head == check_archive(backup)
    assert (tmp_path / "there" / "site.toml").read_text(encoding="utf-8") == 'name = "Demo"\n'


def test_damage_of_any_kind_is_found_before_anything_is_unpacked(backup: Path, tmp_path: Path) -> None:
    with zipfile.ZipFile(backup) as archive:
        lines = archive.read("entries.jsonl").splitlines(keepends=True)
        photo = next(name for name in archive.namelist() if name.startswith("photos/"))
    changed = json.loads(lines[2])
    changed["who"] = "Eve"
    members: dict[str, tuple[str, bytes | None]] = {
        "an entry changed": ("entries.jsonl", b"".join([*lines[:2], json.dumps(changed).encode() + b"\n", *lines[3:]])),
        "an entry left out": ("entries.jsonl", b"".join([*lines[:2], *lines[3:]])),
        "the end cut off": ("entries.jsonl", b"".join(lines[:-1])),
        "no JSON": ("entries.jsonl", b"{"),
        "no entries": ("entries.jsonl", None),
        "no head": ("head.json", None),
        "a photo changed": (photo, b"another"),
        "a photo gone": (photo, None),
        "a way out of the folder": ("../outside.txt", b"x"),
    }
    for name, (member, data) in members.items():
        broken = with_member(backup, member, data, tmp_path / f"{name}.zip")
        with pytest.raises(RecordsError, match="Nothing was unpacked"):
            restore(broken, tmp_path / "there")
        assert not (tmp_path / "there").exists(), name
    assert not (tmp_path / "outside.txt").exists()


@pytest.mark.parametrize("share", [0.0, 0.3, 0.7, 0.99])
def test_a_backup_that_was_cut_off_is_refused(backup: Path, tmp_path: Path, share: float) -> None:
    data = backup.read_bytes()
    backup.write_bytes(data[: int(share * len(data))])
    with pytest.raises(RecordsError, match="whole backup"):
        check_archive(backup)


@pytest.mark.parametrize("place", range(0, 100, 7))
def test_a_flipped_byte_is_refused_or_harmless(backup: Path, tmp_path: Path, place: int) -> None:
    head = check_archive(backup)
    data = bytearray(backup.read_bytes())
    data[place * len(data) // 100] ^= 0x40
    backup.write_bytes(data)
    try:
        assert check_archive(backup) == head  # a time or an attribute of a member
    except RecordsError:
        assert not (tmp_path / "there").exists()


def test_a_folder_in_use_is_not_written_over(backup: Path, tmp_path: Path) -> None:
    (tmp_path / "home").mkdir()
    (tmp_path / "home" / "mine.txt").write_text("x", encoding="utf-8")
    with pytest.raises(RecordsError, match="empty folder"):
        restore(backup, tmp_path / "home")


def test_a_damaged_record_is_not_backed_up_as_if_whole(tmp_path: Path) -> None:
    with open_records(tmp_path, create=True) as records:
        fill(records, 2)
        next((tmp_path / "photos").rglob("*.jpg")).write_bytes(b"another")
        with pytest.raises(RecordsError, match="other bytes"):
            back_up(records, tmp_path / "backup.zip")
    assert not (tmp_path / "backup.zip").exists()
    assert list(tmp_path.glob(".unfinished-*")) == []
