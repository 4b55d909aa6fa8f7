"""Verification: the chain, its head, the narrow tables and the kept files, each held against what they must be.

Walks everything once, some rows at a time. What it cannot show is in ``docs/explanation/records.md``.
"""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any, Literal

from sqlalchemy import Connection, Table, func, or_, select

from stripread.check import clock_step
from stripread.errors import RecordsError
from stripread.files import read_json
from stripread.i18n import Message, Shown, Verbatim, plural
from stripread.records.acceptance import changed_files
from stripread.records.chain.anchor import noted_heads
from stripread.records.chain.canonical import entry_hash, parse_utc
from stripread.records.chain.chain import entered_at_once, rows_in_order
from stripread.records.chain.entries import Entry, Note, Stamp
from stripread.records.chain.files import KEPT, hash_file, kept_files, unfinished_files
from stripread.records.chain.guards import missing_guards
from stripread.records.chain.head import HEAD, NO_HEAD, Head, load_head, renew_head
from stripread.records.failures import failures_in_words
from stripread.records.queries.checks import lost_checks
from stripread.records.queries.projection import file_rows, finding_rows, reading_rows
from stripread.records.store import Records
from stripread.records.tables import entries, files, findings, readings

__all__ = ["Problem", "Verification", "check_rows", "find_orphans", "renew_lost_head", "verify_records"]

_MOST = 100  # problems told in words; the others are counted
_CHUNK = 500

Fault = Literal[
    "changed", "removed", "inserted", "cut off", "rewritten", "file changed", "file removed", "narrow table",
    "head missing", "check lost", "not accepted", "guard removed", "head behind", "noted heads",
]  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class Problem:
    """Something that is not as it was written; ``where`` is an entry or a file."""

    fault: Fault
    where: Shown
    found: Shown


@dataclass(frozen=True, slots=True, kw_only=True)
class Verification:
    """What was found.

    Attributes
    ----------
    entries, files : int
        How many were looked at; ``files_hashed`` is False where only their being there was checked.
    head : Head
        Of the database as it is: note it down elsewhere.
    problems : tuple of Problem
        The first hundred; ``problem_count`` counts all.
    orphans : tuple of str
        Kept and half-written files that no entry names: left by a killed process, no sign of tampering. The first
        hundred; ``orphan_count`` counts all.
    head_behind : int
        Entries that the head beside the database does not yet know: left by a kill after the commit.
    clock_steps : tuple of (where, what)
        Entries that were entered before the one that they follow, or long after it, by the computer's clock; the first
        hundred. No sign of tampering by itself: somebody set the clock, or it was wrong.
    """

    entries: int
    files: int
    files_hashed: bool
    head: Head
    problems: tuple[Problem, ...]
    problem_count: int
    orphans: tuple[str, ...]
    orphan_count: int
    head_behind: int
    clock_steps: tuple[tuple[Shown, Shown], ...]

    @property
    def intact(self) -> bool:
        """Whether nothing was found changed, removed, put in or cut off."""
        return self.problem_count == 0


@dataclass(slots=True)
class _Tally:
    """The only thing here that changes: what was found so far, never more than a hundred of it."""

    problems: list[Problem]
    count: int = 0

    def add(self, fault: Fault, where: Shown, found: Shown) -> None:
        self.count += 1
        if len(self.problems) < _MOST:
            self.problems.append(Problem(fault=fault, where=where, found=found))


def renew_lost_head(records: Records, *, why: str, stamp: Stamp, anchors: Sequence[Head] = ()) -> Entry:
    """Write the head beside the database anew, and enter who did so and why.

    Raises
    ------
    RecordsError
        If nobody says why, or the record is not whole but for its head.
    """
    if not why.strip():
        raise RecordsError(
            expected=Message("how the head came to be lost"), found=Message("none"), remedy=Message("Say why.")
        )
    found = verify_records(records, anchors=anchors)
    others = [problem for problem in found.problems if problem.fault not in ("head missing", "head behind")]
    if others:
        raise RecordsError(
            expected=Message("a record that is whole but for its head"),
            found=Message("%(where)s %(fault)s: %(found)s", where=others[0].where, fault=Message(others[0].fault),
                          found=others[0].found),
            remedy=Message("Nothing was written. Run `stripread records verify`, and restore a backup."),
        )  # fmt: skip
    with failures_in_words(str(records.folder / HEAD)):
        renew_head(records.folder, found.head)
    return records.add_note(Note(text=f"head of the record written anew at entry {found.head.count}: {why}"), stamp)


@dataclass(slots=True)
class _Clock:
    """Follows the clock from entry to entry."""

    found: list[tuple[Shown, Shown]]
    last: datetime | None = None

    def look_at(self, row: dict[str, Any]) -> None:
        """Note a step; what the page's queue reads bears the time at which its photo came, and is passed over."""
        try:
            at = parse_utc(row["at_utc"])
            waited = (
                row["kind"] == "reading"
                and read_json(row["payload"], any_number=True).get("how", {}).get("job") is not None
            )
        except (AttributeError, TypeError, ValueError):  # a row that was changed: told as such
            return
        if waited:
            return
        step = None if self.last is None else clock_step(self.last, at)
        if step is not None and len(self.found) < _MOST:
            self.found.append((Message("entry %(seq)s", seq=row["seq"]), step))
        self.last = at


