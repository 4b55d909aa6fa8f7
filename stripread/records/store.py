"""The record of a site: opened, added to, asked. Nothing in it is changed or taken out."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType
from typing import Any, Generic, Self, TypeVar

from stripread.errors import RecordsError
from stripread.i18n import Message, Verbatim
from stripread.records.chain.anchor import note_head
from stripread.records.chain.chain import append_drafts, check_head, head_of, is_known
from stripread.records.chain.entries import (
    Action,
    ActionDone,
    Batch,
    CheckStandard,
    Draft,
    Entry,
    FileRef,
    InjectorSetting,
    Kind,
    Note,
    Point,
    Role,
    Stamp,
    StoreItem,
    StoreUse,
    TankEvent,
    from_payload,
    to_payload,
)
from stripread.records.chain.files import keep_file
from stripread.records.chain.head import Head, keep_head, load_head
from stripread.records.correct import corrected_payload
from stripread.records.database import DATABASE, REVISION, Database, newer
from stripread.records.queries import readings as queries
from stripread.records.queries.readings import ALL_READINGS, ReadingFilter, RecordedReading

__all__ = ["Recorded", "Records", "has_records", "open_records"]

_Said = TypeVar("_Said")
_PAGE = 50


@dataclass(frozen=True, slots=True, kw_only=True)
class Recorded(Generic[_Said]):
    """What was entered, with the entry that holds it."""

    entry: Entry
    said: _Said


def has_records(folder: Path) -> bool:
    """Tell whether a folder holds a record in SQLite."""
    return (folder / DATABASE).is_file()


def open_records(
    folder: Path, url: str | None = None, *, create: bool = False, anchor: Path | None = None
) -> "Records":
    """Open the record of a site's folder, to be used in a ``with`` statement.

    Parameters
    ----------
    folder : Path
        Holds photos, lot and card files and the head; and, without a URL, the database.
    url : str or None
        A PostgreSQL database, as ``postgresql://name@host/database``.
    create : bool
        Whether to make the record if there is none.
    anchor : Path or None
        A file elsewhere in which each head is noted down (`chain.anchor`).

    Raises
    ------
    RecordsError
        If there is none, it cannot be opened, or is of a later version.
    """
    if not folder.is_dir() or (url is None and not create and not has_records(folder)):
        raise RecordsError(
            expected=Message("a record in %(folder)s", folder=folder),
            found=(Message("none") if folder.is_dir() else Message("no such folder")),
            remedy=Message("Begin one with `stripread init`, or by `stripread read ... --record`."),
        )
    database = Database(folder, url)
    try:
        if create and not (url is None and has_records(folder)):
            if url is None:  # a server may hold the record that the head knows of
                _check_unbegun(folder, database.name)
            database.make_tables()
        with database.reading() as connection:
            revision = database.revision(connection)
        if revision is not None and revision > REVISION:
            raise newer(database.name, Verbatim(revision))
        if revision is None:
            _check_unbegun(folder, database.name)
        if revision != REVISION:
            if revision is None and not create and url is not None:
                raise RecordsError(
                    expected=Message("a record in %(name)s", name=database.name),
                    found=Message("none"),
                    remedy=Message("Begin one with `stripread init`."),
                )
            database.make_tables()
    except BaseException:
        database.close()
        raise
    return Records(folder, database, anchor)


def _check_unbegun(folder: Path, name: str) -> None:
    """Refuse to begin a record anew where the head knows of one."""
    kept = load_head(folder)
    if kept is not None and kept.count:
        raise RecordsError(
            expected=Message("%(count)s entries in %(name)s, as the head beside it says", count=kept.count, name=name),
            found=Message("an empty database"),
            remedy=Message("Restore the latest backup into a new folder: `stripread records restore`."),
        )


class Records:
    """An open record; see `open_records`."""

    def __init__(self, folder: Path, database: Database, anchor: Path | None = None) -> None:
        self.folder, self.database, self.anchor = folder, database, anchor

    def __enter__(self) -> Self:
        """Return itself."""
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        """Close it."""
        self.close()

    def close(self) -> None:
        """Give back the database's connections."""
        self.database.close()

    # --- adding ---

    def keep(self, role: Role, data: bytes, name: str, *, suffix: str) -> FileRef:
        """Keep a file under its hash; it belongs to the record once an entry names it (`add_reading`, `append`)."""
        return keep_file(self.folder, role, data, name, suffix=suffix)

    def append(self, drafts: Sequence[Draft], stamp: Stamp, *, first_if_new: Sequence[Draft] = ()) -> list[Entry]:
        """Add entries, all of them or none; once this returns they outlast a power cut.

        Parameters
        ----------
        first_if_new : sequence of Draft
            Entered before the others, each unless an entry of its kind and subject rests on the same file already.

        Returns
        -------
        list of Entry
            Those of ``drafts``.
        """
        with self.database.writing() as connection:
            check_head(connection, self.folder)
            new = [draft for draft in first_if_new if not is_known(connection, draft)]
            added = append_drafts(connection, [*new, *drafts], stamp)
        if added:
            head = Head(count=added[-1].seq, hash=added[-1].hash)
            keep_head(self.folder, head)
            if self.anchor is not None:
                note_head(self.anchor, head, at=stamp.at)
        return added[len(new) :]

    def add_reading(
        self,
        reading: Mapping[str, Any],
        *,
        files: Sequence[FileRef],
        stamp: Stamp,
        first_if_new: Sequence[Draft] = (),
    ) -> Entry:
        """Add a reading: the JSON object of ``read --json``, and the kept files that it rests on."""
        draft = Draft(kind="reading", payload=reading, subject=reading.get("point"), files=tuple(files))
        return self.append([draft], stamp, first_if_new=first_if_new)[0]

    def add_batch(self, batch: Batch, stamp: Stamp) -> Entry:
        """Add a batch; `RecordsError` where its id is taken, or a part's batch is not in the record."""
        for part in batch.parts:
            if part.batch is not None:
                self._check_batch_known(part.batch)
        if self.entries(kind="batch", subject=batch.id, superseded=True, limit=1):
            raise RecordsError(
                expected=Message("a new id for the batch"),
                found=Message("%(batch)s, which is in the record", batch=repr(batch.id)),
                remedy=Message("Choose another id, or correct that entry."),
            )
        return self._add("batch", batch.id, batch, stamp)

    def _check_batch_known(self, name: str) -> None:
        found = self.entries(kind="batch", subject=name, limit=1)
        if not found or found[0].withdrawn:
            raise RecordsError(
                expected=Message("parts that are batches of the record, or none"),
                found=Message("%(batch)s, which was withdrawn", batch=repr(name)) if found else Verbatim(repr(name)),
                remedy=Message("Enter that batch first, or leave the part's batch out."),
            )

    def add_point(self, point: Point, stamp: Stamp) -> Entry:
        """Add a point, or update it: the later entry supersedes the one before."""
        before = self.entries(kind="point", subject=point.name, limit=1)
        draft = Draft(
            kind="point",
            payload=to_payload(point),
            subject=point.name,
            supersedes=before[0].seq if before else None,
        )
        return self.append([draft], stamp)[0]

    def add_injector_setting(self, setting: InjectorSetting, stamp: Stamp) -> Entry:
        """Add a setting; earlier ones stay, they held until then."""
        return self._add("injector_setting", setting.injector, setting, stamp)

    def add_action(self, action: Action, stamp: Stamp) -> Entry:
        """Add what is to be done about a finding; `RecordsError` where its reading is not there or has no such one."""
        codes = [str(f.get("code")) for f in self.reading(action.about).entry.payload.get("findings") or ()]
        if action.code not in codes:
            raise RecordsError(
                expected=Message(
                    "a finding of entry %(seq)s: %(codes)s", seq=action.about, codes=", ".join(codes) or Message("none")
                ),
                found=Verbatim(repr(action.code)),
                remedy=Message("Name one of these."),
            )
        return self._add("action", str(action.about), action, stamp)

    def add_action_done(self, done: ActionDone, stamp: Stamp) -> Entry:
        """Add what was done for an action."""
        return self._add("action_done", str(done.action), done, stamp)

    def add_store_item(self, item: StoreItem, stamp: Stamp) -> Entry:
        """Add a box or vial; `RecordsError` where its name is taken."""
        if self.entries(kind="store_item", subject=item.name, limit=1):
            raise RecordsError(
                expected=Message("a name of its own"),
                found=Message("%(name)s, which is in the record", name=repr(item.name)),
                remedy=Message("Choose another name, or correct that entry."),
            )
        return self._add("store_item", item.name, item, stamp)

    def add_store_use(self, use: StoreUse, stamp: Stamp) -> Entry:
        """Add what was taken from a store."""
        return self._add("store_use", use.item, use, stamp)

    def add_tank_event(self, event: TankEvent, stamp: Stamp) -> Entry:
        """Add what happened to a tank or to what stood in it; `RecordsError` where its batch is not in the record."""
        if event.batch is not None:
            self._check_batch_known(event.batch)
        return self._add("tank_event", event.batch or event.tank, event, stamp)

    def add_check_standard(
        self,
        check: CheckStandard,
        stamp: Stamp,
        *,
        files: Sequence[FileRef] = (),
        first_if_new: Sequence[Draft] = (),
    ) -> Entry:
        """Add a check of a lot, by its row in the lot's file of checks."""
        draft = Draft(kind="check_standard", payload=to_payload(check), subject=check.lot, files=tuple(files))
        return self.append([draft], stamp, first_if_new=first_if_new)[0]

    def add_note(self, note: Note, stamp: Stamp) -> Entry:
        """Add a note; `RecordsError` where it is about an entry that is not there."""
        if note.about is not None:
            self.entry(note.about)
        return self._add("note", None if note.about is None else str(note.about), note, stamp)

    def _add(
        self,
        kind: Kind,
        subject: str | None,
        said: Batch | InjectorSetting | TankEvent | Action | ActionDone | StoreItem | StoreUse | Note,
        stamp: Stamp,
    ) -> Entry:
        draft = Draft(kind=kind, payload=to_payload(said), subject=subject)
        return self.append([draft], stamp)[0]

    def correct(
        self, seq: int, *, why: str, stamp: Stamp, changes: Mapping[str, Any] | None = None, withdraw: bool = False
    ) -> Entry:
        """Add an entry in place of another, which stays.

        Parameters
        ----------
        changes : mapping
            Fields of the payload and their new values.
        withdraw : bool
            Take the entry back and put nothing in its place.

        Raises
        ------
        RecordsError
            If there is no such entry, it is superseded already, or a field cannot be changed so.
        """
        old = self.entry(seq)
        later = next((e for e in self.corrections_of(seq) if e.supersedes == seq), None)
        if later is not None:
            raise RecordsError(
                expected=Message("an entry that holds"),
                found=Message("entry %(seq)s, which entry %(later)s supersedes", seq=seq, later=later.seq),
                remedy=Message("Correct entry %(later)s.", later=later.seq),
            )
        payload = corrected_payload(old, changes=changes or {}, why=why, withdraw=withdraw)
        subject = payload.get("point") if old.kind == "reading" else old.subject
        draft = Draft(kind=old.kind, payload=payload, subject=subject, supersedes=seq, files=old.files)
        return self.append([draft], stamp)[0]

    # --- asking ---

    def head(self) -> Head:
        """Return the end of the chain, to be noted down elsewhere."""
        with self.database.reading() as connection:
            return head_of(connection)

    def entry(self, seq: int) -> Entry:
        """Return an entry by its number."""
        with self.database.reading() as connection:
            return queries.find_entry(connection, seq)

    def reading(self, seq: int) -> RecordedReading:
        """Return a reading by its entry's number, superseded ones too."""
        with self.database.reading() as connection:
            return queries.find_reading(connection, seq)

    def corrections_of(self, seq: int) -> list[Entry]:
        """Return an entry with those that it supersedes and that supersede it, the first entered first."""
        with self.database.reading() as connection:
            return queries.corrections_of(connection, seq)

    def entries(
        self,
        *,
        kind: Kind | None = None,
        subject: str | None = None,
        superseded: bool = False,
        before: int | None = None,
        limit: int = _PAGE,
    ) -> list[Entry]:
        """Return a page of entries, the last entered first; ``superseded`` adds those that hold no longer."""
        with self.database.reading() as connection:
            return queries.page_of_entries(
                connection, kind=kind, subject=subject, superseded=superseded, before=before, limit=limit
            )

    def readings(
        self, wanted: ReadingFilter = ALL_READINGS, *, before: int | None = None, limit: int = _PAGE
    ) -> list[RecordedReading]:
        """Return a page of readings, the latest first; ``before``: the last entry of the page before."""
        with self.database.reading() as connection:
            return queries.page_of_readings(connection, wanted, before=before, limit=limit)

    def iterate_readings(self, wanted: ReadingFilter = ALL_READINGS, *, page: int = 500) -> Iterator[RecordedReading]:
        """Pass on all readings, the latest first, a page at a time."""
        before = None
        while found := self.readings(wanted, before=before, limit=page):
            yield from found
            before = found[-1].entry.seq

    def finding_codes(self) -> list[str]:
        """Return the codes of findings that occur, in their order."""
        with self.database.reading() as connection:
            return queries.finding_codes(connection)

    def earliest(self) -> RecordedReading | None:
        """Return the earliest reading that holds; None where there is none."""
        with self.database.reading() as connection:
            return queries.earliest_reading(connection)

    def latest_by_point(self, main: Mapping[str, str] | None = None) -> dict[str, RecordedReading]:
        """Return the latest reading at each point, of the ``main`` analyte of its sample type where it has one."""
        with self.database.reading() as connection:
            return queries.latest_readings(connection, main)

    def with_file(self, sha256: str) -> list[Entry]:
        """Return the entries that rest on a file, by its hash."""
        with self.database.reading() as connection:
            return queries.entries_with_file(connection, sha256)

    def batches(self, *, before: int | None = None, limit: int = _PAGE) -> list[Recorded[Batch]]:
        """Return the batches that hold, the last entered first."""
        found = self.entries(kind="batch", before=before, limit=limit)
        return [Recorded(entry=e, said=from_payload(Batch, e.payload)) for e in found if not e.withdrawn]

    def points(self, *, limit: int = 1000) -> list[Recorded[Point]]:
        """Return the points, the last entered first."""
        found = self.entries(kind="point", limit=limit)
        return [Recorded(entry=e, said=from_payload(Point, e.payload)) for e in found if not e.withdrawn]

    def points_in_order(self) -> list[Point]:
        """Return the points, line by line in the order of the water."""
        return sorted((p.said for p in self.points()), key=lambda p: (p.line or "", p.order or 0, p.name))

    def injector_settings(self, *, limit: int = _PAGE) -> list[Recorded[InjectorSetting]]:
        """Return the injectors' settings, the last entered first."""
        found = self.entries(kind="injector_setting", limit=limit)
        return [Recorded(entry=e, said=from_payload(InjectorSetting, e.payload)) for e in found if not e.withdrawn]

    def tank_events(self, *, limit: int = _PAGE) -> list[Recorded[TankEvent]]:
        """Return what happened to the tanks, the last entered first."""
        found = self.entries(kind="tank_event", limit=limit)
        return [Recorded(entry=e, said=from_payload(TankEvent, e.payload)) for e in found if not e.withdrawn]

    def actions(self, *, limit: int = _PAGE) -> list[Recorded[Action]]:
        """Return the actions, the last entered first."""
        found = self.entries(kind="action", limit=limit)
        return [Recorded(entry=e, said=from_payload(Action, e.payload)) for e in found if not e.withdrawn]

    def actions_done(self, *, limit: int = _PAGE) -> list[Recorded[ActionDone]]:
        """Return what was done for actions, the last entered first."""
        found = self.entries(kind="action_done", limit=limit)
        return [Recorded(entry=e, said=from_payload(ActionDone, e.payload)) for e in found if not e.withdrawn]

    def store_items(self, *, limit: int = _PAGE) -> list[Recorded[StoreItem]]:
        """Return the boxes and vials, the last entered first."""
        found = self.entries(kind="store_item", limit=limit)
        return [Recorded(entry=e, said=from_payload(StoreItem, e.payload)) for e in found if not e.withdrawn]

    def store_uses(self, *, limit: int = _PAGE) -> list[Recorded[StoreUse]]:
        """Return what was taken from the stores, the last entered first."""
        found = self.entries(kind="store_use", limit=limit)
        return [Recorded(entry=e, said=from_payload(StoreUse, e.payload)) for e in found if not e.withdrawn]

    def check_standards(self, *, lot: str | None = None, limit: int = _PAGE) -> list[Recorded[CheckStandard]]:
        """Return the checks of a lot, or of all, the last entered first; their numbers are in the lot's own file."""
        found = self.entries(kind="check_standard", subject=lot, limit=limit)
        return [Recorded(entry=e, said=from_payload(CheckStandard, e.payload)) for e in found if not e.withdrawn]

    def notes(self, *, about: int | None = None, limit: int = _PAGE) -> list[Recorded[Note]]:
        """Return the notes about an entry, or all, the last entered first."""
        found = self.entries(kind="note", subject=None if about is None else str(about), limit=limit)
        return [Recorded(entry=e, said=from_payload(Note, e.payload)) for e in found if not e.withdrawn]
