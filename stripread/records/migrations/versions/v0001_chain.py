"""The chain of entries, its two narrow tables, and the triggers that let them only grow."""

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None
branch_labels = None
depends_on = None

_TABLES = ("entries", "readings", "files")

# SQLite lets a trigger refuse, and so does a function in PostgreSQL. Both also refuse an entry that does not stand at
# the end of the chain. Who may change the tables themselves can drop a trigger: that is what the hashes are for.
_SQLITE = """
CREATE TRIGGER {table}_no_{verb} BEFORE {verb} ON {table}
BEGIN SELECT RAISE(ABORT, 'the record is append-only'); END
"""
_SQLITE_END = """
CREATE TRIGGER entries_at_the_end BEFORE INSERT ON entries
WHEN NEW.seq <> (SELECT coalesce(max(seq), 0) + 1 FROM entries)
  OR NEW.previous_hash <> coalesce((SELECT hash FROM entries ORDER BY seq DESC LIMIT 1), '{zeros}')
BEGIN SELECT RAISE(ABORT, 'an entry must stand at the end of the record'); END
"""
_SQLITE_NO_REPLACE = """
CREATE TRIGGER {table}_no_replace BEFORE INSERT ON {table}
WHEN EXISTS (SELECT 1 FROM {table} WHERE seq = NEW.seq AND {second} = NEW.{second})
BEGIN SELECT RAISE(ABORT, 'the record is append-only'); END
"""
_POSTGRESQL = """
CREATE FUNCTION stripread_refuse() RETURNS trigger LANGUAGE plpgsql AS
$$BEGIN RAISE EXCEPTION 'the record is append-only'; END$$
"""
_POSTGRESQL_REFUSE = """
CREATE TRIGGER {table}_no_change BEFORE UPDATE OR DELETE OR TRUNCATE ON {table}
FOR EACH STATEMENT EXECUTE FUNCTION stripread_refuse()
"""
_POSTGRESQL_END = """
CREATE FUNCTION stripread_at_the_end() RETURNS trigger LANGUAGE plpgsql AS
$$BEGIN
  IF NEW.seq <> (SELECT coalesce(max(seq), 0) + 1 FROM entries)
    OR NEW.previous_hash <> coalesce((SELECT hash FROM entries ORDER BY seq DESC LIMIT 1), '{zeros}')
  THEN RAISE EXCEPTION 'an entry must stand at the end of the record'; END IF;
  RETURN NEW;
END$$
"""


def upgrade() -> None:
    """Make the tables."""
    sqlite = op.get_bind().dialect.name == "sqlite"
    seq = sa.BigInteger().with_variant(sa.Integer(), "sqlite")
    op.create_table(
        "entries",
        sa.Column("seq", seq, primary_key=True, autoincrement=False),
        sa.Column("kind", sa.String(32), nullable=False),
        sa.Column("at_utc", sa.String(27), nullable=False),
        sa.Column("zone_offset", sa.String(6), nullable=False),
        sa.Column("zone_name", sa.Text, nullable=False),
        sa.Column("who", sa.Text, nullable=False),
        sa.Column("software", sa.Text, nullable=False),
        sa.Column("subject", sa.Text),
        sa.Column("supersedes", seq, sa.ForeignKey("entries.seq")),
        sa.Column("origin", sa.String(64)),
        sa.Column("files", sa.Text, nullable=False),
        sa.Column("payload", sa.Text, nullable=False),
        sa.Column("previous_hash", sa.String(64), nullable=False),
        sa.Column("hash", sa.String(64), nullable=False),
        sa.UniqueConstraint("supersedes", name="uq_entries_supersedes"),
        sa.UniqueConstraint("origin", name="uq_entries_origin"),
        sa.UniqueConstraint("hash", name="uq_entries_hash"),
    )
    op.create_index("ix_entries_kind", "entries", ["kind", "seq"])
    op.create_index("ix_entries_subject", "entries", ["kind", "subject", "seq"])
    op.create_table(
        "readings",
        sa.Column("seq", seq, sa.ForeignKey("entries.seq"), primary_key=True, autoincrement=False),
        sa.Column("pad_index", sa.Integer, primary_key=True, autoincrement=False),
        sa.Column("when_utc", sa.String(27), nullable=False),
        *(sa.Column(name, sa.Text) for name in ("point", "sample", "lot", "strip_kind")),
        *(sa.Column(name, sa.Text, nullable=False) for name in ("pad", "analyte", "unit")),
        *(sa.Column(name, sa.Double) for name in ("value", "u", "low", "high")),
        sa.Column("censored", sa.String(8)),
        sa.Column("limit_value", sa.Double),
        sa.Column("range_state", sa.String(16)),
        sa.Column("probability_within", sa.Double),
        sa.Column("validity", sa.String(16), nullable=False),
    )
    op.create_index("ix_readings_when", "readings", ["when_utc", "seq"])
    op.create_index("ix_readings_point", "readings", ["point", "when_utc", "seq"])
    op.create_index("ix_readings_lot", "readings", ["lot", "when_utc", "seq"])
    op.create_table(
        "files",
        sa.Column("seq", seq, sa.ForeignKey("entries.seq"), primary_key=True, autoincrement=False),
        sa.Column("file_index", sa.Integer, primary_key=True, autoincrement=False),
        sa.Column("role", sa.String(16), nullable=False),
        sa.Column("sha256", sa.String(64), nullable=False),
        sa.Column("path", sa.Text, nullable=False),
    )
    op.create_index("ix_files_path", "files", ["path"])
    op.create_index("ix_files_sha256", "files", ["sha256"])
    zeros = "0" * 64
    if sqlite:
        for table in _TABLES:
            for verb in ("UPDATE", "DELETE"):
                op.execute(_SQLITE.format(table=table, verb=verb))
        for table, second in (("readings", "pad_index"), ("files", "file_index")):
            op.execute(_SQLITE_NO_REPLACE.format(table=table, second=second))
        op.execute(_SQLITE_END.format(zeros=zeros))
        return
    op.execute(_POSTGRESQL)
    for table in _TABLES:
        op.execute(_POSTGRESQL_REFUSE.format(table=table))
    op.execute(_POSTGRESQL_END.format(zeros=zeros))
    op.execute(
        "CREATE TRIGGER entries_at_the_end BEFORE INSERT ON entries "
        "FOR EACH ROW EXECUTE FUNCTION stripread_at_the_end()"
    )
