"""Queries over many runs: the visits of a unit, and one value through all of them."""

import json
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta

from sqlalchemy import ColumnElement, Connection, func, or_, select

from bench.records import rows, tables
from bench.records.summaries import CHUNK, RunSummary, summaries
from bench.results import Followup, Verdict

LEAST_OF_VIN = 4  # last characters that may stand for a VIN


@dataclass(frozen=True, slots=True)
class Point:
    """One measured value of one run; ``started`` is the run's, ISO 8601."""

    run_id: str
    started: str
    unit_number: str | None
    profile: str
    step: str
    name: str
    value: float
    unit: str
    low: float | None
    high: float | None
    verdict: Verdict


@dataclass(frozen=True, slots=True)
class Found:
    """One finding of one visit, with the newest word on it."""

    run_id: str
    kind: str
    circuits: tuple[str, ...]
    verdict: Verdict
    severity: str
    place: str | None
    followup: Followup | None


@dataclass(frozen=True, slots=True)
class History:
    """A unit's visits, what was measured and found in them; oldest first."""

    unit: str
    visits: tuple[RunSummary, ...]
    points: tuple[Point, ...]
    findings: tuple[Found, ...]


@dataclass(frozen=True, slots=True)
class SeriesQuery:
    """Which values: of a unit, a profile, a time; None for any. Days are UTC."""

    unit: str | None = None
    profile: str | None = None
    since: date | None = None
    until: date | None = None


def matching(
    unit: str | None, since: date | None = None, until: date | None = None, words: str | None = None
) -> list[ColumnElement[bool]]:
    """Conditions on the table of runs. Ids begin with the UTC date, so a range of days is a range of ids."""
    table = tables.run.c
    wanted: list[ColumnElement[bool]] = []
    if unit is not None:
        sought = unit.strip().lower()
        own = [func.lower(table.unit_number) == sought, func.lower(table.vin) == sought]
        if len(sought) >= LEAST_OF_VIN:
            own.append(func.lower(table.vin).endswith(sought, autoescape=True))
        wanted.append(or_(*own))
    if since is not None:
        wanted.append(table.id >= f"{since:%Y%m%d}")
    if until is not None:
        wanted.append(table.id < f"{until + timedelta(days=1):%Y%m%d}")
    return [*wanted, *(_holding(word) for word in (words or "").lower().split())]


def _holding(word: str) -> ColumnElement[bool]:
    """Runs that hold a word, in any case, in what a person wrote or was told: labels, findings, notes."""
    run, finding, note = tables.run.c, tables.finding.c, tables.note.c

    def in_any(*columns: ColumnElement[str]) -> ColumnElement[bool]:
        return or_(*(func.lower(column).contains(word, autoescape=True) for column in columns))

    told = (finding.kind, finding.circuits, finding.explain, finding.next)
    # The place is JSON: of that only what stands from its name on, not the names of its fields before it.
    placed = func.lower(finding.location).like(f'%"name":"%{_literal(word)}%', escape="\\")
    return or_(
        in_any(run.id, run.command, run.profile, run.unit_number, run.vin, run.operator, run.board_serial),
        run.id.in_(select(finding.run_id).where(or_(placed, in_any(*told)))),
        run.id.in_(select(note.run_id).where(in_any(note.text, note.author))),
    )


def points(connection: Connection, name: str, query: SeriesQuery) -> list[Point]:
    """Measured values of a name, oldest run first. ``*`` in the name stands for anything."""
    wanted = matching(query.unit, query.since, query.until)
    if query.profile is not None:
        wanted.append(tables.run.c.profile == query.profile)
    pattern = _literal(name.lower()).replace("*", "%")
    return _points(connection, [func.lower(tables.value.c.name).like(pattern, escape="\\"), *wanted])


def _literal(words: str) -> str:
    """Words in a LIKE pattern as they are."""
    return words.replace("\\", "\\\\").replace("%", r"\%").replace("_", r"\_")


def _points(connection: Connection, wanted: Sequence[ColumnElement[bool]]) -> list[Point]:
    run, value, step = tables.run.c, tables.value.c, tables.step.c
    of_value = (value.name, value.value, value.unit, value.low, value.high, value.verdict)
    columns = (run.id.label("run_id"), run.started, run.unit_number, run.profile, step.step, *of_value)
    joined = tables.value.join(tables.run, run.id == value.run_id).join(
        tables.step, (step.run_id == value.run_id) & (step.step_no == value.step_no)
    )
    query = select(*columns).select_from(joined).where(value.value.is_not(None), *wanted)
    found = connection.execute(query.order_by(run.id, value.step_no, value.no)).all()
    return [Point(**dict(row._mapping) | {"verdict": Verdict(row.verdict)}) for row in found]


def history_of(connection: Connection, unit: str, now: datetime) -> History:
    """All of a unit: by number or VIN."""
    ids = connection.scalars(select(tables.run.c.id).where(*matching(unit)).order_by(tables.run.c.id)).all()
    every: list[Point] = []
    found: list[Found] = []
    for start in range(0, len(ids), CHUNK):
        chunk = ids[start : start + CHUNK]
        every += _points(connection, [tables.run.c.id.in_(chunk)])
        found += _findings(connection, chunk)
    return History(unit, tuple(summaries(connection, ids, now)), tuple(every), tuple(found))


def _findings(connection: Connection, ids: Sequence[str]) -> list[Found]:
    finding, followup = tables.finding.c, tables.followup.c
    later = connection.execute(
        select(tables.followup).where(followup.run_id.in_(ids)).order_by(followup.run_id, followup.no)
    )
    words = {(row.run_id, row.step_no, row.finding_no): rows.followup_from(dict(row._mapping)) for row in later.all()}
    query = select(tables.finding).where(finding.run_id.in_(ids)).order_by(*tables.finding.primary_key.columns)
    return [
        Found(
            row.run_id,
            row.kind,
            tuple(json.loads(row.circuits)),
            Verdict(row.verdict),
            row.severity,
            (json.loads(row.location) or {}).get("name"),
            words.get((row.run_id, row.step_no, row.no)),
        )
        for row in connection.execute(query).all()
    ]


def newest_inspections(connection: Connection, *, passed: bool) -> dict[str, str]:
    """Id of the newest complete inspection of each unit, by its number (or VIN) in lower case.

    With ``passed`` only of those in which every step passed.
    """
    table = tables.run.c
    unit = func.lower(func.coalesce(table.unit_number, table.vin))
    complete = select(tables.run_end.c.run_id).where(tables.run_end.c.state == "complete")
    query = select(unit, func.max(table.id)).where(
        unit.is_not(None), table.command == "inspect", table.id.in_(complete)
    )
    if passed:
        step = tables.step.c
        beyond = select(step.run_id).where(step.verdict != Verdict.PASS.value)
        query = query.where(table.id.in_(select(step.run_id)), table.id.not_in(beyond))
    return {str(name): str(run_id) for name, run_id in connection.execute(query.group_by(unit)).all()}
