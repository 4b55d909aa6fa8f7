"""Export of readings and batches as CSV or JSON Lines with their schema, and import of what was exported."""

import csv
import io
import json
from collections.abc import Iterator, Mapping, Sequence
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path
from typing import IO, Any, Literal

from sqlalchemy import Connection, or_, select

from stripread.errors import RecordsError
from stripread.files import open_whole, write_file
from stripread.i18n import Message, Verbatim
from stripread.records.chain.canonical import COLUMNS, canonical_json, entry_hash
from stripread.records.chain.chain import append_drafts, check_head, head_of, rows_in_order
from stripread.records.chain.entries import Draft, FileRef, Stamp
from stripread.records.chain.files import KEPT, hash_file, keep_file
from stripread.records.chain.head import keep_head
from stripread.records.chain.schema import TABLES, cells_of, completed, data_package, row_of, table_rows, table_schema
from stripread.records.database import refresh_statistics
from stripread.records.failures import failures_in_words
from stripread.records.store import Records
from stripread.records.tables import entries

__all__ = ["Imported", "export_records", "import_records"]

Form = Literal["csv", "jsonl"]
_PACKAGE = "datapackage.json"


@dataclass(frozen=True, slots=True, kw_only=True)
class Imported:
    """What an import did: entries added, those that were there already, and files that did not come along."""

    added: int
    known: int
    without_files: int


def export_records(records: Records, folder: Path, *, form: Form, stamp: Stamp, photos: bool = False) -> dict[str, int]:
    """Write readings and batches, superseded ones too, with schema and descriptor; return how many rows each has.

    Parameters
    ----------
    photos : bool
        Whether to copy the kept files along, so that an import elsewhere has them.

    Raises
    ------
    RecordsError
        If the folder holds an export already, or cannot be written to.
    """
    for path in (folder / _PACKAGE, *(folder / f"{table}.{form}" for table in TABLES)):
        if path.exists():
            raise RecordsError(
                expected=Message("a folder without an export"),
                found=Verbatim(str(path)),
                remedy=Message("Name another folder."),
            )
    counts, resources = {}, {}
    # All files come into their places at the end, the one that names them last: what failed can be made again.
    with failures_in_words(str(folder)), records.database.reading() as connection, ExitStack() as unfinished:
        folder.mkdir(parents=True, exist_ok=True)
        package_file = unfinished.enter_context(open_whole(folder / _PACKAGE))
        for table in TABLES:
            path = folder / f"{table}.{form}"
            file = unfinished.enter_context(open_whole(path))
            counts[table] = _write_table(connection, records.folder, table, file, form, folder if photos else None)
            unfinished.enter_context(open_whole(folder / f"{table}.schema.json")).write(_pretty(table_schema(table)))
            file.flush()
            resources[table] = {
                "path": path.name,
                "format": form,
                "mediatype": "text/csv" if form == "csv" else "application/jsonl",
                "bytes": file.tell(),
                "hash": f"sha256:{hash_file(Path(file.name))}",
            }
        package_file.write(_pretty(data_package(resources, created=stamp.at.isoformat(timespec="seconds"))))
    return counts


def _write_table(
    connection: Connection, home: Path, table: str, file: IO[bytes], form: Form, files_to: Path | None
) -> int:
    count = 0
    query = select(*(entries.c[name] for name in COLUMNS)).where(entries.c.kind == TABLES[table])
    names = [field["name"] for field in table_schema(table)["fields"]]
    if form == "csv":
        file.write(_csv_row(names))
    for rows in rows_in_order(connection, query):
        for row in rows:
            for values in table_rows(table, row):
                count += 1
                if form == "csv":
                    file.write(_csv_row(cells_of(table, values)))
                else:
                    file.write((_line({name: values[name] for name in names}) + "\n").encode("utf-8"))
            for ref in json.loads(row["files"]) if files_to is not None else ():
                _copy(home / ref["path"], Path(files_to or home) / ref["path"])
    return count


def _csv_row(cells: Sequence[str]) -> bytes:
    out = io.StringIO()
    csv.writer(out, lineterminator="\r\n").writerow(cells)  # RFC 4180, as Frictionless expects
    return out.getvalue().encode("utf-8")


def _line(values: Mapping[str, Any]) -> str:
    """Return a row of JSON Lines, its keys in the order of the schema, as readers of tables expect."""
    return json.dumps(values, ensure_ascii=False, allow_nan=False, separators=(",", ":"))


def _copy(source: Path, target: Path) -> None:
    if not target.exists():
        target.parent.mkdir(parents=True, exist_ok=True)
        write_file(target, source.read_bytes())


def _pretty(value: object) -> bytes:
    return (json.dumps(value, indent=1, ensure_ascii=False) + "\n").encode("utf-8")


def import_records(records: Records, folder: Path, *, stamp: Stamp) -> Imported:
    """Add the entries of an export that this record does not hold, all of them or none.

    Each says under ``imported`` from which file (name and SHA-256) it came and what stood there: when, by whom, with
    what it had been entered. Imported twice, an entry is added once.

    Raises
    ------
    RecordsError
        If a file is not as its descriptor says, or a row is not as its entry's hash says; names the line.
    """
    package = _load_package(folder)
    added = known = without = 0
    with records.database.writing() as connection:
        check_head(connection, records.folder)
        for table, path, form in package:
            source = {"file": path.name, "sha256": hash_file(path)}
            places: dict[int, int] = {}  # superseded entries' numbers there, and here
            for line, row in _entries_of(path, table, form):
                here = _find(connection, row["hash"])
                if here is not None:
                    known += 1
                else:
                    draft, missing = _draft(records, folder, row, source, places, f"{path}, line {line}", connection)
                    here = append_drafts(connection, [draft], stamp)[0].seq
                    added += 1
                    without += missing
                places[row["seq"]] = here
        refresh_statistics(connection)
        head = head_of(connection)
    keep_head(records.folder, head)
    return Imported(added=added, known=known, without_files=without)


