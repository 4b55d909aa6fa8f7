"""Rows of the chain: made from drafts, written at its end, read back as entries."""

import time
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import asdict
from pathlib import Path
from typing import Any, cast

from sqlalchemy import Connection, Select, insert, select

from stripread import __version__
from stripread.errors import RecordsError
from stripread.files import read_json
from stripread.i18n import Message, Verbatim, is_one_line
from stripread.records.chain.canonical import (
    COLUMNS,
    canonical_json,
    entry_hash,
    offset_text,
    parse_offset,
    parse_utc,
    utc_text,
)
from stripread.records.chain.entries import Draft, Entry, FileRef, Stamp
from stripread.records.chain.head import HEAD, HEAD_REMEDY, NO_HEAD, Head, keep_head, load_head
from stripread.records.queries.projection import file_rows, finding_rows, reading_rows
from stripread.records.tables import entries, files, findings, readings

__all__ = [
    "append_drafts",
    "check_head",
    "entered_at_once",
    "head_of",
    "is_known",
    "rows_in_order",
    "to_entry",
    "write_rows",
]

_OTHERS_S = 10.0  # ours: writers that came before write the head within milliseconds of their entry
_CHUNK = 500  # rows held at a time while walking the chain


def head_of(connection: Connection) -> Head:
    """Return the end of the chain as the database has it."""
    last = connection.execute(select(entries.c.seq, entries.c.hash).order_by(entries.c.seq.desc()).limit(1)).first()
    return NO_HEAD if last is None else Head(count=last.seq, hash=last.hash)


def check_head(connection: Connection, folder: Path) -> None:
    """Refuse to go on where the head beside the database does not go with it; in a transaction that alone writes.

    Where it knows of entries that are not there, the chain would grow on over a cut, and the head with it, and nothing
    would show it any more. Where it is gone, or knows less than what one writer may have left it behind by, somebody
    may have done so in order to cut. What a killed writer left it behind by is made good.
    """
    end, kept = head_of(connection), load_head(folder)
    if kept is None:
        if end.count:
            raise RecordsError(
                expected=Message("the head of the record in %(path)s", path=folder / HEAD),
                found=Message("none, beside %(count)s entries. Nothing was recorded", count=end.count),
                remedy=HEAD_REMEDY,
            )
        keep_head(folder, end)  # from the start: a kill after the first entry leaves one that is behind
        return
    if kept.count < end.count:
        kept = _one_behind(connection, folder, kept, end)
    if not kept.count:
        return
    found = connection.execute(select(entries.c.hash).where(entries.c.seq == kept.count)).scalar()
    if found != kept.hash:
        raise RecordsError(
            expected=Message("entry %(count)s as the head beside the database knows it", count=kept.count),
            found=(Message("none") if found is None else Message("another one")),
            remedy=Message(
                "Nothing was recorded. Run `stripread records verify`; restore a backup where entries are gone."
            ),
        )


def _one_behind(connection: Connection, folder: Path, kept: Head, end: Head) -> Head:
    """Bring a head up to the end that lacks what one writer entered; wait a moment for others to write theirs."""
    until = time.monotonic() + _OTHERS_S
    while not entered_at_once(connection, kept.count):
        if time.monotonic() > until:
            raise RecordsError(
                expected=Message("the head of the record at entry %(count)s", count=end.count),
                found=Message("one at entry %(count)s, in %(path)s. Nothing was recorded", count=kept.count,
                              path=folder / HEAD),
                remedy=HEAD_REMEDY,
            )  # fmt: skip
        time.sleep(0.02)
        kept = load_head(folder) or kept
    own = connection.execute(select(entries.c.hash).where(entries.c.seq == kept.count)).scalar()
    if kept.count and own != kept.hash:
        return kept  # told by the caller
    keep_head(folder, end)
    return end


def entered_at_once(connection: Connection, after: int) -> bool:
    """Tell whether all entries after one have one time and one name, as those of one writer have."""
    stamps = select(entries.c.at_utc, entries.c.who).where(entries.c.seq > after).distinct().limit(2)
    return len(connection.execute(stamps).all()) < 2