def verify_records(
    records: Records,
    *,
    anchors: Sequence[Head] = (),
    hash_files: bool = True,
    on_entries: Callable[[int], None] = lambda count: None,
) -> Verification:
    """Hold the whole record against its hashes.

    Parameters
    ----------
    anchors : sequence of Head
        Heads that were noted down elsewhere: the only proof against somebody who rewrites everything.
    hash_files : bool
        Whether to read every kept file; else only to look whether it is there.
    on_entries : callable
        Told how many entries are done, from time to time.
    """
    tally, steps = _Tally(problems=[]), _Clock(found=[])
    told = False
    try:
        kept: Head | None = load_head(records.folder)  # before the snapshot: it can then only be behind
    except RecordsError as error:
        tally.add("head missing", Message("head"), error.found)
        kept, told = NO_HEAD, True
    noted: list[Head] = []
    if records.anchor is not None:
        try:
            noted = list(noted_heads(records.anchor))
        except RecordsError as error:
            tally.add("noted heads", Verbatim(str(records.anchor)), error.found)
    with records.database.reading() as connection:
        marks = _marks((*noted, *anchors))
        head = _walk(connection, tally, kept, marks, on_entries, steps)
        _beyond(connection, head, tally)
        looked = _look_at_files(connection, records.folder, tally, hash_files=hash_files)
        for seq, name in lost_checks(connection, records.folder):
            tally.add(
                "check lost",
                Message("entry %(seq)s", seq=seq),
                Message("its row in %(file)s is gone or says something else", file=name),
            )
        for name, found in missing_guards(connection):
            tally.add("guard removed", Message("trigger %(name)s", name=name), found)
        for path, found in changed_files(connection, records.folder):
            tally.add("not accepted", Verbatim(path), found)
        if kept is not None and not told and not _is_one_behind(connection, kept, head):
            tally.add(
                "head behind",
                Message("head"),
                Message("it knows of %(count)s entries, less than one writer can have left it behind by",
                        count=kept.count),
            )  # fmt: skip
        orphans, orphan_count = _orphans(connection, records.folder)
    if kept is None and head.count:
        tally.add(
            "head missing",
            Message("head"),
            Message("no file beside the database; an end that was cut off would not show"),
        )
    return Verification(
        entries=head.count,
        files=looked,
        files_hashed=hash_files,
        head=head,
        problems=tuple(tally.problems),
        problem_count=tally.count,
        orphans=tuple(orphans),
        orphan_count=orphan_count,
        clock_steps=tuple(steps.found),
        head_behind=max(head.count - kept.count, 0) if kept is not None else 0,
    )


def _marks(heads: Sequence[Head]) -> dict[int, Head]:
    """Return heads by their counts; of two that differ the first noted, which the later one cannot hide."""
    marks: dict[int, Head] = {}
    for head in heads:
        marks.setdefault(head.count, head)
    return marks


def _is_one_behind(connection: Connection, kept: Head, head: Head) -> bool:
    return kept.count >= head.count or entered_at_once(connection, kept.count)


def _walk(
    connection: Connection,
    tally: _Tally,
    kept: Head | None,
    marks: dict[int, Head],
    on_entries: Callable[[int], None],
    steps: "_Clock",
) -> Head:
    head = NO_HEAD
    for rows in rows_in_order(connection):
        for row in rows:
            head = check_rows(head, [row], tally.add)
            steps.look_at(row)
            if kept is not None and head.count == kept.count and head.hash != kept.hash:
                tally.add(
                    "rewritten",
                    Message("entry %(seq)s", seq=head.count),
                    Message("its hash is not that of the head beside the database"),
                )
            if (mark := marks.pop(head.count, None)) is not None and mark.hash != head.hash:
                tally.add(
                    "rewritten",
                    Message("entry %(seq)s", seq=head.count),
                    Message("its hash is not the one that was noted down"),
                )
        _check_narrow(connection, rows, tally)
        on_entries(head.count)
    if kept is not None and kept.count > head.count:
        tally.add(
            "cut off",
            Message("entries %(first)s to %(last)s", first=head.count + 1, last=kept.count),
            Message("the head beside the database knows of them"),
        )
    for mark in marks.values():
        tally.add(
            "cut off", Message("entry %(seq)s", seq=mark.count), Message("a head that was noted down knows of it")
        )
    return head


