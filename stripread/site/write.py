"""Writing the site file: the first one of a new site, and names that are added to it later."""

import json
import tomllib
from importlib import resources
from pathlib import Path
from typing import Literal

import tomlkit
from tomlkit.items import Item, Table

from stripread.errors import SiteError
from stripread.files import NO_ROOM, write_file
from stripread.i18n import Message, Verbatim
from stripread.site.site import SITE_FILE, load_site
from stripread.units import Units

__all__ = ["add_name", "write_demo_site"]


def write_demo_site(
    folder: Path, *, database: str | None = None, name: str | None = None, units: Units = "metric"
) -> Path:
    """Write the commented site file of the demo nursery into a folder, made if need be; return the file.

    Parameters
    ----------
    database : str or None
        URL of the record's database, where it is not to be a file in the folder.
    name : str or None
        What the place is called; None: the invented nursery's name stays.
    units : {"metric", "us", "imperial"}

    Raises
    ------
    SiteError
        If there is a site file already, or the folder cannot be written to.
    """
    path = folder / SITE_FILE
    text = (resources.files("stripread.site") / "site_demo.toml").read_text(encoding="utf-8")
    if name is not None:
        text = text.replace('"Quillmere Demo Nursery"', json.dumps(name, ensure_ascii=False), 1)
    if units != "metric":
        text = text.replace('# units = "us"', f'units = "{units}"', 1)
    if database is not None:
        text += f"\n[records]\ndatabase = {json.dumps(database)}\n"  # a JSON string is one of TOML
    try:
        folder.mkdir(parents=True, exist_ok=True)
        if path.exists():
            raise FileExistsError
        write_file(path, text)
    except FileExistsError:
        raise SiteError(
            expected=Message("a folder without a %(file)s", file=SITE_FILE),
            found=(
                Message("%(path)s is there already", path=path)
                if path.exists()
                else Message("%(folder)s is a file", folder=folder)
            ),
            remedy=Message("Edit that file, or name another folder."),
        ) from None
    except OSError as error:
        if error.errno in NO_ROOM:
            raise
        raise SiteError(
            expected=Message("a folder to write %(name)s into", name=SITE_FILE),
            found=Message("%(folder)s: %(strerror)s", folder=folder, strerror=error.strerror),
            remedy=Message("Name another folder."),
        ) from error
    return path


def add_name(folder: Path, table: Literal["lots", "cards", "kinds"], name: str, file: str) -> None:
    """Add a name to a table of the site file; all else in it stays as it is, comments and line ends included.

    The file is put in place of the old one in one step; a reader sees the one or the other.

    Parameters
    ----------
    file : str
        Path from the site's folder.

    Raises
    ------
    SiteError
        If the name is there, the file is wrong before, or written in a way that a line cannot be added to.
    """
    site = load_site(folder)
    if name in getattr(site, table):
        raise SiteError(
            expected=Message("a new name under [%(table)s] of %(folder)s", table=table, folder=folder / SITE_FILE),
            found=Message("%(name)s, which is there", name=repr(name)),
            remedy=Message("Choose another name."),
        )
    path = (folder / SITE_FILE).resolve()  # a link stays one
    before = path.read_bytes()
    old = before.decode("utf-8-sig")
    new = _with_name(old, table, name, file)
    expected = tomllib.loads(old)
    expected.setdefault(table, {})[name] = file
    try:
        as_meant = tomllib.loads(new) == expected
    except ValueError:
        as_meant = False
    if not as_meant:
        line = f"{json.dumps(name, ensure_ascii=False)} = {json.dumps(file, ensure_ascii=False)}"  # JSON's are TOML's
        raise SiteError(
            expected=Message("a table [%(table)s] that a line can be added to in %(path)s", table=table, path=path),
            found=Message("one that is written otherwise"),
            remedy=Message("Add the line %(line)s by hand.", line=line.strip()),
        )
    mark = b"\xef\xbb\xbf" if before.startswith(b"\xef\xbb\xbf") else b""
    try:
        write_file(path, mark + new.encode("utf-8"), mode=path.stat().st_mode & 0o7777)
    except OSError as error:
        if error.errno in NO_ROOM:
            raise
        raise SiteError(
            expected=Message("to write %(path)s", path=path),
            found=Verbatim(str(error.strerror)),
            remedy=Message("Give the server leave to write there."),
        ) from error


def _with_name(text: str, table: str, name: str, file: str) -> str:
    """Return a text of TOML with a name after the last one of a table, which is begun at the end if need be."""
    document = tomlkit.parse(text)
    row = tomlkit.string(file)
    row.trivia.trail = "\r\n" if "\r\n" in text else "\n"
    names = document.setdefault(table, tomlkit.table())
    # Comments and empty lines below the last name belong to what follows: they stay below.
    rows = names.value.body
    below: list[tuple[None, Item]] = []
    while isinstance(names, Table) and rows and rows[-1][0] is None:
        below.insert(0, rows.pop())
    names.add(name, row)
    rows.extend(below)
    return tomlkit.dumps(document)
