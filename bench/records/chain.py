"""The hash chain: why a changed, lost, added or moved row can't go unseen.

Each row has a digest: sha256 over its canonical JSON (blobs stand in it by their own sha256). An entry
covers the rows of one act (a step with all its values, findings and traces; the start; the end; a note)
and its hash is sha256 over its number, its kind, its rows' digests and the hash of the entry before it.

So ``verify`` can name the row that changed. It seldom has to: an entry also carries one digest over all its rows,
written as arrays without the names of columns, which takes a third of the time. Entries of older versions lack it,
and are checked row by row. What a chain alone can't show is that somebody rewrote
everything from one entry to the newest, or cut off the tail: for that the hash of a run's newest entry
is printed in its report, and paper doesn't change.
"""

import hashlib
import json
from collections.abc import Mapping, Sequence
from json.encoder import encode_basestring_ascii
from typing import Any

Row = Mapping[str, Any]
Bundle = Mapping[str, Sequence[Row]]  # table name -> its rows, in order
Digests = Mapping[str, Sequence[str]]

GENESIS = "0" * 64
ALL = "all"  # comes before every table's name, so that it stands first among an entry's digests
_ALL_FIRST = f'{{"{ALL}":["'

_ENCODER = json.JSONEncoder(sort_keys=True, separators=(",", ":"), ensure_ascii=True)  # made once


def canonical(thing: object) -> str:
    """JSON with one spelling for one content: sorted keys, no blanks, ASCII."""
    return _ENCODER.encode(thing)


def _sha256(data: bytes) -> str:
    return hashlib.sha256(data).hexdigest()


def _as_digest(item: bytes) -> list[str]:
    return [_sha256(item)]


_ARRAYS = json.JSONEncoder(separators=(",", ":"), default=_as_digest)


def row_digest(row: Row) -> str:
    """The sha256 of one row, hexadecimal."""
    plain = {key: _sha256(item) if isinstance(item, bytes) else item for key, item in row.items()}
    return _sha256(canonical(plain).encode())


def digests_of(bundle: Bundle) -> dict[str, list[str]]:
    """Digest of every row, by table, and the one over all of them; tables without rows are left out."""
    plain = [(table, [_in_order(row) for row in rows]) for table, rows in sorted(bundle.items()) if rows]
    return {ALL: [digest_of_all(plain)]} | rows_digests(bundle)


def rows_digests(bundle: Bundle) -> dict[str, list[str]]:
    """Digest of every row, by table; tables without rows are left out."""
    return {table: [row_digest(row) for row in rows] for table, rows in bundle.items() if rows}


def _in_order(row: Row) -> tuple[Any, ...]:
    return tuple(row[name] for name in sorted(row))


def digest_of_all(plain: Sequence[tuple[str, Sequence[Sequence[Any]]]]) -> str:
    """One digest over the rows of an entry.

    Args:
        plain: by name of table, in the order of these names; each row as its columns in the order of theirs.
    """
    return _sha256(_ARRAYS.encode(plain).encode())


def all_of(digests: str) -> str | None:
    """The digest over all rows out of an entry's digests as they are stored; None where an older version wrote them."""
    return digests[len(_ALL_FIRST) : len(_ALL_FIRST) + 64] if digests.startswith(_ALL_FIRST) else None


def entry_hash(seq: int, kind: str, run_id: str, no: int, digests: Digests, prev_hash: str) -> str:
    """The hash that the next entry carries on."""
    return stored_hash(seq, kind, run_id, no, canonical(digests), prev_hash)


def stored_hash(seq: int, kind: str, run_id: str, no: int, digests: str, prev_hash: str) -> str:
    """``entry_hash`` with the digests in their canonical spelling, which is the one they are stored in."""
    head = f"[{seq},{encode_basestring_ascii(kind)},{encode_basestring_ascii(run_id)},{no},"
    return _sha256(f"{head}{digests},{encode_basestring_ascii(prev_hash)}]".encode())


def compare(expected: Digests, found: Digests) -> list[str]:
    """Say in words how the rows differ from those that were written; nothing when they don't."""
    words: list[str] = []
    for table in sorted({*expected, *found} - {ALL}):
        words += _compare_table(table.replace("_", " "), expected.get(table, ()), found.get(table, ()))
    return words


def _compare_table(table: str, expected: Sequence[str], found: Sequence[str]) -> list[str]:
    if list(expected) == list(found):
        return []
    if sorted(expected) == sorted(found):
        return [f"the {table} rows are in another order"]
    if len(found) < len(expected):
        return [f"{len(expected) - len(found)} of {len(expected)} {table} rows missing"]
    if len(found) > len(expected):
        return [f"{len(found) - len(expected)} {table} row(s) added"]
    changed = [str(no + 1) for no, pair in enumerate(zip(expected, found, strict=True)) if pair[0] != pair[1]]
    return [f"{table} {', '.join(changed)} of {len(expected)} changed"]
