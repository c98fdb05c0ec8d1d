"""The hash chain: why a changed, lost, added or moved row can't go unseen.

Each row has a digest: sha256 over its canonical JSON (blobs stand in it by their own sha256). An entry
covers the rows of one act (a step with all its values, findings and traces; the start; the end; a note)
and its hash is sha256 over its number, its kind, its rows' digests and the hash of the entry before it.

So ``verify`` can name the row that changed. What a chain alone can't show is that somebody rewrote
everything from one entry to the newest, or cut off the tail: for that the hash of a run's newest entry
is printed in its report, and paper doesn't change.
"""

import hashlib
import json
from collections.abc import Callable, Mapping, Sequence
from json.encoder import encode_basestring_ascii
from types import NoneType
from typing import Any

Row = Mapping[str, Any]
Bundle = Mapping[str, Sequence[Row]]  # table name -> its rows, in order
Digests = Mapping[str, Sequence[str]]

GENESIS = "0" * 64


_ENCODER = json.JSONEncoder(sort_keys=True, separators=(",", ":"), ensure_ascii=True)  # made once: verify is all this


def canonical(thing: object) -> str:
    """JSON with one spelling for one content: sorted keys, no blanks, ASCII."""
    return _ENCODER.encode(thing)


def _sha256(data: bytes) -> str:
    return hashlib.sha256(data).hexdigest()


def row_digest(row: Row) -> str:
    """The sha256 of one row, hexadecimal."""
    plain = {key: _sha256(item) if isinstance(item, bytes) else item for key, item in row.items()}
    return _sha256(canonical(plain).encode())


def digester(names: Sequence[str]) -> Callable[[Sequence[Any]], str]:
    """``row_digest`` for many rows of one table: the same words, in half the time, as the names are spelled once.

    Args:
        names: of the columns, sorted; rows are given as their columns in this order.
    """
    heads = ",".join(f"{canonical(name)}:".replace("%", "%%") + "%s" for name in names)
    template = f"{{{heads}}}"

    def digest(row: Sequence[Any]) -> str:
        text = template % tuple([_SPELL[type(item)](item) for item in row])
        if "inf" in text or "nan" in text:  # perhaps a number that JSON spells otherwise, perhaps just a word
            return row_digest(dict(zip(names, row, strict=True)))
        return _sha256(text.encode())

    return digest


class _Spelling(dict[type, Callable[[Any], str]]):
    """How ``canonical`` spells a plain value of each type, without its detour for containers."""

    def __missing__(self, _: type) -> Callable[[Any], str]:
        return canonical


def _spell_bytes(item: bytes) -> str:
    return f'"{_sha256(item)}"'


_SPELL = _Spelling(
    {
        str: encode_basestring_ascii,
        int: int.__repr__,
        float: float.__repr__,
        NoneType: "null".format,
        bytes: _spell_bytes,
    }
)


def digests_of(bundle: Bundle) -> dict[str, list[str]]:
    """Digest of every row, by table; tables without rows are left out."""
    return {table: [row_digest(row) for row in rows] for table, rows in bundle.items() if rows}


def entry_hash(seq: int, kind: str, run_id: str, no: int, digests: Digests, prev_hash: str) -> str:
    """The hash that the next entry carries on."""
    return _sha256(canonical([seq, kind, run_id, no, digests, prev_hash]).encode())


def compare(expected: Digests, found: Digests) -> list[str]:
    """Say in words how the rows differ from those that were written; nothing when they don't."""
    words: list[str] = []
    for table in sorted({*expected, *found}):
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
