"""Files are written whole or not at all, by one function; nothing else in the program writes a file in place."""

import ast
import errno
import multiprocessing
import os
import signal
import stat
import subprocess
import sys
import time
from multiprocessing.synchronize import Event
from pathlib import Path

import pytest

from stripread.files import UNFINISHED, clean_unfinished, open_whole, write_file

PACKAGE = Path(__file__).parents[2] / "stripread"

# Who else may write, by what, and why.
ALLOWED = {
    ("files/whole_file.py", "open"): "devices: a terminal or a pipe has nothing to keep",
    ("files/whole_file.py", "NamedTemporaryFile"): "the one function",
    ("files/whole_file.py", "replace"): "the one function",
    ("lot/record.py", "open"): "only grows: a row is added in one write, and taken back where that fails",
    ("records/chain/anchor.py", "open"): "only grows, where others may let it only grow",
    ("study/run.py", "open"): "only grows: a line is added in one write, and taken back where that fails",
    ("records/exchange/archive.py", "open"): "a member of a ZIP file",
    ("records/exchange/archive.py", "ZipFile"): "into a file of open_whole",
    ("records/exchange/archive.py", "extract"): "into an unfinished folder that is renamed as a whole",
    ("records/exchange/archive.py", "mkdtemp"): "into an unfinished folder that is renamed as a whole",
    ("records/exchange/archive.py", "rename"): "into an unfinished folder that is renamed as a whole",
    ("web/pages/more.py", "ZipFile"): "into a temporary file without a name, which is sent",
    ("web/pages/card.py", "write_bytes"): "into a temporary folder",
    ("web/queue/worker.py", "write_text"): "a switch of the system, below /proc",
    ("web/people/tables.py", "touch"): "an empty file for SQLite, which keeps it whole by itself",
    ("card/draw.py", "save"): "into memory",
    ("report/document/page.py", "savefig"): "into memory",
    ("report/lot/page.py", "savefig"): "into memory",
    ("report/pictures/overlay.py", "save"): "into memory",
    ("simulate/scene/encode.py", "save"): "into memory",
    ("simulate/scene/heic.py", "save"): "into a temporary folder",
    ("i18n/translations.py", "write_bytes"): "a tool for contributors, on files that git keeps",
}
_WRITE = {
    "write_text", "write_bytes", "touch", "rename", "renames", "link", "hardlink_to", "symlink_to", "mkstemp",
    "mkdtemp", "NamedTemporaryFile", "copy", "copy2", "copyfile", "copyfileobj", "copytree", "move", "ZipFile",
    "extract", "extractall", "save", "savefig", "imwrite", "tofile", "savez", "fdopen", "to_csv",
}  # fmt: skip
_NOT_FILES = {"copy"}  # arrays and dicts have it, too: it counts where shutil's is meant


def _writes(call: ast.Call) -> str | None:
    """Return by what a call may write a file; None where it does not."""
    function = call.func
    name = getattr(function, "attr", getattr(function, "id", ""))
    of = function.value.id if isinstance(function, ast.Attribute) and isinstance(function.value, ast.Name) else ""
    words = [a.value for a in [*call.args, *(k.value for k in call.keywords)] if isinstance(a, ast.Constant)]
    modes = [word for word in words if isinstance(word, str) and set(word) <= set("rwxabt+")]
    if name == "open":
        return "open" if any(set(mode) & set("wxa+") for mode in modes) else None
    if name == "replace":  # of a path or of os; texts, times and dataclasses are replaced by two words or by keywords
        return "replace" if of == "os" or (len(call.args) == 1 and not call.keywords) else None
    if name in _NOT_FILES and of != "shutil":
        return None
    return name if name in _WRITE else None


def _found() -> set[tuple[str, str]]:
    found = set()
    for path in PACKAGE.rglob("*.py"):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Call) and (what := _writes(node)) is not None:
                found.add((path.relative_to(PACKAGE).as_posix(), what))
    return found


def test_nothing_else_writes_in_place() -> None:
    wrong = sorted(f"{file} writes by {what}" for file, what in _found() - ALLOWED.keys())
    assert not wrong, "use stripread.files.write_file or open_whole:\n" + "\n".join(wrong)


def test_every_exception_is_still_one() -> None:
    assert not ALLOWED.keys() - _found()


@pytest.mark.parametrize(
    ("code", "what"),
    [
        ("path.write_text('x')", "write_text"),
        ("path.open('w', newline='')", "open"),
        ("open(path, mode='ab')", "open"),
        ("path.open('r+b')", "open"),
        ("part.replace(path)", "replace"),
        ("os.replace(a, b)", "replace"),
        ("shutil.copy(a, b)", "copy"),
        ("path.open('rb')", None),
        ("path.open(encoding='utf-8')", None),
        ("text.replace('a', 'b')", None),
        ("replace(x, a=1)", None),
        ("array.copy()", None),
    ],
)
def test_the_look_itself(code: str, what: str | None) -> None:
    (node,) = (n for n in ast.walk(ast.parse(code)) if isinstance(n, ast.Call))
    assert _writes(node) == what