def check_rows(head: Head, rows: Sequence[dict[str, Any]], add: Callable[[Fault, Shown, Shown], None]) -> Head:
    """Check rows that follow a head, and return the new head; what is wrong is told once, where it happened."""
    for row in rows:
        seq, where = row["seq"], Message("entry %(seq)s", seq=row["seq"])
        if seq > head.count + 1:
            gone = (
                Message("entries %(first)s to %(last)s", first=head.count + 1, last=seq - 1)
                if seq > head.count + 2
                else Message("entry %(seq)s", seq=seq - 1)
            )
            add("removed", gone, Message("the numbers go on without"))
        elif seq < head.count + 1:
            add("inserted", where, Message("its number does not follow the one before"))
        if _hash_of(row) != row["hash"]:
            add("changed", where, Message("it is not what its hash was made of"))
        elif row["previous_hash"] != head.hash and seq == head.count + 1:
            add("rewritten", where, Message("it does not follow on the entry before it, as that is now"))
        supersedes = row["supersedes"]
        if supersedes is not None and not (isinstance(supersedes, int) and 0 < supersedes < seq):
            add("inserted", where, Message("it supersedes entry %(seq)s, which did not come before", seq=supersedes))
        head = Head(count=seq, hash=row["hash"])
    return head


def _hash_of(row: dict[str, Any]) -> str | None:
    try:
        return entry_hash(row)
    except (TypeError, ValueError):  # bytes where text was
        return None


def _check_narrow(connection: Connection, rows: list[dict[str, Any]], tally: _Tally) -> None:
    """Hold the narrow tables against what the entries say: a changed number there would show in every list."""
    first, last = rows[0]["seq"], rows[-1]["seq"]
    for table, second, expected in (
        (readings, "pad_index", reading_rows),
        (findings, "finding_index", finding_rows),
        (files, "file_index", file_rows),
    ):
        query = select(table).where(table.c.seq.between(first, last)).order_by(table.c.seq, table.c[second])
        there = _by_seq(dict(row) for row in connection.execute(query).mappings())
        for row in rows:
            found = there.get(row["seq"], [])
            try:
                due = expected(row)
            except (
                AttributeError,
                LookupError,
                TypeError,
                ValueError,
            ):  # a payload that was changed: told as such already
                continue
            if found != due:
                tally.add(
                    "narrow table",
                    Message("entry %(seq)s", seq=row["seq"]),
                    Message("table %(table)s says something else", table=repr(table.name)),
                )


def _by_seq(rows: Iterator[dict[str, Any]]) -> dict[int, list[dict[str, Any]]]:
    found: dict[int, list[dict[str, Any]]] = {}
    for row in rows:
        found.setdefault(row["seq"], []).append(row)
    return found


def _beyond(connection: Connection, head: Head, tally: _Tally) -> None:
    """Find rows of the narrow tables that belong to no entry."""
    tables: tuple[Table, ...] = (readings, findings, files)
    for table in tables:
        no_entry = ~select(entries.c.seq).where(entries.c.seq == table.c.seq).exists()
        query = select(func.count()).select_from(table)
        stray = connection.execute(query.where(or_(table.c.seq > head.count, table.c.seq < 1, no_entry))).scalar_one()
        if stray:
            tally.add(
                "inserted",
                Message("table %(table)s", table=repr(table.name)),
                plural("%(count)s row of no entry", "%(count)s rows of no entry", count=stray),
            )


def _look_at_files(connection: Connection, folder: Path, tally: _Tally, *, hash_files: bool) -> int:
    looked, after = 0, ""
    while True:
        query = select(files.c.path, func.min(files.c.sha256), func.max(files.c.sha256), func.min(files.c.seq))
        query = query.where(files.c.path > after).group_by(files.c.path).order_by(files.c.path).limit(_CHUNK)
        page = connection.execute(query).all()
        for path, sha256, other, seq in page:
            looked += 1
            _look_at_file(
                folder,
                path,
                sha256,
                Message("%(path)s (entry %(seq)s)", path=path, seq=seq),
                tally,
                hash_files=hash_files,
            )
            if other != sha256:
                tally.add("narrow table", Verbatim(path), Message("two hashes for one file"))
        if not page:
            return looked
        after = page[-1][0]


def _look_at_file(folder: Path, path: str, sha256: str, where: Shown, tally: _Tally, *, hash_files: bool) -> None:
    named = KEPT.fullmatch(path)
    if named is None or named[1] != sha256:
        tally.add("changed", where, Message("a path that does not go with its hash"))
        return
    try:
        if not (folder / path).is_file():
            tally.add("file removed", where, Message("no such file"))
        elif hash_files and hash_file(folder / path) != sha256:
            tally.add("file changed", where, Message("other bytes than were recorded"))
    except OSError as error:
        tally.add("file changed", where, Message("it cannot be read: %(reason)s", reason=error.strerror))


def _orphans(connection: Connection, folder: Path) -> tuple[list[str], int]:
    found: list[str] = []
    count = 0
    for path in find_orphans(connection, folder):
        count += 1
        if len(found) < _MOST:
            found.append(path)
    return found, count


def find_orphans(connection: Connection, folder: Path) -> Iterator[str]:
    """Kept files that no entry names, and half-written ones; from the site's folder."""
    chunk: list[str] = []

    def unknown() -> Iterator[str]:
        known = set(connection.execute(select(files.c.path).where(files.c.path.in_(chunk))).scalars())
        yield from sorted(set(chunk) - known)
        chunk.clear()

    for path in kept_files(folder):
        chunk.append(path)
        if len(chunk) == _CHUNK:
            yield from unknown()
    if chunk:
        yield from unknown()
    yield from (path.relative_to(folder).as_posix() for path in unfinished_files(folder))
