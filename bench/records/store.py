"""The store: runs go in step by step, each durable when the call returns, and come out whole.

Blocking. From async code use ``AsyncStore``. One ``Store`` may be used by several threads, and several
processes may have the same database open: a writer takes the database's write lock for one short act.
"""

import json
import zlib
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import asdict, dataclass
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Self

from sqlalchemy import Connection, select

from bench.errors import RecordError
from bench.records import chain, database, rows, tables, verify
from bench.records.archive import acts_of, lines_of
from bench.records.case import Case, case_of, told_once
from bench.records.history import History, Point, SeriesQuery, history_of, matching, newest_inspections, points
from bench.records.intake import Taken, take_in
from bench.records.lease import is_cut, own_lease
from bench.records.location import default_path
from bench.records.queries import (
    append,
    case_ids,
    closed_places,
    count_of,
    matching_ids,
    measured_s,
    open_runs,
    row_of,
    rows_of,
)
from bench.records.summaries import CUT_REASON, RunSummary, summaries
from bench.results import Followup, Reexamined, Run, RunState, StepResult

MANY = 5  # ranges of records, from which on forking is worth its while
_SEALED = ("run", "step", "end")  # kinds of entry that are the run itself


class NoSuchRecord(RecordError):  # noqa: N818 - named for what happened, as every error here
    """No record, or more than one, goes by that name."""

    exit_code = 64


@dataclass(frozen=True, slots=True)
class Note:
    """A remark somebody added to a record later. ``written`` is ISO 8601 with offset."""

    written: str
    author: str | None
    text: str


@dataclass(frozen=True, slots=True)
class Signature:
    """Somebody who stands for a record. ``seal`` is the hash that it had then; ``written`` is ISO 8601 with offset."""

    written: str
    name: str
    role: str
    statement: str
    seal: str


def _utc_now() -> datetime:
    return datetime.now(UTC)