def append_drafts(connection: Connection, drafts: Sequence[Draft], stamp: Stamp) -> list[Entry]:
    """Write drafts to the end of the chain, in their order."""
    if stamp.at.utcoffset() is None or not _plain(stamp.who):
        raise RecordsError(
            expected=Message("a time with its zone and the name of whoever enters"),
            found=Message("%(stamp)s and %(who)s", stamp=stamp.at.isoformat(), who=repr(stamp.who)),
            remedy=Message("Name them."),
        )
    # A reading's subject is the name of a point, which was entered before; an imported entry is as it was elsewhere.
    named = [draft.subject for draft in drafts if draft.kind != "reading" and draft.origin is None]
    for text in (stamp.who, *(name for name in named if name is not None)):
        if not is_one_line(text):
            raise RecordsError(
                expected=Message("a name on one line, of signs that can be printed"),
                found=Verbatim(repr(text[:200])),
                remedy=Message("Write it without line breaks. Nothing was recorded."),
            )
    head = head_of(connection)
    rows = []
    for draft in drafts:
        row = _row(draft, stamp, head)
        head = Head(count=row["seq"], hash=row["hash"])
        rows.append(row)
    write_rows(connection, rows)
    return [to_entry(row) for row in rows]


def _row(draft: Draft, stamp: Stamp, head: Head) -> dict[str, Any]:
    row: dict[str, Any] = {
        "seq": head.count + 1,
        "kind": draft.kind,
        "at_utc": utc_text(stamp.at),
        "zone_offset": offset_text(stamp.at),
        "zone_name": _plain(stamp.at.tzname() or "") or offset_text(stamp.at),
        "who": _plain(stamp.who),
        "software": f"stripread {__version__}",
        "subject": _plain(draft.subject or "") or None,
        "supersedes": draft.supersedes,
        "origin": draft.origin,
        "files": canonical_json([asdict(ref) for ref in draft.files]),
        "payload": canonical_json(draft.payload),
        "previous_hash": head.hash,
    }
    return {**row, "hash": entry_hash(row)}


def _plain(text: str) -> str:
    """Leave out signs that no terminal shows and one of the databases cannot hold."""
    plain = " ".join("".join(c for c in text if c.isprintable()).split())
    canonical_json(plain)
    return plain


def write_rows(connection: Connection, rows: Sequence[Mapping[str, Any]]) -> None:
    """Insert whole rows of the chain and what the narrow tables must hold for them."""
    if not rows:
        return
    connection.execute(insert(entries), [dict(row) for row in rows])
    if narrow := [one for row in rows for one in reading_rows(row)]:
        connection.execute(insert(readings), narrow)
    if found := [one for row in rows for one in finding_rows(row)]:
        connection.execute(insert(findings), found)
    if kept := [one for row in rows for one in file_rows(row)]:
        connection.execute(insert(files), kept)


def is_known(connection: Connection, draft: Draft) -> bool:
    """Tell whether an entry of the draft's kind rests on the same first file already, under the same name."""
    query = (
        select(files.c.seq)
        .join(entries, entries.c.seq == files.c.seq)
        .where(
            files.c.sha256 == draft.files[0].sha256, entries.c.kind == draft.kind, entries.c.subject == draft.subject
        )
    )
    return connection.execute(query.limit(1)).first() is not None


def to_entry(row: Mapping[str, Any]) -> Entry:
    """Return a row as an entry; `RecordsError` where it cannot be one any more."""
    try:
        return _entry(row)
    except (LookupError, TypeError, ValueError) as error:
        raise RecordsError(
            expected=Message("entry %(seq)s as it was written", seq=row["seq"]),
            found=Message("something else: %(error)s", error=error),
            remedy=Message("Run `stripread records verify`, and restore a backup."),
        ) from error


def _entry(row: Mapping[str, Any]) -> Entry:
    zone = parse_offset(row["zone_offset"])
    return Entry(
        seq=row["seq"],
        kind=cast(Any, row["kind"]),
        at=parse_utc(row["at_utc"]).astimezone(zone),
        zone_name=row["zone_name"],
        who=row["who"],
        software=row["software"],
        subject=row["subject"],
        supersedes=row["supersedes"],
        origin=row["origin"],
        files=tuple(FileRef(**ref) for ref in read_json(row["files"], any_number=True)),
        payload=read_json(row["payload"], any_number=True),
        previous_hash=row["previous_hash"],
        hash=row["hash"],
    )


def rows_in_order(
    connection: Connection, query: Select[Any] | None = None, *, chunk: int = _CHUNK
) -> Iterator[list[dict[str, Any]]]:
    """Walk the chain from its start, some rows at a time, so that memory does not grow with the record."""
    query = select(*(entries.c[name] for name in COLUMNS)) if query is None else query
    after = None
    while True:
        page = query if after is None else query.where(entries.c.seq > after)
        rows = [dict(row) for row in connection.execute(page.order_by(entries.c.seq).limit(chunk)).mappings()]
        if not rows:
            return
        yield rows
        after = rows[-1]["seq"]
