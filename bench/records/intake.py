"""Taking records in from an archive or a spool: what is new is added and chained here, what is here must agree."""

import json
from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any

from sqlalchemy import Connection, select

from bench.errors import InputError
from bench.records import chain, tables
from bench.records.archive import Act
from bench.records.queries import append, count_of

SPOOLED_END = "the end of this run came from its spool"


@dataclass(frozen=True, slots=True)
class Taken:
    """What came of it.

    Attributes:
        added: ids of records that were not here.
        completed: ids of records that were here and got more.
        known: ids of records that were here whole.
    """

    added: tuple[str, ...]
    completed: tuple[str, ...]
    known: tuple[str, ...]


@dataclass
class _Tally:
    added: dict[str, None] = field(default_factory=dict)
    completed: dict[str, None] = field(default_factory=dict)
    known: dict[str, None] = field(default_factory=dict)
    links: dict[str, list[list[Any]]] = field(default_factory=lambda: defaultdict(list))
    here: dict[str, set[tuple[str, int]]] = field(default_factory=dict)  # kind and number, by record


def take_in(connection: Connection, acts: Iterable[Act], now: datetime) -> Taken:
    """Add what is not here yet; the caller holds the write lock and rolls everything back on an error.

    Raises:
        InputError: a record is here with another content.
    """
    tally = _Tally()
    for act in acts:
        _take(connection, act, tally, now)
    for run_id, links in tally.links.items():
        no = count_of(connection, tables.origin, run_id)
        row = {"run_id": run_id, "no": no, "written": now.isoformat(timespec="seconds"), "entries": json.dumps(links)}
        append(connection, "origin", run_id, no, {"origin": [row]})
    completed = tuple(run_id for run_id in tally.completed if run_id not in tally.added)
    known = tuple(run_id for run_id in tally.known if run_id not in tally.added | tally.completed)
    return Taken(tuple(tally.added), completed, known)


def _take(connection: Connection, act: Act, tally: _Tally, now: datetime) -> None:
    if act.run_id not in tally.here:
        tally.here[act.run_id] = _entries(connection, act.run_id)
    here = tally.here[act.run_id]
    if (act.kind, act.no) not in here:
        if act.kind != "run" and ("run", 0) not in here:
            raise InputError(f"record {act.run_id}: its {act.kind} is in the file, but not its start")
        append(connection, act.kind, act.run_id, act.no, act.bundle)
        here.add((act.kind, act.no))
        if act.kind == "end":
            connection.execute(tables.lease.delete().where(tables.lease.c.run_id == act.run_id))
        (tally.added if act.kind == "run" else tally.completed)[act.run_id] = None
        if act.seq is not None:
            tally.links[act.run_id].append([act.seq, act.kind, act.no, act.prev_hash, act.hash])
    elif not chain.compare(_digests(connection, act), chain.rows_digests(act.bundle)):
        tally.known[act.run_id] = None
    elif act.seq is None and act.kind == "end":
        _late_end(connection, act, now)
        tally.completed[act.run_id] = None
    else:
        raise InputError(f"record {act.run_id} is here already, and its {act.kind} {act.no + 1} is another one")


def _late_end(connection: Connection, act: Act, now: datetime) -> None:
    """Somebody closed the run as interrupted before its spool came in: the record says both."""
    (end,) = act.bundle["run_end"]
    no = count_of(connection, tables.note, act.run_id)
    words = f"{SPOOLED_END}: {end['state']}, {end['reason'] or 'no reason given'}"
    written = now.isoformat(timespec="seconds")
    row = {"run_id": act.run_id, "no": no, "written": written, "author": None, "text": words}
    append(connection, "note", act.run_id, no, {"note": [row]})


def _entries(connection: Connection, run_id: str) -> set[tuple[str, int]]:
    table = tables.entry.c
    found = connection.execute(select(table.kind, table.no).where(table.run_id == run_id)).all()
    return {(kind, no) for kind, no in found}


def _digests(connection: Connection, act: Act) -> dict[str, list[str]]:
    table = tables.entry.c
    same = (table.kind == act.kind) & (table.run_id == act.run_id) & (table.no == act.no)
    return dict(json.loads(connection.scalars(select(table.digests).where(same)).one()))