class Store:
    """All records of one database.

    Args:
        location: file path, or SQLAlchemy URL (``sqlite:///…``, ``postgresql://…``); None for the platform's place.
        create: make the database when there is none; a reader says False and gets an error instead.
        now: wall clock, aware; for leases and notes only.

    Raises:
        RecordError: from every method, one line, when the database can't be read or written.
    """

    def __init__(
        self, location: str | Path | None = None, *, create: bool = True, now: Callable[[], datetime] = _utc_now
    ) -> None:
        self._url = url = database.parse_location(default_path() if location is None else location)
        self.where = database.describe(url)
        self._now = now
        self._engine = database.open_engine(url, create=create)
        self._identity = database.identity_of(url)
        # All queries of one reading see one moment; SQLite's transactions do so by themselves.
        served = url.get_backend_name() == "postgresql"
        self._reader = self._engine.execution_options(isolation_level="REPEATABLE READ") if served else self._engine

    def close(self) -> None:
        """Let go of the database; a run that is still open stays open."""
        with database.said_plainly(self.where):
            self._engine.dispose()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_exc: object) -> None:
        self.close()

    # --- writing ---

    def begin(self, run: Run) -> None:
        """Open a record, with the steps ``run`` already has; its state and duration are left for ``finish``.

        Runs that were cut are closed as ``interrupted`` first.

        Raises:
            RecordError: the id is taken.
        """
        self.close_cut_runs()
        with self._writing() as connection:
            if row_of(connection, tables.run, run.id) is not None:
                raise RecordError(f"{self.where}: record {run.id} is there already")
            append(connection, "run", run.id, 0, {"run": [rows.run_row(run)]})
            connection.execute(tables.lease.insert().values(run_id=run.id, **own_lease(self._now())))
            for no, step in enumerate(run.steps):
                append(connection, "step", run.id, no, rows.step_bundle(run.id, no, step))

    def add_step(self, run_id: str, step: StepResult) -> None:
        """Add a step to an open run; on disk when this returns."""
        with self._writing() as connection:
            self._require_open(connection, run_id)
            no = count_of(connection, tables.step, run_id)
            append(connection, "step", run_id, no, rows.step_bundle(run_id, no, step))
            of_run = tables.lease.c.run_id == run_id
            connection.execute(tables.lease.update().where(of_run).values(**own_lease(self._now())))

    def finish(self, run_id: str, state: RunState, duration_s: float, reason: str | None = None) -> None:
        """Close a run for good, as anything but ``running``; ``duration_s`` is in board seconds."""
        if state == "running":
            raise RecordError(f"record {run_id}: a run can't be closed as running")
        with self._writing() as connection:
            self._require_open(connection, run_id)
            self._end(connection, run_id, state, duration_s, reason)

    def save(self, run: Run) -> None:
        """Store a run that is already over, all at once or not at all."""
        with self._writing() as connection:
            if row_of(connection, tables.run, run.id) is not None:
                raise RecordError(f"{self.where}: record {run.id} is there already")
            append(connection, "run", run.id, 0, {"run": [rows.run_row(run)]})
            for no, step in enumerate(run.steps):
                append(connection, "step", run.id, no, rows.step_bundle(run.id, no, step))
            self._end(connection, run.id, run.state, run.duration_s, run.reason)

    def close_cut_runs(self) -> tuple[str, ...]:
        """Close as ``interrupted`` every open run whose writer is gone (see ``lease.py``); give their ids.

        ``begin`` does this by itself. A run that another living process writes is left alone.
        """
        with self._writing() as connection:
            cut = tuple(run_id for run_id in open_runs(connection) if self._is_cut(connection, run_id))
            for run_id in cut:
                self._end(connection, run_id, "interrupted", measured_s(connection, run_id), CUT_REASON)
        return cut

    def add_note(self, run_id: str, text: str, author: str | None = None) -> None:
        """Add a remark to a record, open or closed."""
        with self._writing() as connection:
            self._require(connection, run_id)
            no = count_of(connection, tables.note, run_id)
            written = self._now().isoformat(timespec="seconds")
            row = {"run_id": run_id, "no": no, "written": written, "author": author, "text": text}
            append(connection, "note", run_id, no, {"note": [row]})

    def sign(self, run_id: str, name: str, role: str, statement: str) -> Signature:
        """Add who stands for a closed record, with the hash it has now.

        Raises:
            RecordError: the run is still going.
        """
        with self._writing() as connection:
            self._require(connection, run_id)
            if row_of(connection, tables.run_end, run_id) is None:
                raise RecordError(f"{self.where}: record {run_id} is not closed yet; sign it when it is")
            no, seal = count_of(connection, tables.signature, run_id), self._seal(connection, run_id)
            signed = Signature(self._now().isoformat(timespec="seconds"), name, role, statement, seal)
            row = {"run_id": run_id, "no": no} | asdict(signed)
            append(connection, "signature", run_id, no, {"signature": [row]})
        return signed

    def signatures(self, run_id: str) -> tuple[Signature, ...]:
        """Who stands for a record, oldest first."""
        names = ("written", "name", "role", "statement", "seal")
        with self._reading() as connection:
            self._require(connection, run_id)
            found = rows_of(connection, tables.signature, run_id)
            return tuple(Signature(**{name: row[name] for name in names}) for row in found)

    def follow_up(self, run_id: str, followups: Sequence[Followup]) -> None:
        """Add what a retest said of a record's findings, all at once; nothing that is there changes."""
        with self._writing() as connection:
            self._require(connection, run_id)
            first = count_of(connection, tables.followup, run_id)
            written = self._now().isoformat(timespec="seconds")
            for no, each in enumerate(followups, first):
                row = rows.followup_row(run_id, no, written, each)
                append(connection, "followup", run_id, no, {"followup": [row]})

    def followups(self, run_id: str) -> tuple[Followup, ...]:
        """What retests said of a record's findings, oldest first."""
        with self._reading() as connection:
            self._require(connection, run_id)
            return tuple(rows.followup_from(row) for row in rows_of(connection, tables.followup, run_id))

    def reexamined(self, run_id: str) -> tuple[Reexamined, ...]:
        """What retests said of this record, and what it said as a retest of others; only the newest word on each."""
        table = tables.followup.c
        query = select(tables.followup).where((table.run_id == run_id) | (table.retest_id == run_id))
        with self._reading() as connection:
            self._require(connection, run_id)
            newest = {
                (row.run_id, row.step_no, row.finding_no): row
                for row in connection.execute(query.order_by(table.run_id, table.no)).all()
            }
            runs = {row.run_id: self._load(connection, row.run_id, whole=True) for row in newest.values()}
        every = [rows.reexamined(runs[row.run_id], rows.followup_from(dict(row._mapping))) for row in newest.values()]
        return told_once(every)

    def case(self, reference: str) -> Case:
        """The inspection that a record is or is a retest of, with all its retests."""
        with self._reading() as connection:
            ids = case_ids(connection, self._resolve(connection, reference))
            runs = [self._load(connection, run_id, whole=True) for run_id in ids]
            closed = {run_id: closed_places(connection, run_id) for run_id in ids}
        return case_of(runs, closed)

    def attach(self, run_id: str, name: str, data: bytes) -> None:
        """Keep a file with a record: raw measurements, the profile as it was. A later one of that name hides it."""
        with self._writing() as connection:
            self._require(connection, run_id)
            no = count_of(connection, tables.attachment, run_id)
            append(connection, "attachment", run_id, no, {"attachment": [rows.attachment_row(run_id, no, name, data)]})

    def take_in(self, lines: Iterable[str], label: str) -> Taken:
        """Add the records of an archive or a spool that are not here yet, all or, on an error, none.

        Args:
            lines: of the file, each with its end.
            label: its name, for messages.

        Raises:
            InputError: the file is none of ours, cut off or changed, or a record here differs.
        """
        with self._writing() as connection:
            return take_in(connection, acts_of(lines, label), self._now())

    # --- reading ---

    def archive(self, reference: str | None = None) -> Iterator[str]:
        """The lines of an archive of one record, or of all of them."""
        with self._reading() as connection:
            run_id = None if reference is None else self._resolve(connection, reference)
            yield from lines_of(connection, run_id)

    def resolve(self, reference: str) -> str:
        """The id that ``last``, an id, its beginning or its last word stands for; upper or lower case.

        Raises:
            NoSuchRecord: none, or several.
        """
        with self._reading() as connection:
            return self._resolve(connection, reference)

    def load(self, reference: str) -> Run:
        """A whole run, as it was measured (traces to float32). See ``resolve`` for what ``reference`` may be."""
        with self._reading() as connection:
            return self._load(connection, self._resolve(connection, reference), whole=True)

    def runs(
        self,
        limit: int = 50,
        unit: str | None = None,
        since: date | None = None,
        until: date | None = None,
        words: str | None = None,
    ) -> list[RunSummary]:
        """The newest runs first.

        Args:
            limit: at most so many.
            unit: only those with this unit number or VIN, in any case; the last four or more characters of a VIN do.
            since: only those that began on this day (UTC) or later.
            until: only those that began on this day (UTC) or earlier.
            words: only those that hold each of these words, in any case, in labels, findings or notes.
        """
        query = select(tables.run.c.id).where(*matching(unit, since, until, words)).order_by(tables.run.c.id.desc())
        with self._reading() as connection:
            return summaries(connection, connection.scalars(query.limit(limit)).all(), self._now())

    def history(self, unit: str) -> History:
        """Everything that is known of a unit, by its number or VIN as in ``runs``; oldest visit first."""
        with self._reading() as connection:
            return history_of(connection, unit, self._now())

    def series(self, name: str, query: SeriesQuery | None = None) -> list[Point]:
        """Every measured value of that name in any case (``*`` for anything), oldest first."""
        with self._reading() as connection:
            return points(connection, name, query or SeriesQuery())

    def inspected_units(self) -> list[tuple[RunSummary, RunSummary | None]]:
        """Of each unit its newest complete inspection, and the newest one that passed whole; the longest ago first.

        A retest that closed what an inspection found is not an inspection: what else there was has gone untested.
        """
        with self._reading() as connection:
            newest, passed = (newest_inspections(connection, passed=only) for only in (False, True))
            ids = sorted({*newest.values(), *passed.values()})
            found = {run.id: run for run in summaries(connection, ids, self._now())}
        pairs = [(found[run_id], found.get(passed.get(unit, ""))) for unit, run_id in newest.items()]
        return sorted(pairs, key=lambda pair: pair[0].id)

    def notes(self, run_id: str) -> tuple[Note, ...]:
        """The remarks on a record, oldest first."""
        with self._reading() as connection:
            self._require(connection, run_id)
            found = rows_of(connection, tables.note, run_id)
            return tuple(Note(row["written"], row["author"], row["text"]) for row in found)

    def attachments(self, run_id: str) -> dict[str, bytes]:
        """The files kept with a record, by name."""
        with self._reading() as connection:
            self._require(connection, run_id)
            found = rows_of(connection, tables.attachment, run_id)
            return {row["name"]: zlib.decompress(row["data"]) for row in found}

    def attachment(self, run_id: str, name: str) -> bytes | None:
        """The newest file of that name kept with a record, or None."""
        table = tables.attachment.c
        query = select(table.data).where(table.run_id == run_id, table.name == name).order_by(table.no.desc())
        with self._reading() as connection:
            data = connection.scalars(query.limit(1)).one_or_none()
        return None if data is None else zlib.decompress(data)

    def seal(self, run_id: str) -> str:
        """Hash of the run's newest step, start or end: print it, and a later change to the record can be shown.

        A record that was taken in keeps the hash that the paper of its own bench shows.
        """
        with self._reading() as connection:
            self._require(connection, run_id)
            return self._seal(connection, run_id)

    def verify(self, workers: int = 1) -> list[str]:
        """Check the whole chain; one line for everything that was changed, removed, added or moved.

        Args:
            workers: processes that share the work where there is much of it; more than one only in a process that
                has no other database open and runs nothing else.
        """
        from bench.records import side_by_side  # heavy, and only wanted here

        with self._reading() as connection:
            every = verify.ranges(connection)
            alone = workers == 1 or len(every) < MANY or not database.opens_again(self._url)
            if alone or not side_by_side.possible():
                found = [placed for each in every for placed in verify.contents(connection, each)]
                return verify.in_words([*verify.links(connection), *found])
        self.close()  # nothing may be open while processes are forked; what follows opens it again
        found = side_by_side.contents_by_many(self._url, every, workers)
        with self._reading() as connection:
            return verify.in_words([*verify.links(connection), *found])

    # --- inside one transaction ---

    @contextmanager
    def _writing(self) -> Iterator[Connection]:
        writing = self._engine.execution_options(writing=True)
        database.expect_there(self._url, self._identity)
        with database.said_plainly(self.where), writing.begin() as connection:
            # The row lock makes writers on PostgreSQL queue here; SQLite's BEGIN IMMEDIATE did so already.
            connection.execute(select(tables.schema_version).with_for_update())
            yield connection
        database.expect_there(self._url, self._identity)  # before anybody is told that it is stored

    @contextmanager
    def _reading(self) -> Iterator[Connection]:
        with database.said_plainly(self.where), self._reader.begin() as connection:
            yield connection

    def _end(self, connection: Connection, run_id: str, state: str, duration_s: float, reason: str | None) -> None:
        append(connection, "end", run_id, 0, {"run_end": [rows.end_row(run_id, state, duration_s, reason)]})
        connection.execute(tables.lease.delete().where(tables.lease.c.run_id == run_id))

    def _seal(self, connection: Connection, run_id: str) -> str:
        if origin := row_of(connection, tables.origin, run_id):
            return str(next(each[4] for each in reversed(json.loads(origin["entries"])) if each[1] in _SEALED))
        own = (tables.entry.c.run_id == run_id) & tables.entry.c.kind.in_(_SEALED)
        query = select(tables.entry.c.hash).where(own).order_by(tables.entry.c.seq.desc()).limit(1)
        newest: str = connection.scalars(query).one()
        return newest

    def _resolve(self, connection: Connection, reference: str) -> str:
        found = matching_ids(connection, reference)
        if len(found) == 1:
            return found[0]
        if not found:
            raise NoSuchRecord(f"{self.where}: no record {reference!r}; `umbilical records list` shows them")
        raise NoSuchRecord(f"{self.where}: {reference!r} could be {', '.join(found)}; type more of it")

    def _load(self, connection: Connection, run_id: str, *, whole: bool) -> Run:
        header = self._require(connection, run_id)
        covered = tables.COVERS["step"][0] if whole else (tables.step,)
        found = {table.name: rows_of(connection, table, run_id) for table in covered}
        steps = [
            rows.step_from({name: [row for row in of if row["step_no"] == no] for name, of in found.items()})
            for no in [row["step_no"] for row in found["step"]]
        ]
        end = row_of(connection, tables.run_end, run_id)
        if end is None and self._is_cut(connection, run_id):
            end = rows.end_row(run_id, "interrupted", measured_s(connection, run_id), CUT_REASON)
        return rows.run_from(header, steps, end)

    def _require(self, connection: Connection, run_id: str) -> chain.Row:
        row = row_of(connection, tables.run, run_id)
        if row is None:
            raise NoSuchRecord(f"{self.where}: no record {run_id!r}; `umbilical records list` shows them")
        return row

    def _require_open(self, connection: Connection, run_id: str) -> None:
        self._require(connection, run_id)
        end = row_of(connection, tables.run_end, run_id)
        if end is not None:
            raise RecordError(f"{self.where}: record {run_id} is closed ({end['state']}); nothing can be added")

    def _is_cut(self, connection: Connection, run_id: str) -> bool:
        return is_cut(row_of(connection, tables.lease, run_id), self._now())