def _load_package(folder: Path) -> list[tuple[str, Path, Form]]:
    path = folder / _PACKAGE
    try:
        resources = json.loads(path.read_text(encoding="utf-8"))["resources"]
        found: list[tuple[str, Path, Form]] = []
        for resource in resources:
            table, name, form, told = (resource[key] for key in ("name", "path", "format", "hash"))
            if table not in TABLES or form not in ("csv", "jsonl") or Path(name).name != name:
                raise ValueError(f"a resource {table!r} of format {form!r} in {name!r}")
            if f"sha256:{hash_file(folder / name)}" != told:
                raise ValueError(f"{name}, which was changed after it was exported")
            found.append((table, folder / name, form))
    except (OSError, ValueError, KeyError, TypeError) as error:
        raise RecordsError(
            expected=Message("an export of readings and batches, described in %(path)s", path=path),
            found=(Message("no key %(key)s", key=error) if isinstance(error, KeyError) else Verbatim(str(error))),
            remedy=Message("Export again with `stripread records export`."),
        ) from error
    return found


def _entries_of(path: Path, table: str, form: Form) -> Iterator[tuple[int, dict[str, Any]]]:
    """Line number and whole entry, as a row of the chain; each held against its hash and the columns beside it."""
    csv.field_size_limit(1 << 30)  # a payload is one cell
    due: list[dict[str, Any]] = []
    line = 0
    try:
        for line, values in _lines(path, table, form):
            if due and values == due[0]:  # a further pad
                due.pop(0)
                continue
            if due:
                raise ValueError("a pad's row is missing or changed")
            row = {**{name: values[name] for name in COLUMNS}}
            row |= {"files": canonical_json(values["files"]), "payload": canonical_json(values["payload"])}
            if entry_hash(row) != row["hash"] or row["kind"] != TABLES[table]:
                raise ValueError("an entry that is not what its hash was made of")
            first, *due = table_rows(table, row)
            if values != first:
                wrong = [name for name in first if values.get(name) != first[name]]
                raise ValueError(f"{', '.join(wrong)} says something else than the entry's payload")
            yield line, row
        if due:
            raise ValueError("a pad's row is missing")
    except (ValueError, KeyError, TypeError, csv.Error) as error:
        raise RecordsError(
            expected=Message("rows as they were exported in %(path)s", path=path),
            found=Message("line %(line)s: %(error)s", line=line, error=error),
            remedy=Message("Nothing was imported. Export again; correct entries with `stripread records correct`."),
        ) from error


def _lines(path: Path, table: str, form: Form) -> Iterator[tuple[int, Mapping[str, Any]]]:
    with path.open(encoding="utf-8", newline="") as file:
        if form == "jsonl":
            for number, text in enumerate(file, start=1):
                yield number, completed(table, json.loads(text))
            return
        reader = csv.DictReader(file, strict=True)
        for cells in reader:
            yield reader.line_num, row_of(table, cells)


def _find(connection: Connection, hash_there: str) -> int | None:
    query = select(entries.c.seq).where(or_(entries.c.hash == hash_there, entries.c.origin == hash_there))
    return connection.execute(query.limit(1)).scalar()


def _draft(
    records: Records,
    folder: Path,
    row: Mapping[str, Any],
    source: Mapping[str, str],
    places: Mapping[int, int],
    where: str,
    connection: Connection,
) -> tuple[Draft, int]:
    refs = [FileRef(**ref) for ref in json.loads(row["files"])]
    here = [ref for ref in refs if _bring(records, folder, ref)]
    there = {name: row[name] for name in COLUMNS if name != "payload"} | {"files": json.loads(row["files"])}
    payload = json.loads(row["payload"])
    # Through several records the first stamp stays in front: it is the one that says when and by whom.
    first = payload.get("imported")
    imported = {**there, "from": dict(source)} if first is None else {**first, "via": {**there, "from": dict(source)}}
    supersedes = row["supersedes"]
    if supersedes is not None and supersedes not in places:
        raise RecordsError(
            expected=Message("an entry after the one that it supersedes"),
            found=Message(
                "entry %(seq)s without entry %(supersedes)s (%(where)s)",
                seq=row["seq"],
                supersedes=supersedes,
                where=where,
            ),
            remedy=Message("Import the whole export."),
        )
    draft = Draft(
        kind=row["kind"],
        payload={**payload, "imported": imported},
        subject=row["subject"],
        supersedes=None if supersedes is None else places[supersedes],
        files=tuple(here),
        origin=row["hash"],
    )
    return draft, int(len(here) < len(refs))


def _bring(records: Records, folder: Path, ref: FileRef) -> bool:
    """Take a file over from the export; False where neither it nor this record has it."""
    if KEPT.fullmatch(ref.path) is None:
        return False
    if (records.folder / ref.path).is_file():
        return True
    path = folder / ref.path
    if not path.is_file() or hash_file(path) != ref.sha256:
        return False
    keep_file(records.folder, ref.role, path.read_bytes(), ref.name, suffix=path.suffix)
    return True
