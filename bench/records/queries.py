"""The few shapes of query the store and its check need; rows come as plain dicts."""

from collections.abc import Sequence
from typing import Any

from sqlalchemy import ColumnElement, Connection, Table, func, or_, select

from bench.records import chain, tables
from bench.records.ids import spellings


def run_key(table: Table) -> ColumnElement[str]:
    """The column that says which run a row belongs to."""
    return table.c.id if table is tables.run else table.c.run_id


def rows_of(connection: Connection, table: Table, run_id: str, **equal: int) -> list[dict[str, Any]]:
    """The run's rows in order of their numbers; ``equal`` narrows by column."""
    query = select(table).where(run_key(table) == run_id).filter_by(**equal).order_by(*table.primary_key.columns)
    return [dict(row._mapping) for row in connection.execute(query)]


def row_of(connection: Connection, table: Table, run_id: str) -> dict[str, Any] | None:
    """The run's only row in a table that holds one for each."""
    return next(iter(rows_of(connection, table, run_id)), None)


def count_of(connection: Connection, table: Table, run_id: str) -> int:
    """How many rows the run has."""
    return connection.scalars(select(func.count()).select_from(table).where(run_key(table) == run_id)).one()


def open_runs(connection: Connection) -> Sequence[str]:
    """Ids of the runs that have no end."""
    return connection.scalars(
        select(tables.run.c.id).where(tables.run.c.id.not_in(select(tables.run_end.c.run_id)))
    ).all()


def matching_ids(connection: Connection, reference: str) -> Sequence[str]:
    """The newest few ids that ``last``, an id, its beginning or its last word may stand for; in any case."""
    ids = tables.run.c.id
    newest_first = select(ids).order_by(ids.desc())
    if reference.strip().lower() == "last":
        return connection.scalars(newest_first.limit(1)).all()
    exact = connection.scalars(select(ids).where(ids == reference)).all()
    if exact or not reference.strip():
        return exact
    texts = spellings(reference)
    begins = [func.lower(ids).startswith(text, autoescape=True) for text in texts]
    ends = [func.lower(ids).endswith(f"-{text}", autoescape=True) for text in texts]
    return connection.scalars(newest_first.where(or_(*begins, *ends)).limit(4)).all()


def case_ids(connection: Connection, run_id: str) -> list[str]:
    """The records that followups tie to this one, however far, and itself; oldest first."""
    table = tables.followup.c
    known, fresh = {run_id}, {run_id}
    while fresh:
        tied = or_(table.run_id.in_(fresh), table.retest_id.in_(fresh))
        pairs = connection.execute(select(table.run_id, table.retest_id).where(tied).distinct()).all()
        fresh = {name for pair in pairs for name in pair} - known
        known |= fresh
    found = connection.scalars(select(tables.run.c.id).where(tables.run.c.id.in_(known))).all()
    return sorted(found)


def closed_places(connection: Connection, run_id: str) -> set[tuple[int, int | None]]:
    """Step and finding numbers of a record that the newest word on them calls closed."""
    newest = {(row["step_no"], row["finding_no"]): row["state"] for row in rows_of(connection, tables.followup, run_id)}
    return {place for place, state in newest.items() if state == "closed"}


def measured_s(connection: Connection, run_id: str) -> float:
    """When the run's last step ended, in board seconds."""
    step = tables.step.c
    query = select(func.max(step.started_s + step.duration_s)).where(step.run_id == run_id)
    return connection.scalars(query).one() or 0.0


def append(connection: Connection, kind: str, run_id: str, no: int, bundle: chain.Bundle) -> None:
    """Insert the rows of one entry and chain it to the newest; the caller holds the write lock."""
    for table in tables.COVERS[kind][0]:
        if bundle.get(table.name):
            connection.execute(table.insert(), [dict(row) for row in bundle[table.name]])
    newest = select(tables.entry.c.seq, tables.entry.c.hash).order_by(tables.entry.c.seq.desc()).limit(1)
    seq, prev_hash = connection.execute(newest).one_or_none() or (0, chain.GENESIS)
    digests = chain.digests_of(bundle)
    link = chain.entry_hash(seq + 1, kind, run_id, no, digests, prev_hash)
    numbered = {"seq": seq + 1, "kind": kind, "run_id": run_id, "no": no, "digests": chain.canonical(digests)}
    connection.execute(tables.entry.insert().values(numbered | {"prev_hash": prev_hash, "hash": link}))
