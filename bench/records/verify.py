"""Walk the chain and the rows, and say what does not fit."""

import json
from collections.abc import Iterator
from typing import Any

from sqlalchemy import Connection, literal, select

from bench.records import chain, tables
from bench.records.queries import rows_of, run_key

Key = tuple[str, str, int]  # kind, run id, number


def problems(connection: Connection) -> Iterator[str]:
    """Yield one line for each thing that was changed, removed, added or moved since it was written."""
    known: set[Key] = set()
    seq, link = 0, chain.GENESIS
    for entry in connection.execute(select(tables.entry).order_by(tables.entry.c.seq)):
        yield from _check_link(entry, seq, link)
        yield from _check_rows(connection, entry)
        seq, link = entry.seq, entry.hash
        known.add((entry.kind, entry.run_id, entry.no))
    for key in sorted(_present(connection) - known):
        yield f"{_title(*key)}: not in the chain; it was added by hand, or its chain entry was removed"


def _title(kind: str, run_id: str, no: int) -> str:
    numbered = tables.COVERS[kind][1] is not None if kind in tables.COVERS else True
    return (
        f"record {run_id}, {kind} {no + 1}"
        if numbered
        else f"record {run_id}, its {'start' if kind == 'run' else kind}"
    )


def _check_link(entry: Any, seq: int, link: str) -> Iterator[str]:
    title = f"chain entry {entry.seq} ({_title(entry.kind, entry.run_id, entry.no)})"
    if entry.seq != seq + 1:
        missing = f"entry {seq + 1}" if entry.seq == seq + 2 else f"entries {seq + 1} to {entry.seq - 1}"
        yield f"chain {missing} missing, before {title}"
    elif entry.prev_hash != link:
        yield f"{title}: does not follow the entry before it; one of them was changed or moved"
    digests = json.loads(entry.digests)
    if chain.entry_hash(entry.seq, entry.kind, entry.run_id, entry.no, digests, entry.prev_hash) != entry.hash:
        yield f"{title}: changed"


def _check_rows(connection: Connection, entry: Any) -> Iterator[str]:
    if entry.kind not in tables.COVERS:
        return
    found = chain.digests_of(_bundle(connection, entry.kind, entry.run_id, entry.no))
    title = _title(entry.kind, entry.run_id, entry.no)
    if not found:
        yield f"{title}: missing"
        return
    for words in chain.compare(json.loads(entry.digests), found):
        yield f"{title}: {words}"


def _bundle(connection: Connection, kind: str, run_id: str, no: int) -> chain.Bundle:
    covered, number = tables.COVERS[kind]
    equal = {number: no} if number else {}
    return {table.name: rows_of(connection, table, run_id, **equal) for table in covered}


def _present(connection: Connection) -> set[Key]:
    """Every start, step, end, note and attachment that is in the tables."""
    found: set[Key] = set()
    for kind, (covered, number) in tables.COVERS.items():
        table = covered[0]
        for row in connection.execute(select(run_key(table), table.c[number] if number else literal(0))):
            found.add((kind, row[0], row[1]))
    return found
