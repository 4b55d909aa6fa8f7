"""The tables: the chain of entries, and beside it narrow columns of what is asked for.

``readings``, ``findings`` and ``files`` say nothing that the entries do not say; they can be made anew from them
(`projection`), and verification compares. The migrations in ``migrations/`` make the same tables; a test holds one to
the other.
"""

from sqlalchemy import (
    BigInteger,
    Column,
    Double,
    ForeignKey,
    Index,
    Integer,
    MetaData,
    String,
    Table,
    Text,
    UniqueConstraint,
)

__all__ = ["entries", "files", "findings", "metadata", "readings"]

metadata = MetaData()

_SEQ = BigInteger().with_variant(Integer(), "sqlite")  # SQLite's own row number must be of type INTEGER

entries = Table(
    "entries",
    metadata,
    Column("seq", _SEQ, primary_key=True, autoincrement=False),
    Column("kind", String(32), nullable=False),
    Column("at_utc", String(27), nullable=False),
    Column("zone_offset", String(6), nullable=False),
    Column("zone_name", Text, nullable=False),
    Column("who", Text, nullable=False),
    Column("software", Text, nullable=False),
    Column("subject", Text),
    Column("supersedes", _SEQ, ForeignKey("entries.seq")),
    Column("origin", String(64)),
    Column("files", Text, nullable=False),
    Column("payload", Text, nullable=False),
    Column("previous_hash", String(64), nullable=False),
    Column("hash", String(64), nullable=False),
    UniqueConstraint("supersedes", name="uq_entries_supersedes"),
    UniqueConstraint("origin", name="uq_entries_origin"),
    UniqueConstraint("hash", name="uq_entries_hash"),
    Index("ix_entries_kind", "kind", "seq"),
    Index("ix_entries_subject", "kind", "subject", "seq"),
)

readings = Table(
    "readings",  # a row a pad
    metadata,
    Column("seq", _SEQ, ForeignKey("entries.seq"), primary_key=True, autoincrement=False),
    Column("pad_index", Integer, primary_key=True, autoincrement=False),
    Column("when_utc", String(27), nullable=False),
    Column("point", Text),
    Column("sample", Text),
    Column("lot", Text),
    Column("strip_kind", Text),
    Column("pad", Text, nullable=False),
    Column("analyte", Text, nullable=False),
    Column("unit", Text, nullable=False),
    Column("value", Double),
    Column("u", Double),
    Column("low", Double),
    Column("high", Double),
    Column("censored", String(8)),
    Column("limit_value", Double),
    Column("range_state", String(16)),
    Column("probability_within", Double),
    Column("validity", String(16), nullable=False),
    Column("method", String(16), nullable=False, server_default="strip"),
    Index("ix_readings_when", "when_utc", "seq"),
    Index("ix_readings_point", "point", "when_utc", "seq"),
    Index("ix_readings_lot", "lot", "when_utc", "seq"),
)

findings = Table(
    "findings",  # a row a finding of a reading
    metadata,
    Column("seq", _SEQ, ForeignKey("entries.seq"), primary_key=True, autoincrement=False),
    Column("finding_index", Integer, primary_key=True, autoincrement=False),
    Column("code", Text, nullable=False),
    Column("severity", String(16), nullable=False),
    Index("ix_findings_code", "code", "seq"),
)

files = Table(
    "files",  # a row a file of an entry
    metadata,
    Column("seq", _SEQ, ForeignKey("entries.seq"), primary_key=True, autoincrement=False),
    Column("file_index", Integer, primary_key=True, autoincrement=False),
    Column("role", String(16), nullable=False),
    Column("sha256", String(64), nullable=False),
    Column("path", Text, nullable=False),
    Index("ix_files_path", "path"),
    Index("ix_files_sha256", "sha256"),
)
