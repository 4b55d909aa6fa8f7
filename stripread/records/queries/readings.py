"""What is asked of the record: pages of readings and entries, the latest at each point.

Pages go on from the last entry seen (keyset), not by counting rows: the thousandth page costs what the first does.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import ColumnElement, Connection, Select, and_, func, or_, select, tuple_

from stripread.check import Method, Stated
from stripread.errors import RecordsError
from stripread.i18n import Message, Verbatim
from stripread.records.chain.canonical import parse_utc, utc_text
from stripread.records.chain.chain import to_entry
from stripread.records.chain.entries import Entry, Kind
from stripread.records.tables import entries, files, findings, readings
from stripread.units import Measured, freedom_of_factor

__all__ = [
    "ALL_READINGS",
    "ReadingFilter",
    "RecordedPad",
    "RecordedReading",
    "corrections_of",
    "earliest_reading",
    "entries_with_file",
    "find_entry",
    "find_reading",
    "finding_codes",
    "latest_readings",
    "page_of_entries",
    "page_of_readings",
    "superseded_by",
]

_SUPERSEDING = entries.alias("superseding")


@dataclass(frozen=True, slots=True, kw_only=True)
class RecordedPad:
    """The numbers of one pad; what there is not is None, as in the JSON of a reading."""

    pad: str
    analyte: str
    unit: str
    value: float | None
    u: float | None
    low: float | None
    high: float | None
    censored: str | None
    limit_value: float | None
    range_state: str | None
    probability_within: float | None

    @property
    def degrees_of_freedom(self) -> float:
        """Of ``u``, which the interval tells over it; infinite where it is open or cut off at zero."""
        if self.low is None or self.high is None or not self.low > 0 or not self.u:
            return math.inf
        return freedom_of_factor((self.high - self.low) / 2 / self.u)

    @property
    def stated(self) -> Stated | None:
        """The number or the bound that it states; None where it states neither."""
        if self.value is not None and self.u is not None:
            return Stated(number=Measured(self.value, self.u, degrees_of_freedom=self.degrees_of_freedom))
        if self.limit_value is None or self.censored is None:
            return None
        return Stated(under=self.limit_value) if self.censored == "below" else Stated(over=self.limit_value)


@dataclass(frozen=True, slots=True, kw_only=True)
class RecordedReading:
    """A reading of the record; ``when`` is when it was taken: the photo's time, else when it was entered first."""

    entry: Entry
    when: datetime
    point: str | None
    sample: str | None
    lot: str | None
    strip_kind: str | None
    validity: str
    pads: tuple[RecordedPad, ...]
    superseded_by: int | None
    method: Method

    @property
    def main(self) -> RecordedPad:
        """The first pad."""
        return self.pads[0]

    @property
    def judged(self) -> RecordedPad | None:
        """The pad of the analyte that its sample was judged by when it was read; None where it has none."""
        expected = (self.entry.payload.get("how") or {}).get("expected") or []
        if not expected:  # of before, or of a sample without a range
            return self.main
        name = str(expected[0]["analyte"]).casefold()
        return next((pad for pad in self.pads if pad.analyte.casefold() == name), None)


@dataclass(frozen=True, slots=True, kw_only=True)
class ReadingFilter:
    """Which readings are wanted; a field of None asks for nothing.

    Attributes
    ----------
    since, until : datetime or None
        With a zone; ``since`` included, ``until`` not.
    method : str or None
        By what means (`check.Method.by`).
    entered : bool
        Only readings by other means than a strip.
    finding : str or None
        The code of a finding that the reading has.
    serious : bool
        Only readings with a finding that is more than information.
    corrections : bool
        Only readings that supersede another or are superseded; else only those that hold now.
    """

    point: str | None = None
    sample: str | None = None
    lot: str | None = None
    analyte: str | None = None
    validity: str | None = None
    method: str | None = None
    who: str | None = None
    since: datetime | None = None
    until: datetime | None = None
    finding: str | None = None
    entered: bool = False
    serious: bool = False
    corrections: bool = False


ALL_READINGS: ReadingFilter = ReadingFilter()


