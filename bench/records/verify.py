"""Walk the chain and the rows, and say what does not fit.

Two passes. The first goes along the chain by number and looks at the links alone. The second takes the records in
ranges of their ids: all rows of a range come in one query a table, as plain tuples from the driver, so that ten
thousand records are a few hundred queries and memory holds one range. The ranges leave no gap, so that a row
whose record nobody knows is seen too.
"""

import json
from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from itertools import groupby, pairwise
from operator import itemgetter
from typing import Any

from sqlalchemy import ColumnElement, Connection, Select, select

from bench.records import chain, tables
from bench.records.queries import run_key

Key = tuple[str, str, int]  # kind, run id, number
Rows = Sequence[tuple[Any, ...]]  # columns in the order of their names
Placed = tuple[int, str]  # chain number it belongs to, and what is wrong there
Range = tuple[str | None, str | None]  # ids after the first up to the second; None for no bound
RANGE = 200  # records
_LAST = 1 << 62  # what has no place in the chain comes last
_OF_KEY = itemgetter(0, 1, 2)
_OTHER = "its rows are not as they were written"
_NOT_OURS = "not in the chain; it was added by hand, or its chain entry was removed"


def in_words(found: Iterable[Placed]) -> list[str]:
    """One line for each thing that was changed, removed, added or moved, in the order of the chain."""
    return [words for _, words in sorted(found, key=itemgetter(0))]


def _title(kind: str, run_id: str, no: int) -> str:
    numbered = tables.COVERS[kind][1] is not None if kind in tables.COVERS else True
    return (
        f"record {run_id}, {kind} {no + 1}"
        if numbered
        else f"record {run_id}, its {'start' if kind == 'run' else kind}"
    )


def _entry_title(seq: int, key: Key) -> str:
    return f"chain entry {seq} ({_title(*key)})"


def links(connection: Connection) -> Iterator[Placed]:
    """Each entry must carry the next number and the hash of the one before it."""
    table = tables.entry.c
    columns = (table.kind, table.run_id, table.no, table.seq, table.prev_hash, table.hash)
    last, link = 0, chain.GENESIS
    for *key, seq, prev_hash, own in _fetched(connection, select(*columns).order_by(table.seq)):
        if seq != last + 1:
            missing = f"entry {last + 1}" if seq == last + 2 else f"entries {last + 1} to {seq - 1}"
            yield seq, f"chain {missing} missing, before {_entry_title(seq, _OF_KEY(key))}"
        elif prev_hash != link:
            words = "does not follow the entry before it; one of them was changed or moved"
            yield seq, f"{_entry_title(seq, _OF_KEY(key))}: {words}"
        last, link = seq, own


def ranges(connection: Connection) -> list[Range]:
    """Ranges of ids that hold so many records each, and together everything."""
    ids = connection.scalars(select(tables.entry.c.run_id).distinct().order_by(tables.entry.c.run_id)).all()
    return list(pairwise([None, *ids[RANGE - 1 :: RANGE], None]))


def contents(connection: Connection, ids: Range) -> Iterator[Placed]:
    """Each entry's own hash, and the rows it covers; then rows that no entry covers."""
    table = tables.entry.c
    columns = (table.kind, table.run_id, table.no, table.seq, table.digests, table.prev_hash, table.hash)
    found = _rows(connection, ids)
    for *key, seq, digests, prev_hash, own in _fetched(connection, select(*columns).where(*_within(table.run_id, ids))):
        kind, run_id, no = key
        sound = chain.stored_hash(seq, kind, run_id, no, digests, prev_hash) == own
        if not sound:
            yield seq, f"{_entry_title(seq, _OF_KEY(key))}: changed"
        rows, written = found.pop(_OF_KEY(key), {}), chain.all_of(digests)
        if written != chain.digest_of_all(sorted(rows.items())):
            every = _differences(digests, rows) or ([_OTHER] if sound and written else [])
            yield from ((seq, f"{_title(kind, run_id, no)}: {words}") for words in every)
    yield from ((_LAST, f"{_title(*key)}: {_NOT_OURS}") for key in sorted(found))


def _differences(digests: str, rows: Mapping[str, Rows]) -> list[str]:
    """What is wrong with an entry's rows, row by row."""
    if not rows:
        return ["missing"]
    bundle = {name: [dict(zip(_columns(name), row, strict=True)) for row in of] for name, of in rows.items()}
    return chain.compare(_parsed(digests), chain.rows_digests(bundle))


def _parsed(digests: str) -> chain.Digests:
    try:
        return dict(json.loads(digests))
    except ValueError:
        return {}  # the entry's own hash says that it was changed


def _rows(connection: Connection, ids: Range) -> dict[Key, dict[str, Rows]]:
    """Every row of these records, by entry and table."""
    found: dict[Key, dict[str, Rows]] = defaultdict(dict)
    for kind, (covered, number) in tables.COVERS.items():
        for table in covered:
            names = _columns(table.name)
            run_at, number_at = names.index(run_key(table).name), names.index(number) if number else None
            query = select(*(table.c[name] for name in names)).where(*_within(run_key(table), ids))
            rows = _fetched(connection, query.order_by(*table.primary_key.columns))
            if number_at is None:
                found |= {(kind, row[run_at], 0): {table.name: [row]} for row in rows}
                continue
            for (run_id, no), of in groupby(rows, key=itemgetter(run_at, number_at)):
                found[kind, run_id, no][table.name] = list(of)
    return found


def _columns(table: str) -> list[str]:
    return sorted(column.name for column in tables.metadata.tables[table].columns)


def _within(column: ColumnElement[str], ids: Range) -> list[ColumnElement[bool]]:
    after, upto = ids
    return [*([column > after] if after is not None else []), *([column <= upto] if upto is not None else [])]


def _fetched(connection: Connection, query: Select[Any]) -> Rows:
    """Rows as the driver gives them: wrapping a million of them would take as long as checking them."""
    cursor = connection.execute(query).cursor
    return cursor.fetchall() if cursor else []