def _names(folder: Path) -> list[str]:
    return sorted(path.name for path in folder.iterdir())


def test_mode_and_link_stay(tmp_path: Path) -> None:
    (tmp_path / "there").mkdir()
    file, link = tmp_path / "there" / "a.json", tmp_path / "link.json"
    file.write_text("before", encoding="utf-8")
    file.chmod(0o640)
    link.symlink_to(file)
    write_file(link, "now")
    assert link.is_symlink()
    assert file.read_text(encoding="utf-8") == "now"
    assert stat.S_IMODE(file.stat().st_mode) == 0o640
    write_file(tmp_path / "secret", b"x", mode=0o600)
    assert stat.S_IMODE((tmp_path / "secret").stat().st_mode) == 0o600


def test_a_new_file_gets_the_mode_of_new_files(tmp_path: Path) -> None:
    (tmp_path / "plain").touch()
    write_file(tmp_path / "ours", b"x")
    assert (tmp_path / "ours").stat().st_mode == (tmp_path / "plain").stat().st_mode


def test_lines_end_as_they_were_given(tmp_path: Path) -> None:
    write_file(tmp_path / "a", "one\r\ntwo\nΔ\n")
    assert (tmp_path / "a").read_bytes() == "one\r\ntwo\nΔ\n".encode()


@pytest.mark.parametrize("failing", ["fsync", "replace", "write"])
def test_what_fails_leaves_what_was_there(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, failing: str) -> None:
    file = tmp_path / "lot.json"
    file.write_text("before", encoding="utf-8")

    def no_room(*_: object, **__: object) -> None:
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    with monkeypatch.context() as patched:
        if failing == "fsync":
            patched.setattr(os, "fsync", no_room)
        elif failing == "replace":
            patched.setattr(Path, "replace", no_room)
        with pytest.raises(OSError, match="No space left") as told:  # noqa: PT012, SIM117  # the block is tested
            with open_whole(file) as out:
                out.write(b"half")
                if failing == "write":
                    no_room()
    assert told.value.filename == str(file)
    assert file.read_text(encoding="utf-8") == "before"
    assert _names(tmp_path) == ["lot.json"]


def test_errors_of_other_files_keep_their_name(tmp_path: Path) -> None:
    with pytest.raises(FileNotFoundError) as told, open_whole(tmp_path / "out") as out:
        out.write((tmp_path / "source").read_bytes())
    assert told.value.filename == str(tmp_path / "source")
    assert _names(tmp_path) == []


def test_a_device_is_written_to_as_it_is() -> None:
    write_file(Path(os.devnull), b"nothing to keep")
    assert not Path(os.devnull).is_file()
    with pytest.raises(OSError, match="No space left"):
        write_file(Path("/dev/full"), b"x")


def test_a_folder_is_none_to_write_over(tmp_path: Path) -> None:
    (tmp_path / "folder").mkdir()
    with pytest.raises(IsADirectoryError):
        write_file(tmp_path / "folder", b"x")


def _write_and_wait(path: Path, begun: Event) -> None:
    with open_whole(path) as out:
        out.write(b"half")
        out.flush()
        begun.set()
        time.sleep(60)


def test_what_a_kill_left_goes_with_the_next_write(tmp_path: Path) -> None:
    context = multiprocessing.get_context("spawn")
    begun = context.Event()
    process = context.Process(target=_write_and_wait, args=(tmp_path / "lot.json", begun))
    process.start()
    assert begun.wait(60)
    (half,) = _names(tmp_path)
    assert half.startswith(UNFINISHED)
    write_file(tmp_path / "other", b"x")  # what is still being written stays
    clean_unfinished(tmp_path)
    assert _names(tmp_path) == [half, "other"]
    assert process.pid is not None
    os.kill(process.pid, signal.SIGKILL)
    process.join()
    write_file(tmp_path / "other", b"y")
    assert _names(tmp_path) == ["other"]


def test_files_of_others_stay(tmp_path: Path) -> None:
    (tmp_path / f"{UNFINISHED}symphony.mid").touch()
    clean_unfinished(tmp_path)
    assert _names(tmp_path) == [f"{UNFINISHED}symphony.mid"]


def test_many_may_write_one_file(tmp_path: Path) -> None:
    """Each cleans before it writes, and none takes away what another one is at."""
    code = (
        "import sys; from pathlib import Path; from stripread.files import write_file\n"
        "for n in range(150): write_file(Path(sys.argv[1]), sys.argv[2] * 1000)"
    )
    command = [sys.executable, "-c", code, str(tmp_path / "one")]
    running = [subprocess.Popen([*command, sign]) for sign in "abc"]
    assert [process.wait() for process in running] == [0, 0, 0]
    assert _names(tmp_path) == ["one"]
    assert (tmp_path / "one").read_text(encoding="utf-8") in {sign * 1000 for sign in "abc"}