def page_of_readings(
    connection: Connection, wanted: ReadingFilter, *, before: int | None, limit: int
) -> list[RecordedReading]:
    """Return readings, the latest first; those that come after the entry ``before`` where one is named."""
    query = _filtered(wanted)
    if before is not None:
        last = connection.execute(
            select(readings.c.when_utc, readings.c.seq).where(readings.c.seq == before).limit(1)
        ).first()
        if last is None:
            raise RecordsError(
                expected=Message("the number of a reading to go on from"),
                found=Verbatim(str(before)),
                remedy=Message("Take the last one shown."),
            )
        query = query.where(tuple_(readings.c.when_utc, readings.c.seq) < tuple_(last.when_utc, last.seq))
    query = query.order_by(readings.c.when_utc.desc(), readings.c.seq.desc()).limit(limit)
    return _load(connection, [row.seq for row in connection.execute(query)])


def _filtered(wanted: ReadingFilter) -> Select[Any]:
    query = select(readings.c.seq)
    if wanted.analyte is None:
        query = query.where(readings.c.pad_index == 0)
    for name in ("point", "sample", "lot", "analyte", "validity", "method"):
        if (value := getattr(wanted, name)) is not None:
            query = query.where(readings.c[name] == value)
    if wanted.entered:
        query = query.where(readings.c.method != "strip")
    if wanted.since is not None:
        query = query.where(readings.c.when_utc >= utc_text(wanted.since))
    if wanted.until is not None:
        query = query.where(readings.c.when_utc < utc_text(wanted.until))
    of_it = select(findings.c.seq).where(findings.c.seq == readings.c.seq)  # of one reading at a time, in their order
    if wanted.finding is not None:
        query = query.where(of_it.where(findings.c.code == wanted.finding).exists())
    if wanted.serious:
        query = query.where(of_it.where(findings.c.severity != "info").exists())
    if wanted.who is not None or wanted.corrections:
        query = query.join(entries, entries.c.seq == readings.c.seq)
    if wanted.who is not None:
        query = query.where(entries.c.who == wanted.who)
    if wanted.corrections:
        return query.where(entries.c.supersedes.is_not(None) | ~_holds(readings.c.seq))
    return query.where(_holds(readings.c.seq))


def _holds(seq: ColumnElement[Any]) -> ColumnElement[bool]:
    return ~select(_SUPERSEDING.c.seq).where(_SUPERSEDING.c.supersedes == seq).exists()


def _load(connection: Connection, seqs: Sequence[int]) -> list[RecordedReading]:
    """Load readings whole, in the order of their numbers."""
    if not seqs:
        return []
    found = {row["seq"]: row for row in connection.execute(select(entries).where(entries.c.seq.in_(seqs))).mappings()}
    later = superseded_by(connection, seqs)
    pads: dict[int, list[Any]] = {}
    query = select(readings).where(readings.c.seq.in_(seqs)).order_by(readings.c.seq, readings.c.pad_index)
    for row in connection.execute(query):
        pads.setdefault(row.seq, []).append(row)
    return [
        RecordedReading(
            entry=to_entry(dict(found[seq])),
            when=parse_utc(pads[seq][0].when_utc).astimezone(to_entry(dict(found[seq])).at.tzinfo),
            **{name: getattr(pads[seq][0], name) for name in ("point", "sample", "lot", "strip_kind", "validity")},
            pads=tuple(
                RecordedPad(**{name: getattr(pad, name) for name in RecordedPad.__dataclass_fields__})
                for pad in pads[seq]
            ),
            superseded_by=later.get(seq),
            method=Method.of_payload(to_entry(dict(found[seq])).payload),
        )
        for seq in seqs
    ]


def superseded_by(connection: Connection, seqs: Sequence[int]) -> dict[int, int]:
    """Return, of those that are superseded, the number of the superseding entry."""
    query = select(entries.c.supersedes, entries.c.seq).where(entries.c.supersedes.in_(seqs))
    return {row.supersedes: row.seq for row in connection.execute(query)}


