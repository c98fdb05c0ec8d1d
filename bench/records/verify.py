"""Walk the chain and the rows, and say what does not fit.

Two passes. The first goes along the chain by number and looks at the links alone. The second takes the
records in groups: all rows of a group come in one query a table, so that ten thousand records are a few
hundred queries, and memory holds one group.
"""

import json
from collections import defaultdict
from collections.abc import Iterator, Sequence
from itertools import groupby
from typing import Any

from sqlalchemy import Connection, Table, literal, select, union

from bench.records import chain, tables
from bench.records.queries import run_key

Key = tuple[str, str, int]  # kind, run id, number
Placed = tuple[int, str]  # chain number it belongs to, and what is wrong there
GROUP = 100  # records
_LAST = 1 << 62  # what has no place in the chain comes last


def problems(connection: Connection) -> Iterator[str]:
    """Yield one line for each thing that was changed, removed, added or moved since it was written."""
    found = [*_links(connection), *_contents(connection)]
    yield from (words for _, words in sorted(found, key=lambda placed: placed[0]))


def _title(kind: str, run_id: str, no: int) -> str:
    numbered = tables.COVERS[kind][1] is not None if kind in tables.COVERS else True
    return (
        f"record {run_id}, {kind} {no + 1}"
        if numbered
        else f"record {run_id}, its {'start' if kind == 'run' else kind}"
    )


def _entry_title(entry: Any) -> str:
    return f"chain entry {entry.seq} ({_title(entry.kind, entry.run_id, entry.no)})"


def _links(connection: Connection) -> Iterator[Placed]:
    """Each entry must carry the next number and the hash of the one before it."""
    table = tables.entry.c
    columns = (table.seq, table.kind, table.run_id, table.no, table.prev_hash, table.hash)
    seq, link = 0, chain.GENESIS
    for entry in connection.execute(select(*columns).order_by(table.seq)).all():
        if entry.seq != seq + 1:
            missing = f"entry {seq + 1}" if entry.seq == seq + 2 else f"entries {seq + 1} to {entry.seq - 1}"
            yield entry.seq, f"chain {missing} missing, before {_entry_title(entry)}"
        elif entry.prev_hash != link:
            words = "does not follow the entry before it; one of them was changed or moved"
            yield entry.seq, f"{_entry_title(entry)}: {words}"
        seq, link = entry.seq, entry.hash


def _contents(connection: Connection) -> Iterator[Placed]:
    """Each entry's own hash, and the rows it covers; then rows that no entry covers."""
    named = [select(run_key(covered[0]).label("run_id")) for covered, _ in tables.COVERS.values()]
    ids = connection.scalars(union(select(tables.entry.c.run_id), *named).order_by("run_id")).all()
    for start in range(0, len(ids), GROUP):
        yield from _group(connection, ids[start : start + GROUP])


def _group(connection: Connection, ids: Sequence[str]) -> Iterator[Placed]:
    entries = connection.execute(select(tables.entry).where(tables.entry.c.run_id.in_(ids))).all()
    found = _digests(connection, ids)
    known: set[Key] = set()
    for entry in entries:
        known.add((entry.kind, entry.run_id, entry.no))
        digests = json.loads(entry.digests)
        link = chain.entry_hash(entry.seq, entry.kind, entry.run_id, entry.no, digests, entry.prev_hash)
        if link != entry.hash:
            yield entry.seq, f"{_entry_title(entry)}: changed"
        if entry.kind in tables.COVERS:
            rows = found.get((entry.kind, entry.run_id, entry.no), {})
            yield from ((entry.seq, words) for words in _rows(entry, digests, rows))
    for key in sorted(_present(connection, ids) - known):
        yield _LAST, f"{_title(*key)}: not in the chain; it was added by hand, or its chain entry was removed"


def _rows(entry: Any, expected: chain.Digests, found: chain.Digests) -> Iterator[str]:
    title = _title(entry.kind, entry.run_id, entry.no)
    if not found:
        yield f"{title}: missing"
        return
    yield from (f"{title}: {words}" for words in chain.compare(expected, found))


def _digests(connection: Connection, ids: Sequence[str]) -> dict[Key, dict[str, list[str]]]:
    """Digests of every row of these records, by entry and table."""
    found: dict[Key, dict[str, list[str]]] = defaultdict(dict)
    for kind, (covered, number) in tables.COVERS.items():
        for table in covered:
            for (run_id, no), digests in groupby(_row_digests(connection, table, number, ids), key=lambda row: row[0]):
                found[kind, run_id, no][table.name] = [digest for _, digest in digests]
    return found


def _row_digests(
    connection: Connection, table: Table, number: str | None, ids: Sequence[str]
) -> Iterator[tuple[tuple[str, int], str]]:
    columns = sorted(table.columns, key=lambda column: column.name)
    names = [column.name for column in columns]
    run_at, number_at = names.index(run_key(table).name), names.index(number) if number else None
    digest = chain.digester(names)
    query = select(*columns).where(run_key(table).in_(ids)).order_by(*table.primary_key.columns)
    for row in connection.execute(query).all():
        yield (row[run_at], 0 if number_at is None else row[number_at]), digest(row)


def _present(connection: Connection, ids: Sequence[str]) -> set[Key]:
    """Every start, step, end, note and the like that is in the tables."""
    found: set[Key] = set()
    for kind, (covered, number) in tables.COVERS.items():
        table = covered[0]
        query = select(run_key(table), table.c[number] if number else literal(0)).where(run_key(table).in_(ids))
        found |= {(kind, run_id, no) for run_id, no in connection.execute(query)}
    return found
