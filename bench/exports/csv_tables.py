"""CSV (RFC 4180): one table of values, one of findings, one of recordings. Units stand in the header or beside.

Numbers are written in full, so that nothing is lost; a cell of text that a spreadsheet would take for a
formula begins with an apostrophe.
"""

import csv
import io
from collections.abc import Callable, Iterable, Iterator

from bench.results import Finding, Run, StepResult, Value

Cell = str | int | float | None
Row = dict[str, Cell]

_FORMULA = ("=", "+", "-", "@", "\t", "\r")

_OF_RUN = ("record", "unit_number", "vin", "started", "profile", "step")
_OF_VALUE = ("name", "value", "unit", "low", "high", "verdict", "source")
_OF_FINDING = (
    "kind", "circuits", "pins", "verdict", "severity", "confidence", "place", "place_name", "from_connector_m",
    "plus_minus_m", "size", "size_unit", "evidence", "explain", "next", "source",
)  # fmt: skip


def csv_table(run: Run, part: str) -> str:
    """One table of a run, header first.

    Args:
        run: whole, with its steps.
        part: ``values``, ``findings`` or ``traces``. Times are board clock seconds.
    """
    header, rows = PARTS[part](run)
    text = io.StringIO()
    writer = csv.DictWriter(text, header, restval="")
    writer.writeheader()
    writer.writerows({key: _safe(cell) for key, cell in row.items()} for row in rows)
    return text.getvalue()


def _safe(cell: Cell) -> Cell:
    return f"'{cell}" if isinstance(cell, str) and cell.startswith(_FORMULA) else cell


def _values(run: Run) -> tuple[tuple[str, ...], Iterator[Row]]:
    rows = (_of_run(run, step) | _value(value) for step in run.steps for value in step.values)
    return _OF_RUN + _OF_VALUE, rows


def _findings(run: Run) -> tuple[tuple[str, ...], Iterator[Row]]:
    rows = (_of_run(run, step) | _finding(finding) for step in run.steps for finding in step.findings)
    return _OF_RUN + _OF_FINDING, rows


def _traces(run: Run) -> tuple[tuple[str, ...], Iterator[Row]]:
    every = [trace for step in run.steps for trace in step.traces]
    columns = dict.fromkeys(name for trace in every for name in trace.columns)
    return ("record", "step", "trace", "time_s", *columns), _samples(run)


PARTS: dict[str, Callable[[Run], tuple[tuple[str, ...], Iterable[Row]]]] = {
    "values": _values,
    "findings": _findings,
    "traces": _traces,
}


def _of_run(run: Run, step: StepResult) -> Row:
    own = (run.id, run.unit_number, run.vin, run.started, run.profile, step.step)
    return dict(zip(_OF_RUN, own, strict=True))


def _value(value: Value) -> Row:
    return {name: getattr(value, name) for name in _OF_VALUE}


def _finding(finding: Finding) -> Row:
    plain = ("kind", "verdict", "severity", "confidence", "explain", "next", "source")
    listed: Row = {
        "circuits": " ".join(finding.circuits),
        "pins": " ".join(map(str, finding.pins)),
        "evidence": "; ".join(f"{each.name} {each.value} {each.unit}" for each in finding.evidence),
    }
    return {name: getattr(finding, name) for name in plain} | listed | _place(finding) | _size(finding)


def _place(finding: Finding) -> Row:
    where = finding.where
    if where is None:
        return {}
    metres: Row = {"from_connector_m": where.from_connector_m, "plus_minus_m": where.plus_minus_m}
    return {"place": where.place, "place_name": where.name} | metres


def _size(finding: Finding) -> Row:
    return {"size": finding.size.value, "size_unit": finding.size.unit} if finding.size else {}


def _samples(run: Run) -> Iterator[Row]:
    for step in run.steps:
        for trace in step.traces:
            for no, samples in enumerate(zip(*trace.columns.values(), strict=True)):
                own: Row = {"record": run.id, "step": step.step, "trace": trace.name}
                time_s: Row = {"time_s": trace.started_s + no * trace.dt_s}
                yield own | time_s | dict(zip(trace.columns, samples, strict=True))