def latest_readings(connection: Connection, main: Mapping[str, str] | None = None) -> dict[str, RecordedReading]:
    """Return the latest reading that holds at each point; from point to point by the index, not over all readings.

    Parameters
    ----------
    main : mapping of str to str, or None
        Sample type to the analyte that it is judged by: where a point has readings of that one, a later one of another
        analyte, as a pH by a meter, does not stand in its place.
    """
    latest: list[int] = []
    of_main = [and_(readings.c.sample == name, readings.c.analyte == one) for name, one in (main or {}).items()]
    point = connection.execute(select(func.min(readings.c.point))).scalar()
    while point is not None:
        query = _filtered(ReadingFilter(point=point)).order_by(readings.c.when_utc.desc(), readings.c.seq.desc())
        found = list(connection.execute(query.limit(1)).scalars())
        if of_main:
            any_pad = select(readings.c.seq).where(readings.c.point == point, _holds(readings.c.seq), or_(*of_main))
            ordered = any_pad.order_by(readings.c.when_utc.desc(), readings.c.seq.desc())
            found = list(connection.execute(ordered.limit(1)).scalars()) or found
        latest += found
        point = connection.execute(select(func.min(readings.c.point)).where(readings.c.point > point)).scalar()
    return {one.point: one for one in _load(connection, latest) if one.point is not None}


def finding_codes(connection: Connection) -> list[str]:
    """Return the codes of findings that occur in the record; from code to code by the index."""
    codes: list[str] = []
    query = select(func.min(findings.c.code))
    code = connection.execute(query).scalar()
    while code is not None:
        codes.append(code)
        code = connection.execute(query.where(findings.c.code > code)).scalar()
    return codes


def earliest_reading(connection: Connection) -> RecordedReading | None:
    """Return the earliest reading that holds; None where there is none."""
    query = _filtered(ALL_READINGS).order_by(readings.c.when_utc, readings.c.seq).limit(1)
    return next(iter(_load(connection, list(connection.execute(query).scalars()))), None)


def page_of_entries(
    connection: Connection, *, kind: Kind | None, subject: str | None, superseded: bool, before: int | None, limit: int
) -> list[Entry]:
    """Return entries, the last entered first; those that hold now unless the superseded ones are wanted too."""
    query = select(entries)
    if kind is not None:
        query = query.where(entries.c.kind == kind)
    if subject is not None:
        query = query.where(entries.c.subject == subject)
    if before is not None:
        query = query.where(entries.c.seq < before)
    if not superseded:
        query = query.where(_holds(entries.c.seq))
    rows = connection.execute(query.order_by(entries.c.seq.desc()).limit(limit)).mappings()
    return [to_entry(dict(row)) for row in rows]


def find_entry(connection: Connection, seq: int) -> Entry:
    """Return an entry by its number; `RecordsError` where there is none."""
    row = connection.execute(select(entries).where(entries.c.seq == seq)).mappings().first()
    if row is None:
        raise RecordsError(
            expected=Message("the number of an entry"),
            found=Verbatim(str(seq)),
            remedy=Message("Look it up: `stripread log`."),
        )
    return to_entry(dict(row))


def find_reading(connection: Connection, seq: int) -> RecordedReading:
    """Return a reading by its entry's number, superseded ones too; `RecordsError` where there is none."""
    if connection.execute(select(readings.c.seq).where(readings.c.seq == seq).limit(1)).first() is None:
        raise RecordsError(
            expected=Message("the number of a reading"),
            found=Verbatim(str(seq)),
            remedy=Message("Look it up: `stripread log`."),
        )
    return _load(connection, [seq])[0]


def corrections_of(connection: Connection, seq: int) -> list[Entry]:
    """Return an entry with those that it supersedes and that supersede it, the first entered first."""
    chain = [find_entry(connection, seq)]
    while (before := chain[0].supersedes) is not None:
        chain.insert(0, find_entry(connection, before))
    while (later := superseded_by(connection, [chain[-1].seq]).get(chain[-1].seq)) is not None:
        chain.append(find_entry(connection, later))
    return chain


def entries_with_file(connection: Connection, sha256: str) -> list[Entry]:
    """Return the entries that rest on a file, in their order: whether a photo was used before."""
    query = select(entries).where(entries.c.seq.in_(select(files.c.seq).where(files.c.sha256 == sha256)))
    return [to_entry(dict(row)) for row in connection.execute(query.order_by(entries.c.seq)).mappings()]
