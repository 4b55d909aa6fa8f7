"""A PostgreSQL server of the tests' own, in a folder of its own, reached by a socket in it; gone afterwards."""

import os
import shutil
import subprocess
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

MISSING = "PostgreSQL's programs are not installed (Debian: apt-get install postgresql)"


def programs() -> Path | None:
    """Return the folder with initdb and pg_ctl, None where there is none."""
    found = [*sorted(Path("/usr/lib/postgresql").glob("*/bin")), *(Path(p) for p in os.get_exec_path())]
    return next((folder for folder in reversed(found) if (folder / "initdb").is_file()), None)


@contextmanager
def server() -> Iterator[str]:
    """Start a server; yields the URL of a database, without its name."""
    bin_folder = programs()
    assert bin_folder is not None
    as_user: dict[str, Any] = {"user": "postgres", "group": "postgres"} if os.geteuid() == 0 else {}  # not as root
    folder = Path(tempfile.mkdtemp(prefix="stripread-postgresql-"))
    if as_user:
        shutil.chown(folder, "postgres", "postgres")
    data, log = folder / "data", folder / "log"

    def run(*command: object) -> None:
        subprocess.run(
            [str(word) for word in command], check=True, cwd=folder, stdin=subprocess.DEVNULL,
            stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, **as_user,
        )  # fmt: skip

    run(bin_folder / "initdb", "-D", data, "-U", "tester", "-A", "trust", "-E", "UTF8", "--no-sync", "--locale=C.UTF-8")
    settings = f"-c listen_addresses='' -c unix_socket_directories={folder} -c fsync=off -c shared_buffers=32MB"
    run(bin_folder / "pg_ctl", "-D", data, "-l", log, "-w", "-o", settings, "start")
    try:
        yield f"postgresql://tester@/{{name}}?host={folder}"
    finally:
        run(bin_folder / "pg_ctl", "-D", data, "-m", "immediate", "-w", "stop")
        shutil.rmtree(folder)
