"""Lists of runs: a fixed number of queries for any number of runs."""

from collections import Counter, defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import Connection, Table, func, select

from bench.records import rows, tables
from bench.records.lease import is_cut
from bench.records.queries import run_key
from bench.results import Run, RunState, Verdict

CHUNK = 500  # ids in one query
CUT_REASON = "the program ended before the run was closed"


@dataclass(frozen=True, slots=True)
class RunSummary:
    """One line in a list of runs.

    Attributes:
        failed: titles of the steps that failed, in order.
        findings: how many there are, of any severity.
    """

    id: str
    command: str
    profile: str
    started: str
    duration_s: float
    state: RunState
    verdict: Verdict
    unit_number: str | None
    vin: str | None
    operator: str | None
    failed: tuple[str, ...]
    findings: int


def summaries(connection: Connection, ids: Sequence[str], now: datetime) -> list[RunSummary]:
    """The runs with these ids, in their order."""
    every: list[RunSummary] = []
    for start in range(0, len(ids), CHUNK):
        every += _chunk(connection, ids[start : start + CHUNK], now)
    return every


def _chunk(connection: Connection, ids: Sequence[str], now: datetime) -> list[RunSummary]:
    starts = {row["id"]: row for row in _rows(connection, tables.run, ids)}
    ends = {row["run_id"]: row for row in _rows(connection, tables.run_end, ids)}
    leases = {row["run_id"]: row for row in _rows(connection, tables.lease, ids)}
    steps: dict[str, list[dict[str, Any]]] = defaultdict(list)
    for row in _rows(connection, tables.step, ids):
        steps[row["run_id"]].append(row)
    of_finding = tables.finding.c.run_id
    counted = select(of_finding, func.count()).where(of_finding.in_(ids)).group_by(of_finding)
    findings = Counter({run_id: int(count) for run_id, count in connection.execute(counted)})
    every: list[RunSummary] = []
    for run_id in ids:
        end = ends.get(run_id)
        if end is None and is_cut(leases.get(run_id), now):
            end = rows.end_row(run_id, "interrupted", _measured_s(steps[run_id]), CUT_REASON)
        run = rows.run_from(starts[run_id], (rows.step_from({"step": [row]}) for row in steps[run_id]), end)
        every.append(_summary(run, findings[run_id]))
    return every


def _rows(connection: Connection, table: Table, ids: Sequence[str]) -> list[dict[str, Any]]:
    query = select(table).where(run_key(table).in_(ids)).order_by(*table.primary_key.columns)
    return [dict(row._mapping) for row in connection.execute(query).all()]


def _measured_s(steps: Sequence[dict[str, Any]]) -> float:
    return max((row["started_s"] + row["duration_s"] for row in steps), default=0.0)


def _summary(run: Run, findings: int) -> RunSummary:
    return RunSummary(
        id=run.id,
        command=run.command,
        profile=run.profile,
        started=run.started,
        duration_s=run.duration_s,
        state=run.state,
        verdict=run.verdict,
        unit_number=run.unit_number,
        vin=run.vin,
        operator=run.operator,
        failed=tuple(step.title for step in run.steps if step.verdict is Verdict.FAIL),
        findings=findings,
    )
