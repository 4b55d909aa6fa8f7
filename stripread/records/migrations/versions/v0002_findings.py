"""A narrow table of the findings of readings, filled from the entries that are there."""

import json

import sqlalchemy as sa
from alembic import op

revision = "0002"
down_revision = "0001"
branch_labels = None
depends_on = None

_CHUNK = 500
_SQLITE = """
CREATE TRIGGER findings_no_{verb} BEFORE {verb} ON findings
BEGIN SELECT RAISE(ABORT, 'the record is append-only'); END
"""
_SQLITE_NO_REPLACE = """
CREATE TRIGGER findings_no_replace BEFORE INSERT ON findings
WHEN EXISTS (SELECT 1 FROM findings WHERE seq = NEW.seq AND finding_index = NEW.finding_index)
BEGIN SELECT RAISE(ABORT, 'the record is append-only'); END
"""
_POSTGRESQL = """
CREATE TRIGGER findings_no_change BEFORE UPDATE OR DELETE OR TRUNCATE ON findings
FOR EACH STATEMENT EXECUTE FUNCTION stripread_refuse()
"""


def upgrade() -> None:
    """Make the table."""
    seq = sa.BigInteger().with_variant(sa.Integer(), "sqlite")
    findings = op.create_table(
        "findings",
        sa.Column("seq", seq, sa.ForeignKey("entries.seq"), primary_key=True, autoincrement=False),
        sa.Column("finding_index", sa.Integer, primary_key=True, autoincrement=False),
        sa.Column("code", sa.Text, nullable=False),
        sa.Column("severity", sa.String(16), nullable=False),
    )
    op.create_index("ix_findings_code", "findings", ["code", "seq"])
    _fill(op.get_bind(), findings)
    if op.get_bind().dialect.name == "sqlite":
        for verb in ("UPDATE", "DELETE"):
            op.execute(_SQLITE.format(verb=verb))
        op.execute(_SQLITE_NO_REPLACE)
    else:
        op.execute(_POSTGRESQL)


def _fill(connection: sa.Connection, findings: sa.Table) -> None:
    """Write what the entries say, as `projection.finding_rows` does for new ones; as it was when this was made."""
    entries = sa.table("entries", sa.column("seq"), sa.column("kind"), sa.column("payload"))
    query = sa.select(entries.c.seq, entries.c.payload).where(entries.c.kind == "reading").order_by(entries.c.seq)
    after = 0
    while page := connection.execute(query.where(entries.c.seq > after).limit(_CHUNK)).all():
        after = page[-1].seq
        if rows := [row for seq, payload in page for row in _rows(seq, payload)]:
            connection.execute(sa.insert(findings), rows)


def _rows(seq: int, payload: str) -> list[dict[str, object]]:
    try:
        said = json.loads(payload)
        found = [] if said.get("withdrawn") else said.get("findings") or []
        return [
            {"seq": seq, "finding_index": i, "code": f["code"], "severity": f["severity"]} for i, f in enumerate(found)
        ]
    except (AttributeError, LookupError, TypeError, ValueError):  # of an entry that was changed: verification tells
        return []
