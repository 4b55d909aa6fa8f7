"""Lot and card files that people have accepted: which file holds for each lot and each card, and since when.

An acceptance names a file by the SHA-256 of its bytes. Where the site asks for a second person, a file holds once two
have accepted it; until then the one before does. A withdrawn acceptance counts no longer.
"""

import hashlib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Literal, get_args

from sqlalchemy import Connection

from stripread.card import CardLayout, card_text, load_card
from stripread.errors import CardFileError, LotFileError, SiteError
from stripread.i18n import Message, Shown
from stripread.lot import load_lot
from stripread.records.chain.entries import Entry, Kind
from stripread.records.queries.readings import page_of_entries
from stripread.records.store import Records
from stripread.site import Site, load_site

__all__ = [
    "AcceptedFile",
    "FileSort",
    "Standing",
    "accepted_files",
    "card_hash",
    "changed_files",
    "hash_now",
    "is_accepted",
    "kind_of_acceptance",
]

FileSort = Literal["lot", "card"]
_KINDS: Mapping[FileSort, Kind] = {"lot": "lot_accepted", "card": "card_accepted"}
_PAGE = 200


@dataclass(frozen=True, slots=True, kw_only=True)
class AcceptedFile:
    """A file that was accepted.

    Attributes
    ----------
    file : str or None
        Where it lay, from the site's folder; None where it lay elsewhere.
    kept : str
        Where the record keeps it.
    by : tuple of str
        Who accepted it.
    at : datetime
        When the last of them did; ``entry`` is that one's.
    """

    sha256: str
    file: str | None
    kept: str
    by: tuple[str, ...]
    at: datetime
    entry: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Standing:
    """What was accepted of a lot or card: the file that holds, and one that waits for a second person."""

    holds: AcceptedFile | None = None
    waits: AcceptedFile | None = None


def kind_of_acceptance(sort: FileSort) -> Kind:
    """Return the kind of the entries."""
    return _KINDS[sort]


def accepted_files(records: Records, sort: FileSort) -> dict[str, Standing]:
    """Return what was accepted of each lot, by its number, or of each card, by its name."""
    with records.database.reading() as connection:
        return _standings(connection, sort)


def _standings(connection: Connection, sort: FileSort) -> dict[str, Standing]:
    found: dict[str, Standing] = {}
    for entry in reversed(list(_entries(connection, sort))):
        if entry.subject is not None and not entry.withdrawn and entry.files:
            found[entry.subject] = _after(found.get(entry.subject, Standing()), entry)
    return found


def _entries(connection: Connection, sort: FileSort) -> Iterator[Entry]:
    before = None
    while page := page_of_entries(
        connection, kind=_KINDS[sort], subject=None, superseded=False, before=before, limit=_PAGE
    ):
        yield from page
        before = page[-1].seq


def _after(standing: Standing, entry: Entry) -> Standing:
    sha256 = entry.files[0].sha256
    same = next((one for one in (standing.waits, standing.holds) if one is not None and one.sha256 == sha256), None)
    by = tuple(dict.fromkeys((*(() if same is None else same.by), entry.who)))
    accepted = AcceptedFile(
        sha256=sha256,
        file=entry.payload.get("file"),
        kept=entry.files[0].path,
        by=by,
        at=entry.at,
        entry=entry.seq,
    )
    holds = same is not None and same is standing.holds
    if holds or not entry.payload.get("second_person") or len({one.casefold() for one in by}) > 1:
        return Standing(holds=accepted)
    return Standing(holds=standing.holds, waits=accepted)


def card_hash(card: CardLayout) -> str:
    """Return the SHA-256 of what a card's file says, in the one spelling of the program: remarks in it do not count."""
    return hashlib.sha256(card_text(card).encode("utf-8")).hexdigest()


def hash_now(sort: FileSort, path: Path) -> str | None:
    """Return the SHA-256 by which a file would be accepted; None where it is gone, or none of its sort."""
    try:
        return hashlib.sha256(path.read_bytes()).hexdigest() if sort == "lot" else card_hash(load_card(path))
    except (OSError, CardFileError):
        return None


def is_accepted(folder: Path, sort: FileSort, accepted: AcceptedFile, sha256: str | None) -> bool:
    """Tell whether a file is the accepted one.

    A card's file may be spelt in another way by a later version of the program: what the kept one says counts.
    """
    return accepted.sha256 == sha256 or (sort == "card" and sha256 == hash_now(sort, folder / accepted.kept))


def changed_files(connection: Connection, folder: Path) -> Iterator[tuple[str, Shown]]:
    """Files of the site that are not the accepted ones, by their paths from its folder, and what is wrong with them."""
    try:
        site: Site | None = load_site(folder)
    except SiteError:  # told by whatever else is done with the site
        site = None
    for sort in get_args(FileSort):
        named = {} if site is None else site.lots if sort == "lot" else site.cards
        for name, standing in _standings(connection, sort).items():
            holds = standing.holds
            if holds is None:
                continue
            places = {path for key, path in named.items() if name in (key, _name_in(sort, path))}
            if holds.file is not None and (folder / holds.file in named.values() or site is None):
                places.add(folder / holds.file)
            for path in sorted(places):
                now = hash_now(sort, path)
                if not is_accepted(folder, sort, holds, now):
                    yield _from(folder, path), _wrong(holds, now)


def _name_in(sort: FileSort, path: Path) -> str | None:
    try:
        return load_lot(path).number if sort == "lot" else load_card(path).name
    except (OSError, LotFileError, CardFileError):
        return None


def _from(folder: Path, path: Path) -> str:
    return path.relative_to(folder).as_posix() if path.is_relative_to(folder) else str(path)


def _wrong(holds: AcceptedFile, now: str | None) -> Message:
    said = {"by": ", ".join(holds.by), "on": holds.at.date().isoformat(), "seq": holds.entry}
    if now is None:
        return Message("gone, or no such file any more; %(by)s accepted it on %(on)s (entry %(seq)s)", **said)
    return Message("not the file that %(by)s accepted on %(on)s (entry %(seq)s)", **said)
