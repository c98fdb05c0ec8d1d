"""The tables, for SQLite and PostgreSQL alike.

Every table but ``lease`` is append-only. A row belongs to exactly one ``entry``, and the entries form
one hash chain (see ``chain.py``). Numbers inside a run (``step_no``, ``no``) count from 0 in order.
Nested small things (evidence, cautions, pins) are JSON text: they are read whole or not at all.
"""

from sqlalchemy import (
    Column,
    Double,
    ForeignKey,
    ForeignKeyConstraint,
    Integer,
    LargeBinary,
    MetaData,
    String,
    Table,
    Text,
)

SCHEMA_VERSION = 3  # a change here needs a step in migrations.py

metadata = MetaData()


def _key(name: str) -> Column[int]:
    return Column(name, Integer, primary_key=True, autoincrement=False)


def _run_id() -> Column[str]:
    return Column("run_id", String(64), ForeignKey("run.id"), primary_key=True)


def _of_step() -> ForeignKeyConstraint:
    return ForeignKeyConstraint(["run_id", "step_no"], ["step.run_id", "step.step_no"])


schema_version = Table("schema_version", metadata, _key("version"))

run = Table(
    "run", metadata,
    Column("id", String(64), primary_key=True),
    Column("command", Text, nullable=False),
    Column("profile", Text, nullable=False),
    Column("started", Text, nullable=False),  # ISO 8601 with offset, as given
    Column("unit_number", Text, index=True),
    Column("vin", Text, index=True),
    Column("operator", Text),
    Column("board_url", Text, nullable=False),
    Column("board_serial", Text, nullable=False),
    Column("board_firmware", Text, nullable=False),
    Column("board_contract", Text, nullable=False),
    Column("board_channels", Integer, nullable=False),
    Column("board_calibrated", Text, nullable=False),
)  # fmt: skip

step = Table(
    "step", metadata, _run_id(), _key("step_no"),
    Column("step", Text, nullable=False),
    Column("title", Text, nullable=False),
    Column("verdict", Text, nullable=False),
    Column("started_s", Double, nullable=False),
    Column("duration_s", Double, nullable=False),
    Column("cautions", Text, nullable=False),  # JSON [text]
    Column("reason", Text),
)  # fmt: skip

value = Table(
    "value", metadata, _run_id(), _key("step_no"), _key("no"), _of_step(),
    Column("name", Text, nullable=False),
    Column("value", Double),
    Column("unit", Text, nullable=False),
    Column("low", Double),
    Column("high", Double),
    Column("verdict", Text, nullable=False),
    Column("source", Text),
)  # fmt: skip

finding = Table(
    "finding", metadata, _run_id(), _key("step_no"), _key("no"), _of_step(),
    Column("kind", Text, nullable=False),
    Column("circuits", Text, nullable=False),  # JSON [name]
    Column("pins", Text, nullable=False),  # JSON [number]
    Column("verdict", Text, nullable=False),
    Column("severity", Text, nullable=False),
    Column("confidence", Double),
    Column("explain", Text, nullable=False),
    Column("next", Text, nullable=False),
    Column("location", Text, nullable=False),  # JSON {place, name, from_connector_m, plus_minus_m} or null
    Column("size", Text, nullable=False),  # JSON {value, unit} or null
    Column("evidence", Text, nullable=False),  # JSON [{name, value, unit}]
    Column("alternatives", Text, nullable=False),  # JSON [{kind, where, confidence}]
    Column("source", Text),
)  # fmt: skip

trace = Table(
    "trace", metadata, _run_id(), _key("step_no"), _key("no"), _of_step(),
    Column("name", Text, nullable=False),
    Column("started_s", Double, nullable=False),
    Column("dt_s", Double, nullable=False),
)  # fmt: skip

trace_column = Table(
    "trace_column", metadata, _run_id(), _key("step_no"), _key("trace_no"), _key("no"),
    Column("name", Text, nullable=False),
    Column("samples", Integer, nullable=False),
    Column("data", LargeBinary, nullable=False),  # zlib of little-endian float32
    ForeignKeyConstraint(
        ["run_id", "step_no", "trace_no"], ["trace.run_id", "trace.step_no", "trace.no"]
    ),
)  # fmt: skip

run_end = Table(
    "run_end", metadata, _run_id(),
    Column("state", Text, nullable=False),
    Column("duration_s", Double, nullable=False),
    Column("reason", Text),
)  # fmt: skip

note = Table(
    "note", metadata, _run_id(), _key("no"),
    Column("written", Text, nullable=False),
    Column("author", Text),
    Column("text", Text, nullable=False),
)  # fmt: skip

# Who stands for a record, and for which state of it: ``seal`` is its hash at that moment.
signature = Table(
    "signature", metadata, _run_id(), _key("no"),
    Column("written", Text, nullable=False),  # ISO 8601 with offset
    Column("name", Text, nullable=False),
    Column("role", Text, nullable=False),
    Column("statement", Text, nullable=False),
    Column("seal", String(64), nullable=False),
)  # fmt: skip

# What a later run said of what this one found: closed with evidence, or still open. The newest word counts.
followup = Table(
    "followup", metadata, _run_id(), _key("no"),
    Column("step_no", Integer, nullable=False),
    Column("finding_no", Integer),  # null: of the step's values, where no finding named them
    Column("state", Text, nullable=False),  # closed, open
    Column("retest_id", String(64), nullable=False),
    Column("written", Text, nullable=False),  # ISO 8601 with offset
    Column("reason", Text, nullable=False),
    Column("evidence", Text, nullable=False),  # JSON [{name, unit, before, after, low, high, verdict}]
)  # fmt: skip

# Where a record that was taken in from another database comes from: its entries in the chain of that one.
origin = Table(
    "origin", metadata, _run_id(), _key("no"),
    Column("written", Text, nullable=False),  # ISO 8601 with offset: when it was taken in
    Column("entries", Text, nullable=False),  # JSON [[seq, kind, no, prev_hash, hash]]
)  # fmt: skip

attachment = Table(
    "attachment", metadata, _run_id(), _key("no"),
    Column("name", Text, nullable=False),
    Column("data", LargeBinary, nullable=False),  # zlib
)  # fmt: skip

entry = Table(
    "entry", metadata, _key("seq"),
    Column("kind", Text, nullable=False),
    Column("run_id", String(64), nullable=False, index=True),
    Column("no", Integer, nullable=False),
    Column("digests", Text, nullable=False),  # JSON {table: [sha256 of each row]}
    Column("prev_hash", String(64), nullable=False),
    Column("hash", String(64), nullable=False),
)  # fmt: skip

# Who is writing a run that has no end yet. Not evidence: changed and removed freely, outside the chain.
lease = Table(
    "lease", metadata, Column("run_id", String(64), primary_key=True),
    Column("host", Text, nullable=False),
    Column("process", Integer, nullable=False),
    Column("process_mark", Text, nullable=False),
    Column("renewed", Text, nullable=False),
)  # fmt: skip

# What one entry of each kind covers, and the column that holds the entry's own number (None: one per run).
COVERS: dict[str, tuple[tuple[Table, ...], str | None]] = {
    "run": ((run,), None),
    "step": ((step, value, finding, trace, trace_column), "step_no"),
    "end": ((run_end,), None),
    "note": ((note,), "no"),
    "signature": ((signature,), "no"),
    "followup": ((followup,), "no"),
    "origin": ((origin,), "no"),
    "attachment": ((attachment,), "no"),
}
