"""Records in a file of their own, to carry them to another bench or keep them: JSON lines, hash chain included.

Format ``umbilical-archive/1``, UTF-8, one JSON object a line:

1. ``{"format": "umbilical-archive/1", "whole": true}``; ``whole`` says that it holds a database from its
   first chain entry on, so that no gap is allowed.
2. for each chain entry, in order: ``{"seq", "kind", "run_id", "no", "prev_hash", "hash", "rows"}``, where
   ``rows`` is ``{table: [{column: value}]}`` and bytes are ``{"base64": text}``. The hash is that of
   ``chain.py`` over the digests of these rows, so that a reader needs nothing else to check it.
3. ``{"end": number of entries}``, so that a file that was cut off shows.

A spool, ``umbilical-spool/1``, is what a run leaves when its database fails: a first line that names the database,
then ``{"kind", "run_id", "no", "rows"}``, each flushed to disk. It has no end, since nobody may have been left
to write one; a last line that is not whole is what the run had not finished writing.
"""

import base64
import json
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from sqlalchemy import Connection, select

from bench.errors import InputError
from bench.records import chain, tables
from bench.records.queries import rows_of

ARCHIVE = "umbilical-archive/1"
SPOOL = "umbilical-spool/1"


@dataclass(frozen=True, slots=True)
class Act:
    """What one chain entry covers, from a file; ``seq`` and the hashes are those of its own chain, None in a spool."""

    kind: str
    run_id: str
    no: int
    bundle: chain.Bundle
    seq: int | None = None
    prev_hash: str = ""
    hash: str = ""


def lines_of(connection: Connection, run_id: str | None) -> Iterator[str]:
    """The archive of one record, or of all of them; every line with its end."""
    query = select(tables.entry).order_by(tables.entry.c.seq)
    if run_id is not None:
        query = query.where(tables.entry.c.run_id == run_id)
    yield _line({"format": ARCHIVE, "whole": run_id is None})
    count = 0
    for count, entry in enumerate(connection.execute(query).all(), 1):  # noqa: B007 - how many there were
        plain = {name: getattr(entry, name) for name in ("seq", "kind", "run_id", "no", "prev_hash", "hash")}
        yield _line(plain | {"rows": plain_rows(_bundle(connection, entry.kind, entry.run_id, entry.no))})
    yield _line({"end": count})


def spool_line(kind: str, run_id: str, no: int, bundle: chain.Bundle) -> str:
    """One line of a spool."""
    return _line({"kind": kind, "run_id": run_id, "no": no, "rows": plain_rows(bundle)})


def plain_rows(bundle: chain.Bundle) -> dict[str, list[dict[str, Any]]]:
    """Rows as JSON can hold them; tables without rows are left out."""
    return {table: [_plain(row) for row in rows] for table, rows in bundle.items() if rows}


def acts_of(lines: Iterable[str], label: str) -> Iterator[Act]:
    """What an archive or a spool holds, checked as it is read.

    Raises:
        InputError: not such a file, cut off, or changed; with the line.
    """
    numbered = enumerate(lines, 1)
    header = _parsed(next(numbered, (1, ""))[1], f"{label}:1")
    if header.get("format") == SPOOL:
        yield from _spooled(numbered, label)
    elif header.get("format") == ARCHIVE:
        yield from _archived(numbered, label, whole=bool(header.get("whole")))
    else:
        raise InputError(f"{label}:1: neither an archive nor a spool of records; `umbilical records export` writes one")


def _archived(numbered: Iterable[tuple[int, str]], label: str, *, whole: bool) -> Iterator[Act]:
    seq, link, count = 0, chain.GENESIS, 0
    for number, line in numbered:
        where = f"{label}:{number}"
        parsed = _parsed(line, where)
        if "end" in parsed:
            if parsed["end"] != count:
                raise InputError(f"{where}: {count} entries, but {parsed['end']} were written; lines are missing")
            return
        act = _act(parsed, where)
        _check(act, where, seq, link, whole=whole)
        seq, link, count = act.seq or 0, act.hash, count + 1
        yield act
    raise InputError(f"{label}: cut off after {count} entries; copy it again")


def _spooled(numbered: Iterable[tuple[int, str]], label: str) -> Iterator[Act]:
    for number, line in numbered:
        if line.endswith("\n"):
            yield _act(_parsed(line, f"{label}:{number}"), f"{label}:{number}")


def _check(act: Act, where: str, seq: int, link: str, *, whole: bool) -> None:
    """Each entry's own hash, and its link to the one before where that is here."""
    written = (chain.digests_of(act.bundle), chain.rows_digests(act.bundle))  # the second as older versions wrote it
    if act.hash not in [
        chain.entry_hash(act.seq or 0, act.kind, act.run_id, act.no, digests, act.prev_hash) for digests in written
    ]:
        raise InputError(f"{where}: record {act.run_id}, {act.kind} {act.no + 1}: changed after it was written")
    if act.seq == seq + 1 and act.prev_hash != link:
        raise InputError(f"{where}: chain entry {act.seq} does not follow the one before it")
    if whole and act.seq != seq + 1:
        raise InputError(f"{where}: chain entry {seq + 1} is missing before {act.seq}")


def _act(parsed: Mapping[str, Any], where: str) -> Act:
    try:
        covered = {table.name: table for table in tables.COVERS[parsed["kind"]][0]}
        bundle = {name: [_row(row) for row in rows] for name, rows in parsed["rows"].items()}
        for name, rows in bundle.items():
            names = {column.name for column in covered[name].columns}
            if any(row.keys() != names for row in rows):
                raise KeyError(name)
        links = {key: parsed[key] for key in ("seq", "prev_hash", "hash") if key in parsed}
        return Act(str(parsed["kind"]), str(parsed["run_id"]), int(parsed["no"]), bundle, **links)
    except (KeyError, TypeError, ValueError, AttributeError) as error:
        raise InputError(f"{where}: not an entry that this version knows ({error})") from None


def _plain(row: chain.Row) -> dict[str, Any]:
    return {
        name: {"base64": base64.b64encode(item).decode()} if isinstance(item, bytes) else item
        for name, item in row.items()
    }


def _row(row: Mapping[str, Any]) -> dict[str, Any]:
    return {
        name: base64.b64decode(item["base64"], validate=True) if isinstance(item, dict) else item
        for name, item in row.items()
    }


def _bundle(connection: Connection, kind: str, run_id: str, no: int) -> chain.Bundle:
    covered, number = tables.COVERS[kind]
    equal = {number: no} if number else {}
    return {table.name: rows_of(connection, table, run_id, **equal) for table in covered}


def _line(thing: object) -> str:
    return chain.canonical(thing) + "\n"


def _parsed(line: str, where: str) -> dict[str, Any]:
    try:
        parsed = json.loads(line)
    except ValueError:
        raise InputError(f"{where}: not JSON; is this an archive of records?") from None
    if not isinstance(parsed, dict):
        raise InputError(f"{where}: not an entry")
    return parsed
